"""72 hours of faults: ``bench_storm.py [--hours H] [--speed X] [--probes N] [--seed N]``.

The daemon on a clock that runs X times as fast (100: 72 h are 43 min), with every hostile driver
and sink of `tests/support/hostile_plugins.py` at once, a broker that is killed, hung and restarted,
a time-series server that is killed, receivers that trickle, a disk that is full, a clock that is
set and floods of notes; and healthy probes, each of which leaves its band every half hour. With
60 of them at 3 times its pace, an alarm is due every 10 s on the wall, and 5 s on its clock are
1.7 s there. The table at the end says how late its alarms were, and how the process grew; the exit
code is 1 where an alarm was lost or the process ended.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from storm import Outcome, Storm

LATEST_S = 5.0
"""How late the 99th of a hundred alarms may be. A daemon at its own pace is late by at most its
tick of a second and what the wall says here, where everything happens `speed` times as often."""
FLAT = 0.02
"""The most that memory may change after day one."""


def percentile(values: list[int], share: float) -> int:
    """Returns the smallest value that `share` of them do not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def show(outcome: Outcome) -> None:
    table = Table(title=f"{outcome.hours:.1f} h of storm at {outcome.speed:g} times")
    table.title_justify = "left"
    for name in ("what", "figure", "goal", ""):
        table.add_column(name, justify="right" if name == "figure" else "left")

    def line(what: str, figure: str, goal: str = "", held: bool | None = None) -> None:
        word = "" if held is None else "held" if held else "[bold]missed[/]"
        table.add_row(what, figure, goal, word)

    line("hostile drivers, sinks", f"{outcome.sources}, {outcome.sinks}")
    for name, times in sorted(outcome.done.items()):
        if not name.endswith(", over"):
            line(f"… {name}", f"{times} times")
    line("alarms that were due", f"{outcome.due}")
    lost = len(outcome.lost)
    line("… lost", f"{lost}", "0", not lost)
    for what, values in (("kept", outcome.kept), ("heard by a web hook", outcome.heard)):
        for name, share in (("median", 0.5), ("p99", 0.99), ("latest", 1.0)):
            late_s = percentile(values, share) / 1000 if values else 0.0
            for clock, seconds in (("its clock", late_s), ("the wall", late_s / outcome.speed)):
                judged = name == "p99"
                line(
                    f"{what} after its delay, {name}, by {clock}",
                    f"{seconds:.2f} s",
                    f"{LATEST_S:g} s" if judged else "",
                    bool(values) and seconds <= LATEST_S if judged else None,
                )
    sizes = outcome.settled()
    if sizes:
        tenth = max(1, len(sizes) // 10)
        early = median(size.rss_kb for size in sizes[:tenth])
        late_kb = median(size.rss_kb for size in sizes[-tenth:])
        change = late_kb / early - 1
        line(
            "memory after day one, at the end",
            f"{early / 1024:.1f} MB, {late_kb / 1024:.1f} MB ({change:+.1%})",
            f"±{FLAT:.0%}",
            abs(change) <= FLAT,
        )
        for what, counts in (
            ("threads", [size.threads for size in sizes]),
            ("files", [size.files for size in sizes]),
        ):
            line(
                f"{what} after day one, at the end, most",
                f"{counts[0]}, {counts[-1]}, {max(counts)}",
            )
    line("ended before it was told to", "yes" if outcome.ended else "no", "no", not outcome.ended)
    code = "does not end" if outcome.exit_code is None else f"exit {outcome.exit_code}"
    ends = outcome.exit_code == 0 and outcome.stopped_s <= 10
    line("SIGTERM", f"{outcome.stopped_s:.1f} s, {code}", "10 s, exit 0", ends)
    Console(width=140).print(table)
    for what in outcome.lost:
        print(f"WRONG  an alarm at {what}")
    if outcome.ended:
        print(f"WRONG  the process ended:\n{outcome.ended}")


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--hours", type=float, default=72.0)
    parser.add_argument("--speed", type=float, default=100.0)
    parser.add_argument("--probes", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="where log and store are left")
    args = parser.parse_args()
    begin = time.monotonic()

    def hear(words: str) -> None:
        print(f"  {(time.monotonic() - begin) / 60:5.1f} min, {words}", file=sys.stderr, flush=True)

    with (
        tempfile.TemporaryDirectory() as scratch,
        Storm(
            args.folder or Path(scratch) / "storm", args.seed, args.speed, probes=args.probes
        ) as storm,
    ):
        outcome = storm.blow(args.hours, hear)
        show(outcome)
    print(f"  [{(time.monotonic() - begin) / 60:.1f} min]")
    return 1 if outcome.lost or outcome.ended else 0


if __name__ == "__main__":
    sys.exit(main())
