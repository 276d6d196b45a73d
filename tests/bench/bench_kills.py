"""A thousand kills: ``bench_kills.py [--kills N] [--jobs N] [--seed N] [--folder DIR]``.

The daemon on a fast simulated tank, with a real mosquitto and VictoriaMetrics and a web hook, is
killed with SIGKILL at seeded moments, a quarter of them within 20 ms of a notice, and started again
at once. Each job is a tank of its own, killed in batches; a batch that is done is kept in the
folder, so that the same command goes on where it was cut off. The table at the end says what was
found; the exit code is 1 where something that must hold did not.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from kill_campaign import batches
from kill_tally import Tally


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2, help="tanks at a time")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="where batches are kept, to go on from")
    args = parser.parse_args()
    begin = time.monotonic()
    total = Tally()
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.folder or Path(scratch)
        for one in batches(args.kills, args.jobs, args.seed, folder):
            total.add(one)
            took = (time.monotonic() - begin) / 60
            print(f"  {total.kills} kills, {took:.1f} min", file=sys.stderr, flush=True)
            for line in one.wrong:
                print(f"  WRONG  {line}", flush=True)
    table = Table(title=f"{total.kills} kills", title_justify="left", show_header=False)
    table.add_column("what")
    table.add_column("how many", justify="right")
    for what, figure in total.lines():
        table.add_row(what, figure)
    table.add_row("took", f"{(time.monotonic() - begin) / 60:.1f} min")
    Console(width=100).print(table)
    for line in total.wrong:
        print(f"WRONG  {line}")
    return 0 if total.well else 1


if __name__ == "__main__":
    sys.exit(main())
