"""Everything that a keeper is told, written down for comparison: ``record.py FOLDER [NAME ...]``.

Two records of two versions of the program are compared with ``diff -ru``: what a change that was to
keep behaviour has changed all the same. FOLDER gets

- ``faults/NAME.txt``: for each line of `tests/whole/faults.toml` on one seed every change of an
  alarm with its text in both systems of units, and every notice with its title;
- ``walkthrough.txt``: what each command of the walkthrough prints.

With names, only the faults whose names hold one of these, and no walkthrough.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from fault_run import Lives, Outcome, catalogue
from in_words import said, told
from stillwell.alarm.notices import notices
from stillwell.notice import Said, Told, Transition
from walk import walk

UNITS = ("metric", "us")


def of_outcome(outcome: Outcome) -> Iterator[str]:
    """Returns the lines of one fault."""
    for at_s, transition in outcome.moved:
        yield (
            f"{at_s / 60:+.1f} min  {transition.alarm}: {transition.event} -> {transition.after}, "
            f"{transition.priority}, since {_since_min(at_s, transition):+.1f} min"
        )
        for units in UNITS:
            yield from _of_alarm(units, said(transition, units))
        for notice in notices(transition):
            yield f"  notice {notice.kind}, {notice.priority}"
            for units in UNITS:
                yield from _of_notice(units, told(notice, units))


def _since_min(at_s: float, transition: Transition) -> float:
    return (at_s - (transition.moment.mono_ms - transition.since.mono_ms) / 1000) / 60


def _of_alarm(units: str, words: Said) -> Iterator[str]:
    parts = ("title", "do", "seen", "why", "caution")
    yield from (f"  {units} {part}: {getattr(words, part)}" for part in parts)


def _of_notice(units: str, notice: Told) -> Iterator[str]:
    yield f"    {units}: {notice.title}"
    yield from (f"      {line}" for line in notice.text.splitlines())


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("names", nargs="*")
    parser.add_argument("--seed", type=int, default=2)
    args = parser.parse_args()
    faults = args.folder / "faults"
    faults.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        lives = Lives(Path(scratch))
        for line in catalogue():
            if line.told_by or (args.names and not any(name in line.name for name in args.names)):
                continue
            outcome = lives.run(line, args.seed)
            outcome.store.unlink()
            text = "".join(f"{each}\n" for each in of_outcome(outcome))
            (faults / f"{line.name}.txt").write_text(text, encoding="utf-8")
            print(f"  {line.name}: {len(outcome.moved)} changes", flush=True)
        if not args.names:
            steps = walk(Path(scratch), {})
            text = "".join(f"$ {command}\n{said}" for command, said in steps)
            (args.folder / "walkthrough.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
