"""What judging costs: the quality judge against making the bare reading, and against all its tests.

    python tests/bench/bench_judge.py [--readings N]

Prints the best of five passes over seeded traces, one line a kind of channel. A year of eight
channels at one reading a minute is 4.2 million readings.
"""

from __future__ import annotations

import argparse
import math
import random
import time
from collections.abc import Callable

from stillwell.quality.judge import Judge, default_limits
from stillwell.reading import Flag, Moment, Quantity, Reading, Sample

SEED = 20250610

Rows = list[tuple[Sample, Moment]]


def traces(n: int) -> dict[str, tuple[Quantity, list[float]]]:
    """Returns values as the sensors of a tank give them."""
    rng = random.Random(SEED)
    water = [25.3 + 0.3 * math.sin(i / 60) + rng.gauss(0, 0.03) for i in range(n)]
    return {
        "probe, 1/16 K steps": (Quantity.TEMPERATURE, [round(v * 16) / 16 for v in water]),
        "gauge, 1 mm noise": (Quantity.LEVEL, [rng.gauss(-5, 1) for _ in range(n)]),
        "float": (Quantity.FLOAT, [1.0] * n),
        "probe with a spike in ten": (
            Quantity.TEMPERATURE,
            [v + (5 if i % 10 == 9 else 0) for i, v in enumerate(water)],
        ),
    }


def best_us(make: Callable[[], Callable[[Sample, Moment], object]], rows: Rows) -> float:
    """Returns the microseconds of one call."""
    best = math.inf
    for _ in range(5):
        call = make()
        begun = time.perf_counter()
        for sample, moment in rows:
            call(sample, moment)
        best = min(best, time.perf_counter() - begun)
    return best / len(rows) * 1e6


def bare(sample: Sample, moment: Moment) -> Reading:
    return Reading(sample.channel, moment, sample.value, Flag.PASS)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=100_000)
    count = parser.parse_args().readings
    print(f"seed {SEED}, {count} readings a line; microseconds a reading")
    print(f"{'channel':28}{'judge':>8}{'bare':>8}{'ratio':>8}{'all tests':>11}{'pass':>8}")
    for name, (quantity, values) in traces(count).items():
        limits = default_limits(quantity)
        rows = [
            (Sample("a", value), Moment(i * 30_000, 1_750_000_000_000 + i * 30_000, 1))
            for i, value in enumerate(values)
        ]
        judge = best_us(lambda limits=limits: Judge(limits).judge, rows)  # type: ignore[misc]
        full = best_us(lambda limits=limits: Judge(limits).judge_in_full, rows)  # type: ignore[misc]
        plain = best_us(lambda: bare, rows)
        one = Judge(limits)
        passed = sum(one.judge(sample, moment).flag is Flag.PASS for sample, moment in rows)
        print(
            f"{name:28}{judge:8.2f}{plain:8.2f}{judge / plain:8.2f}{full:11.2f}"
            f"{passed / count:8.1%}"
        )


if __name__ == "__main__":
    main()
