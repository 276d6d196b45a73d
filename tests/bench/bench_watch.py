"""What a reading costs the watch. `python tests/bench/bench_watch.py [--days N]`

Prints microseconds a call and the ratio to the cheapest thing that could be there instead: a call
that returns a shared list. Figures of one machine at one moment; nothing is asserted.
"""

from __future__ import annotations

import argparse
import random
import time
from collections.abc import Callable, Iterable

from stillwell.alarm.plan import Agreement, Band, ChannelWatch, Discrepancy, WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.notice import Priority, Transition
from stillwell.reading import Flag, Moment, Quantity, Reading

START_MS = 1_800_000_000_000


def plan(rate: float | None) -> WatchPlan:
    """Returns a tank of eight channels, as in a year's replay."""
    temperatures = ("water-a", "water-b", "room")
    return WatchPlan(
        channels=(
            *(ChannelWatch(n, "probes", Quantity.TEMPERATURE, 180) for n in temperatures),
            *(ChannelWatch(n, "floats", Quantity.FLOAT, 180) for n in ("low", "mid", "top")),
            ChannelWatch("level", "gauge", Quantity.LEVEL, 180),
            ChannelWatch("humidity", "air", Quantity.HUMIDITY, 180),
        ),
        bands=(
            Band(
                "water", ("water-a", "water-b"), 24.8, 25.8, 25.3, 0.1, 300, 300, Priority.HIGH,
                rate_per_h=rate,
            ),
        ),
        discrepancies=(Discrepancy("top-up", "low", False, 1800, 120, Priority.MEDIUM),),
        agreements=(Agreement("water", ("water-a", "water-b"), 0.5),),
    )  # fmt: skip


def readings(days: float, every_s: int, water: float) -> list[tuple[Reading, Moment]]:
    seeded = random.Random(7)
    steady = {"low": 1.0, "mid": 1.0, "top": 0.0, "level": -3.0, "humidity": 50.0, "room": 21.0}
    out = []
    for k in range(int(days * 86_400 / every_s)):
        now = Moment(k * every_s * 1000, START_MS + k * every_s * 1000, 1)
        for name in ("water-a", "water-b"):
            value = round((water + seeded.gauss(0, 0.04)) * 16) / 16
            out.append((Reading(name, now, value, Flag.PASS), now))
        out += [(Reading(name, now, value, Flag.PASS), now) for name, value in steady.items()]
    return out


def timed(
    see: Callable[[Reading, Moment], list[Transition]], rows: Iterable[tuple[Reading, Moment]]
) -> tuple[float, int]:
    moved, began = 0, time.perf_counter()
    for reading, now in rows:
        if see(reading, now):
            moved += 1
    return time.perf_counter() - began, moved


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=7.0)
    days = parser.parse_args().days
    shared: list[Transition] = []

    def nothing(reading: Reading, now: Moment) -> list[Transition]:
        return shared

    cases = [
        ("8 channels, 1/min, in band", 60, 25.3, None),
        ("8 channels, 1/min, in band, rate alarm", 60, 25.3, 1.5),
        ("8 channels, 1/s, in band, rate alarm", 1, 25.3, 1.5),
        ("8 channels, 1/min, water out of band all the time", 60, 24.0, 1.5),
    ]
    print(f"{'case':52} {'us/call':>8} {'x bare call':>12} {'moved':>6}")
    for name, every_s, water, rate in cases:
        rows = readings(days if every_s > 1 else days / 60, every_s, water)
        bare = min(timed(nothing, rows)[0] for _ in range(3))
        took, moved = min(timed(Watch(plan(rate)).see, rows) for _ in range(3))
        print(f"{name:52} {took / len(rows) * 1e6:8.2f} {took / bare:12.1f} {moved:6d}")
    watch, (_, last) = Watch(plan(1.5)), readings(0.01, 60, 25.3)[-1]
    began, ticks = time.perf_counter(), 200_000
    for k in range(ticks):
        watch.tick(Moment(k * 10, last.utc_ms, 1))
    print(f"{'tick':52} {(time.perf_counter() - began) / ticks * 1e6:8.2f}")


if __name__ == "__main__":
    main()
