"""Injected against reported: ``bench_faults.py [--seeds N] [--slow] [NAME ...]``.

Each line of `tests/whole/faults.toml` runs through the whole pipeline on N simulated tanks. Printed
is, for each fault, how often the alarm that the catalogue expects sounded in its time, its delay
(median and the slowest, from the first moment at which the fault could show), and which other
alarms sounded, on how many of the tanks.
"""

from __future__ import annotations

import argparse
import fnmatch
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from statistics import median

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from fault_run import Lives, Outcome, catalogue


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="only the faults whose names hold one of these")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--slow", action="store_true", help="also those that take days")
    args = parser.parse_args()
    lines = [
        line
        for line in catalogue()
        if not line.told_by
        and (args.slow or not line.slow)
        and (not args.names or any(name in line.name for name in args.names))
    ]
    begin = time.perf_counter()
    by_fault: dict[str, list[Outcome]] = {line.name: [] for line in lines}
    for seed in range(1, args.seeds + 1):
        with tempfile.TemporaryDirectory() as folder:
            lives = Lives(Path(folder))
            for line in lines:
                outcome = lives.run(line, seed)
                outcome.store.unlink()
                by_fault[line.name].append(outcome)
                wrong = outcome.misses() + outcome.cries()
                if wrong:
                    print(f"  {line.name}, seed {seed}: {'; '.join(wrong)}", flush=True)
    show(by_fault)
    print(f"  [{time.perf_counter() - begin:.0f} s]")


def show(by_fault: dict[str, list[Outcome]]) -> None:
    """Prints the confusion table."""
    table = Table(title="injected against reported", title_justify="left")
    table.add_column("injected")
    table.add_column("expected")
    for name in ("in time", "median", "slowest"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("also reported (on so many tanks)")
    total = cried = early = 0
    for name, outcomes in by_fault.items():
        line = outcomes[0].line
        told = sum(not outcome.misses() for outcome in outcomes)
        cried += sum(bool(outcome.cries()) for outcome in outcomes)
        early += sum(at_s < 0 for outcome in outcomes for at_s, _ in outcome.sounded)
        total += len(outcomes)
        delays = sorted(o.delay_s for o in outcomes if o.delay_s is not None)
        also: Counter[str] = Counter()
        for outcome in outcomes:
            heard = {t.alarm for at_s, t in outcome.sounded if at_s >= 0}
            also.update(a for a in heard if not fnmatch.fnmatchcase(a, line.alarm))
        table.add_row(
            name,
            (line.alarm or "nothing") + (" (open)" if line.open else ""),
            f"{told}/{len(outcomes)}",
            f"{median(delays) / 60:.0f} min" if delays and line.alarm else "",
            f"{delays[-1] / 60:.0f} min" if delays and line.alarm else "",
            ", ".join(f"{alarm} {count}" for alarm, count in also.most_common()),
        )
    Console(width=140).print(table)
    print(
        f"{total} runs: {cried} with an alarm that must not sound, {early} alarms before the fault"
    )


if __name__ == "__main__":
    main()
