"""False alarms on clean tank-days: ``bench_clean_years.py [--days N] [--start DATE] [--tank N]``.

Three unlike simulated tanks, a year each, through the whole pipeline: `tests/support/clean_life.py`
says what goes on in them. Printed is everything that sounded with its date and text, whether it was
so, and false alarms over tank-days. A year takes a core some fifteen minutes.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from clean_life import FLOATS_ONLY, TANKS, Sounded, live


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--start", default="2026-01-01", help="midnight UTC of this date")
    parser.add_argument(
        "--tank", type=int, action="append", help="only this one; 4 has floats only"
    )
    parser.add_argument(
        "--no-chamber", action="store_true", help="without the level's model: takes a third"
    )
    parser.add_argument("--quiet", action="store_true", help="not the true ones")
    args = parser.parse_args()
    start = datetime.fromisoformat(args.start).replace(tzinfo=UTC)
    every = (*TANKS, FLOATS_ONLY)
    tanks = [every[n - 1] for n in args.tank] if args.tank else list(TANKS)
    begin = time.process_time()
    counts = {True: 0, False: 0}

    def heard(sounded: Sounded) -> None:
        counts[sounded.true] += 1
        if not (sounded.true and args.quiet):
            print(f"  {sounded}", flush=True)

    months: set[int] = set()

    def lived(day: int) -> None:
        if day % 30 == 0 and day not in months:
            months.add(day)
            print(f"  day {day} [{time.process_time() - begin:.0f} s of one core]", flush=True)

    for tank in tanks:
        months.clear()
        print(f"{tank.name}, seed {tank.seed}, {args.days} days from {args.start}", flush=True)
        with tempfile.TemporaryDirectory() as folder:
            chamber = not args.no_chamber
            live(tank, start, args.days, Path(folder), heard, chamber=chamber, lived=lived)
    days = len(tanks) * args.days
    print(f"{counts[False]} false alarms on {days} tank-days; {counts[True]} that were so")


if __name__ == "__main__":
    main()
