"""Writes the journal to a file and reads it back: ``stillwell note --export``, ``stillwell note
--import``."""

from __future__ import annotations

import csv
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import typer

from stillwell.cli.console import print_json, say, stderr
from stillwell.cli.options import fail, reporting_store_errors

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stillwell.cli.printed_deeds import JournalTaken, LeftOut
    from stillwell.entry import Entry
    from stillwell.journal import Circumstances
    from stillwell.journal.record import Sorted

TOLD = 20
"""The most rows left out that are reported one by one; the rest are counted."""


def write_file(file: Path, entries: Sequence[Entry], *, force: bool, as_json: bool) -> None:
    """Writes the entries that stand as CSV. ``-`` is standard output."""
    from stillwell.cli.export import whole
    from stillwell.journal.record import rows

    lines = rows(entries)
    if str(file) == "-":
        if as_json:
            fail("That can't go to standard output together with --json.", "Name a file.")
        _write(sys.stdout, lines)
        return
    if file.exists() and not force:
        fail(f"{file} exists already.", "Name another file, or give --yes to replace it.")
    try:
        with whole(file) as part, part.open("w", encoding="utf-8", newline="") as out:
            _write(out, lines)
    except OSError as error:
        fail(f"{file} can't be written: {error.strerror}.", "Check the path and the disk.")
    if as_json:
        print_json({"file": str(file), "entries": len(lines)})
    else:
        say(f"{_count(len(lines), 'entry', 'entries')} written to {file}.")


def _write(out: TextIO, lines: list[tuple[str, ...]]) -> None:
    from stillwell.journal.record import COLUMNS

    write = csv.writer(out, lineterminator="\n").writerow
    write(COLUMNS)
    for line in lines:
        write(line)


def read_file(file: Path, here: Circumstances, store: Path, *, sure: bool, as_json: bool) -> None:
    """Takes the rows of a CSV file that are new; reports what is left out and why. Ends with 1 when
    a row was refused, or is odd and `sure` is not given."""
    from stillwell import store as kept
    from stillwell.journal.record import NotTaken, sorted_out
    from stillwell.ports import DriverError
    from stillwell_drivers.trace_file import Damage, journal_lines

    damaged: list[NotTaken] = []

    def report(damage: Damage) -> None:
        damaged.append(NotTaken(damage.line, damage.why))

    try:
        found = sorted_out(journal_lines(file, report), here, sure=sure)
    except DriverError as error:
        fail(error.what, error.do)
    with reporting_store_errors():
        ids = kept.note_all(store, found.new)
    if as_json:
        print_json(_as_dict(found, damaged, ids))
    else:
        _tell(file, found, damaged)
    if damaged or found.refused or found.odd:
        raise typer.Exit(1)


def _as_dict(found: Sorted, damaged: list[Any], ids: list[int]) -> JournalTaken:
    def each(rows: Sequence[Any]) -> list[LeftOut]:
        return [{"line": row.line, "why": row.why} for row in rows]

    return {
        "taken": ids,
        "known": found.known,
        "struck": each(found.struck),
        "refused": each(sorted((*damaged, *found.refused), key=lambda row: row.line)),
        "odd": each(found.odd),
    }


def _tell(file: Path, found: Sorted, damaged: list[Any]) -> None:
    left_out = sorted((*damaged, *found.refused, *found.odd, *found.struck), key=lambda r: r.line)
    for row in left_out[:TOLD]:
        say(f"{file}, {row}", to=stderr())
    if len(left_out) > TOLD:
        say(f"And {len(left_out) - TOLD} more rows.", to=stderr())
    said = f"{_count(len(found.new), 'entry', 'entries')} taken from {file}"
    parts = (
        (found.known, "there already"),
        (len(found.struck), "struck out before"),
        (len(damaged) + len(found.refused), "refused"),
        (len(found.odd), "odd and not taken"),
    )
    said += "".join(f", {number} {what}" for number, what in parts if number)
    say(f"{said}.")
    if found.odd:
        say("If the odd ones are right, take them with --yes.")


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
