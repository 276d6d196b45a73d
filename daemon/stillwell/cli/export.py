"""``stillwell export``: writes what the store holds for other programs."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TextIO

import typer

from stillwell.cli.console import print_json, progress, stderr
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
    store_path,
)
from stillwell.cli.written import instant_ms

if TYPE_CHECKING:
    from stillwell.store import StoreReader


class Format(StrEnum):
    CSV = "csv"
    TRACE = "trace"
    PARQUET = "parquet"


def export(
    output: Annotated[
        Path,
        typer.Option(
            "--output", "-o", help="The file to write; - is standard output.", allow_dash=True
        ),
    ],
    form: Annotated[
        Format,
        typer.Option(
            "--format",
            "-f",
            help="csv: readings with their flags. trace: for a replay or a bug report, with the "
            "journal in a second file. parquet: for data frames.",
        ),
    ] = Format.CSV,
    begin: Annotated[
        str, typer.Option("--from", help="Only from then on: 2026-01-31T08:00Z.")
    ] = "",
    until: Annotated[str, typer.Option("--to", help="Only before then.")] = "",
    channel: Annotated[
        list[str] | None, typer.Option("--channel", help="Only this channel; may be repeated.")
    ] = None,
    anonymous: Annotated[
        bool,
        typer.Option(
            "--anonymous",
            help="Write a folder for a bug report: temperatures, lamp and the settings of heater "
            "and lamp, without names, places and secrets.",
        ),
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace a file that exists.")] = False,
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write readings into a file: CSV, a trace, or Parquet. Times are UTC. With --anonymous
    a folder of what concerns the tank's heat, which gives nobody away.

    With --json: file, journal, readings, entries.

    Example: stillwell export --from 2026-01-31T22:00Z --channel water-a -o night.csv
    """
    if anonymous:
        _export_anonymous(output, begin, until, config, store, force=force, as_json=as_json)
        return
    to_stdout = str(output) == "-"
    journal = None if to_stdout or form is not Format.TRACE else _journal_beside(output)
    if to_stdout and (form is Format.PARQUET or as_json):
        fail("That can't go to standard output.", "Name a file with -o.")
    for path in (output, journal):
        if path is not None and not to_stdout and path.exists() and not force:
            fail(f"{path} exists already.", "Name another file, or give --force to replace it.")
    from stillwell.store import StoreReader

    with reporting_store_errors():
        reader = StoreReader.open(store_path(config, store))
        try:
            window = _window(begin, until)
            channels = frozenset(channel) if channel else None
            written = _write(reader, form, output, journal, window, channels, quiet=as_json)
        except OSError as error:
            if isinstance(error, BrokenPipeError):
                raise
            fail(f"{output} can't be written: {error.strerror}.", "Check the path and the disk.")
        finally:
            reader.close()
    _tell(output, journal, written, to_stdout=to_stdout, form=form, as_json=as_json)


def _export_anonymous(
    folder: Path,
    begin: str,
    until: str,
    config: Path | None,
    store: Path | None,
    *,
    force: bool,
    as_json: bool,
) -> None:
    from stillwell.cli.anonymous import write_trace
    from stillwell.store import StoreReader

    settings = load_settings(config)
    if not settings.water:
        fail("No channel measures the water's temperature.", "There is nothing to hand on.")
    if folder.exists() and not force:
        fail(f"{folder} exists already.", "Name another folder, or give --force to write into it.")
    with reporting_store_errors(), StoreReader.open(store or settings.store_path) as reader:
        try:
            folder.mkdir(exist_ok=True)
            written = write_trace(reader, settings, folder, *_window(begin, until))
        except OSError as error:
            fail(f"{folder} can't be written: {error.strerror}.", "Check the path and the disk.")
    if as_json:
        counts = {"readings": written.readings, "entries": written.entries}
        print_json({"file": str(folder), "journal": str(folder / "notes.md"), **counts})
        return
    stderr().print(
        f"{written.rows} rows are in {folder}/trace.csv. Write into notes.md what you know, look "
        "through all three files, and attach them to a report.",
        highlight=False,
        markup=False,
    )


def _journal_beside(output: Path) -> Path:
    """Returns the journal's path: ``night-journal.csv`` for ``night.csv``."""
    return output.with_name(f"{output.stem}-journal{output.suffix}")


def _window(begin: str, until: str) -> tuple[int, int]:
    from stillwell.store.reader import ALWAYS, FOREVER

    start_ms = instant_ms(begin) if begin else ALWAYS
    end_ms = instant_ms(until) if until else FOREVER
    if start_ms >= end_ms:
        fail("Nothing lies between these times: --from is not before --to.")
    return start_ms, end_ms


def _write(
    reader: StoreReader,
    form: Format,
    output: Path,
    journal: Path | None,
    window: tuple[int, int],
    channels: frozenset[str] | None,
    *,
    quiet: bool,
) -> tuple[int, int]:
    """Returns how many readings and entries it has written."""
    from stillwell.store import chosen, export_csv, export_journal, export_parquet, export_trace

    with progress("exporting", quiet=quiet) as gone:
        found = chosen(reader, *window, channels, gone)
        if form is Format.PARQUET:
            with whole(output) as part:
                return export_parquet(reader, part, found), 0

        def written(out: TextIO) -> int:
            if form is Format.CSV:
                return export_csv(reader, out, found)
            return export_trace(out, found)

        if str(output) == "-":
            return written(sys.stdout), 0
        with whole(output) as part, part.open("w", encoding="utf-8", newline="") as out:
            if journal is None:
                return written(out), 0
            with whole(journal) as second, second.open("w", encoding="utf-8", newline="") as more:
                return written(out), export_journal(more, reader.journal(*window))


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Yields a file beside `path` that gets its name once it is complete: nobody finds half
    a file."""
    part = path.with_name(path.name + ".part")
    try:
        yield part
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _tell(
    output: Path,
    journal: Path | None,
    written: tuple[int, int],
    *,
    to_stdout: bool,
    form: Format,
    as_json: bool,
) -> None:
    readings, entries = written
    if as_json:
        beside = None if journal is None else str(journal)
        counts = {"readings": readings, "entries": entries}
        print_json({"file": str(output), "journal": beside, **counts})
        return
    where = "written" if to_stdout else f"are in {output}"
    beside = "" if journal is None else f", {entries} journal entries in {journal}"
    stderr().print(f"{readings} readings {where}{beside}.", highlight=False, markup=False)
    if to_stdout and form is Format.TRACE:
        stderr().print("The journal is left out: it needs a file of its own (-o FILE).")
