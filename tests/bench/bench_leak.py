"""Leaks in the presence of evaporation, through the whole pipeline: ``python
tests/bench/bench_leak.py [--leaks N] [--seed S] [--years Y]``.

Two figures: how long a leak of 40 mL/h stands before ``level.leak`` sounds (median over lives of
one tank of 68 L, each with its own noise, keeper, month and hour at which it begins), and how often
it sounds in a year of that tank without a leak that has a heating season, a heat wave, a window
left open, pours that are missed or not noted, and a day of pump cleaning. The tank is the simulated
one: no code of it is shared with the estimator.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from in_words import what
from stillwell.forward import Run, drive, hurry
from stillwell.notice import Transition
from stillwell.settings import load
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store
from stillwell.wiring.sources import sources

CONFIG = """
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[tank.chamber]
length = "18 cm"
width = "9 cm"
uncertainty = "5 %"
lowest_safe = "-60 mm"
highest_safe = "25 mm"
[store]
path = "{store}"
keep_raw = "20 d"
[source.tank]
driver = "simulated"
every = "2 min"
seed = {seed}
start = {start}
faults = [{faults}]
events = [{events}]
[source.tank.tank]
{tank}
[source.tank.keeper]
pours_missed = {missed}
pours_noted = {noted}
[source.tank.channels]
water-a = {{ sees = "water", noise = "0.03 K" }}
room = {{ sees = "room" }}
humidity = {{ sees = "humidity" }}
level = {{ sees = "level", noise = "1 mm" }}
{float_sees}
[channel]
water-a = {{ quantity = "temperature" }}
room = {{ quantity = "temperature" }}
humidity = {{ quantity = "humidity" }}
level = {{ quantity = "level", noise = "1 mm" }}
{float_channel}
"""
FLOAT_SEES = 'float-low = { sees = "float", height = "-40 mm", differential = "2 mm" }'
FLOAT_CHANNEL = 'float-low = { quantity = "float", height = "-40 mm", differential = "2 mm" }'

YEAR = (
    '{ name = "window-open", after = "20 d", for = "9 h" }',
    '{ name = "pump-cleaning", after = "40 d", for = "24 h" }',
    '{ name = "window-open", after = "75.3 d", for = "14 h" }',
    '{ name = "heat-wave", after = "120 d", for = "8 d" }',
    '{ name = "window-open", after = "180.8 d", for = "2 d" }',
    '{ name = "pump-cleaning", after = "230 d", for = "3 h" }',
    '{ name = "heat-wave", after = "300 d", for = "5 d" }',
    '{ name = "window-open", after = "330 d", for = "6 h" }',
)
"""The first day, 1 March: the room's climate then has a heating season (humidity about 60 % in
summer, 35 % in winter)."""


def run(
    folder: Path,
    seed: int,
    start: datetime,
    days: float,
    *,
    faults: str = "",
    events: str = "",
    tank: str = "",
    missed: float = 0.0,
    noted: float = 1.0,
    with_float: bool = True,
    progress: bool = False,
) -> list[Transition]:
    """Returns all raises and clears of ``level.`` and float alarms of one simulated tank."""
    path = folder / f"{seed}.toml"
    path.write_text(
        CONFIG.format(
            store=folder / f"{seed}.db",
            seed=seed,
            start=start.isoformat(),
            faults=faults,
            events=events,
            tank=tank,
            missed=missed,
            noted=noted,
            float_sees=FLOAT_SEES if with_float else "",
            float_channel=FLOAT_CHANNEL if with_float else "",
        )
    )
    settings = load(path)
    store = open_store(settings, bulk=True)
    heard: list[Transition] = []

    def told(t: Transition) -> None:
        ours = t.alarm.startswith("level.") or t.alarm.startswith("float-")
        if ours and t.event in ("raise", "clear"):
            heard.append(t)
            if progress:
                at = datetime.fromtimestamp(t.moment.utc_ms / 1000, UTC)
                print(f"  {at:%Y-%m-%d %H:%M} {t.alarm} {t.event}: {what(t)}", flush=True)

    line = assemble.pipeline(settings, store, told)
    start_ms = round(start.timestamp() * 1000)
    with hurry():
        forward = Run(line, start_ms, boot_id="bench", tick_ms=60_000)
        every = [s for on_bus in sources(settings).values() for s in on_bus]
        drive(forward, every, start_ms + round(days * 86_400_000))
        forward.end()
    line.end()
    (folder / f"{seed}.db").unlink()
    return heard


def leaks(n: int, seed: int) -> None:
    """Prints the hours to the alarm of n leaks."""
    hours: list[float] = []
    early = unheard = 0
    for k in range(n):
        rng = random.Random(f"{seed}/{k}")
        start = datetime(2026, rng.randint(1, 12), rng.randint(1, 28), tzinfo=UTC)
        after_h = rng.uniform(4.0, 6.0) * 24
        with tempfile.TemporaryDirectory() as folder:
            heard = run(
                Path(folder),
                seed + k,
                start,
                after_h / 24 + 1.0,
                faults=f'{{ name = "leak", after = "{after_h:.3f} h", size = 40.0 }}',
                noted=0.8,
                missed=0.05,
            )
        begun_ms = round(start.timestamp() * 1000) + round(after_h * 3_600_000)
        raised = [t.moment.utc_ms for t in heard if t.alarm == "level.leak" and t.event == "raise"]
        early += any(at < begun_ms for at in raised)
        late = [(at - begun_ms) / 3_600_000 for at in raised if at >= begun_ms]
        if late:
            hours.append(late[0])
        else:
            unheard += 1
    told = sorted(hours)
    print(
        f"leak of 40 mL/h: {n} lives of one tank, median {median(told):.1f} h to the alarm, "
        f"nine in ten within {told[min(len(told) - 1, int(0.9 * len(told)))]:.1f} h, slowest "
        f"{told[-1]:.1f} h; {unheard} not heard within a day, {early} sounded before",
        flush=True,
    )


def clean(years: int, seed: int) -> None:
    """Prints the false alarms in years without a leak."""
    for k in range(years):
        with tempfile.TemporaryDirectory() as folder:
            heard = run(
                Path(folder),
                seed + 1000 + k,
                datetime(2026, 3, 1, tzinfo=UTC),
                365.0,
                events=", ".join(YEAR),
                missed=0.05,
                noted=0.8,
                progress=True,
            )
        raised: dict[str, int] = {}
        for t in heard:
            if t.event == "raise":
                raised[t.alarm] = raised.get(t.alarm, 0) + 1
        others = ", ".join(f"{name} {count}" for name, count in sorted(raised.items()))
        print(
            f"clean year {k}: {raised.get('level.leak', 0)} false leak alarms in 365 days "
            f"(all level and float alarms: {others or 'none'})",
            flush=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--leaks", type=int, default=30)
    parser.add_argument("--years", type=int, default=1)
    parser.add_argument("--seed", type=int, default=20260301)
    args = parser.parse_args()
    print(f"seed {args.seed}")
    begin = time.perf_counter()
    if args.leaks:
        leaks(args.leaks, args.seed)
    if args.years:
        clean(args.years, args.seed)
    print(f"  [{time.perf_counter() - begin:.0f} s]")


if __name__ == "__main__":
    main()
