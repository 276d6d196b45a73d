"""``stillwell note``: the keeper's journal, what was done and measured by hand."""

from __future__ import annotations

import datetime as dt
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stillwell.cli.asking import ByOption, who
from stillwell.cli.console import print_json, say, stdout
from stillwell.cli.note_file import read_file, write_file
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.written import seconds

if TYPE_CHECKING:
    from stillwell.entry import Entry
    from stillwell.journal import Circumstances, Draft
    from stillwell.settings import Settings
    from stillwell.store import StoreReader

_LISTED = 30
NEAR_MS = 5 * 60_000
"""A thermometer and a probe that are read within this are read together (our own choice)."""


def add_to(app: typer.Typer) -> None:
    # a minus before a number is a mistake to be told of, not an option
    app.command("note", context_settings={"ignore_unknown_options": True})(note)


def note(
    words: Annotated[
        list[str] | None,
        typer.Argument(help="A kind, a value and its unit: pour 1.2 L.", metavar="KIND [VALUE]"),
    ] = None,
    salt: Annotated[bool, typer.Option("--salt", help="The pour was salt water.")] = False,
    at: Annotated[
        str, typer.Option(help="When: 18:30, 6pm, yesterday 18:30, 2026-01-31T18:30; else now.")
    ] = "",
    lasted: Annotated[
        str, typer.Option("--for", help="How long it took from then on: 30 min.")
    ] = "",
    text: Annotated[str, typer.Option(help="Anything worth remembering.")] = "",
    strike: Annotated[
        int | None, typer.Option(help="Strike out entry N; with a kind, this one replaces it.")
    ] = None,
    listed: Annotated[
        bool, typer.Option("--list", "-l", help="List the latest entries and end.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Keep it however odd.")] = False,
    to_file: Annotated[
        Path | None,
        typer.Option("--export", help="Write the journal into this CSV file; - is the screen."),
    ] = None,
    from_file: Annotated[
        Path | None,
        typer.Option("--import", help="Take the entries of this CSV file that are new."),
    ] = None,
    by: ByOption = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write into the journal what you did or measured: pours, water changes, tests.

    Kinds: pour, salt-pour, water-change, salinity, temperature, ammonia, nitrite, nitrate, ph,
    heater-trim, lamp-hours, calibration, cleaning, fed, animals-in, animals-out, seeded,
    cycle-start, postponed, note.

    A pour without a volume means: filled up to the mark. Entries may come late. Nothing is ever
    erased: --strike 12 strikes entry 12 out, --strike 12 pour 1.1 L puts another in its place.

    A file has the columns time,kind,value,unit and may have text and by. Imported twice, its
    entries are there once; a row that can't be is refused with its line, the rest is taken.

    With --json one object: id, time, kind, value, unit, to_mark, lasted_s, text, by, strikes,
    struck_by; with --list one a line; with --import: taken (ids), known, struck, refused, odd
    (line, why).

    Example: stillwell note pour 1.2 L --at 18:30
    """
    if (to_file or from_file) and (words or strike is not None or listed):
        fail("A file goes alone.", "Write: stillwell note --import FILE")
    from stillwell.store import StoreReader

    settings = load_settings(config)
    path = store or settings.store_path
    now_ms = time.time_ns() // 1_000_000
    at_ms = _at(at, settings, now_ms)
    with reporting_store_errors(), StoreReader.open(path) as reader:
        entries = reader.journal(struck=True)
        here = _circumstances(settings, reader, entries, now_ms, at_ms, strike)
    if to_file is not None:
        write_file(to_file, entries, force=yes, as_json=as_json)
    if from_file is not None:
        read_file(from_file, replace(here, missing_ml=None), path, sure=yes, as_json=as_json)
    if to_file or from_file:
        return
    if listed or (not words and strike is None):
        _print_entries(entries[-_LISTED:], settings, as_json=as_json)
        return
    entry = _entry(words or [], here, salt, at_ms, lasted, text, strike, who(by), yes)
    _keep(path, entry, settings, as_json=as_json)


def _at(text: str, settings: Settings, now_ms: int) -> int | None:
    from stillwell.journal import JournalError, when

    try:
        return when(text, settings.tank.time_zone, now_ms) if text else None
    except JournalError as error:
        fail(error.what, error.do)


def _circumstances(
    settings: Settings,
    reader: StoreReader,
    entries: list[Entry],
    now_ms: int,
    at_ms: int | None,
    strike: int | None,
) -> Circumstances:
    from stillwell.journal import Circumstances
    from stillwell.keeper.room import geometry, missing_before

    tank, span = settings.tank, reader.span()
    if at_ms is None:
        at_ms = next((e.at_ms for e in entries if e.id == strike), now_ms)
    return Circumstances(
        now_ms,
        tank.volume,
        tank.units,
        span[0] if span else None,
        entries,
        tank.time_zone,
        geometry(tank.chamber) if tank.chamber else None,
        missing_before(reader, at_ms),
    )


def _entry(
    words: list[str],
    here: Circumstances,
    salt: bool,
    at_ms: int | None,
    lasted: str,
    text: str,
    strike: int | None,
    by: str,
    yes: bool,
) -> Entry:
    """What is to be kept, or the end of the command with the reason why it can't be."""
    from stillwell.journal import JournalError, drafted, struck

    try:
        if not words:
            assert strike is not None
            return struck(strike, here, by=by, text=text)
        kind, value, unit = _split(words)
        if salt:
            if kind != "pour":
                fail("--salt goes with a pour.", "Write: stillwell note pour 1.2 L --salt")
            kind = "salt-pour"
        draft = drafted(
            kind,
            value,
            unit,
            here=here,
            at_ms=at_ms,
            text=text,
            by=by,
            strikes=strike,
            lasted_s=seconds(lasted) if lasted else None,
        )
    except JournalError as error:
        fail(error.what, error.do)
    _ask(draft, yes)
    return draft.entry


def _split(words: list[str]) -> tuple[str, str | None, str]:
    """Kind, value and unit of ``pour 1.2 L`` or ``pour 1.2L``."""
    from stillwell.journal import number_and_unit

    rest = " ".join(words[1:]).strip()
    if not rest:
        return words[0], None, ""
    return (words[0], *number_and_unit(rest))


def _ask(draft: Draft, yes: bool) -> None:
    """Asks what is odd; without a terminal to answer from, nothing odd is kept."""
    if yes:
        return
    for question in draft.questions:
        if not sys.stdin.isatty():
            fail(question, "If it is right, say so with --yes.")
        if not typer.confirm(question):
            raise typer.Exit(1)


def _keep(path: Path, entry: Entry, settings: Settings, *, as_json: bool) -> None:
    from stillwell import store

    with reporting_store_errors():
        kept = replace(entry, id=store.note(path, entry))
    if as_json:
        print_json(_as_dict(kept))
    elif kept.strikes is not None and kept.kind == store.STRUCK:
        say(f"Entry {kept.strikes} is struck out.")
    else:
        say(f"Noted as entry {kept.id}: {_words(kept, settings)}.")
        beside = _beside(kept, path, settings)
        if beside:
            say(beside)


def _beside(entry: Entry, path: Path, settings: Settings) -> str:
    """What the entry says in other words: a salinity in ppt, a thermometer beside the probes."""
    from stillwell.journal import Kind, salinity_of
    from stillwell.water.seawater import SeawaterMissingError

    if entry.kind == Kind.SALINITY and entry.unit != "ppt":
        try:
            return f"That is {salinity_of(entry):.1f} ppt."
        except SeawaterMissingError:
            return ""
        except ValueError as error:
            return str(error)
    if entry.kind == Kind.TEMPERATURE:
        return _beside_probes(entry, path, settings)
    return ""


def _beside_probes(entry: Entry, path: Path, settings: Settings) -> str:
    """How the probes stood within some minutes of a reading by hand."""
    from statistics import median

    from stillwell import wire
    from stillwell.review import HEALTHY
    from stillwell.store import StoreReader
    from stillwell.units import Dimension, show

    assert entry.value is not None
    units = settings.tank.units
    said = []
    with reporting_store_errors(), StoreReader.open(path) as reader:
        for name in wire.book_plan(settings).water:
            near = [
                r.value
                for r in reader.readings(name, entry.at_ms - NEAR_MS, entry.at_ms + NEAR_MS)
                if r.value is not None and r.flag in HEALTHY
            ]
            if near:
                off = median(near) - entry.value
                by = show(abs(off), Dimension.DIFFERENCE, units, 2)
                said.append(f"{name} read {by} {'more' if off > 0 else 'less'}")
    return f"{', '.join(said)}." if said else ""


def _print_entries(entries: list[Entry], settings: Settings, *, as_json: bool) -> None:
    from rich.text import Text

    from stillwell.store import STRUCK

    if as_json:
        for entry in entries:
            print_json(_as_dict(entry))
        return
    shown = [entry for entry in entries if entry.kind != STRUCK]
    if not shown:
        say("The journal is empty.")
    for entry in shown:
        line = f"{entry.id:>4}  {_words(entry, settings)}"
        if entry.struck_by is not None:
            stdout().print(Text(f"{line}  (struck out by {entry.struck_by})", style="dim strike"))
        else:
            say(line)


def _words(entry: Entry, settings: Settings) -> str:
    from stillwell.journal import in_words

    return in_words(entry, settings.tank.time_zone, settings.tank.units)


def _as_dict(entry: Entry) -> dict[str, Any]:
    at = dt.datetime.fromtimestamp(entry.at_ms / 1000, dt.UTC)
    return {
        "id": entry.id,
        "time": at.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "kind": entry.kind,
        "value": entry.value,
        "unit": entry.unit,
        "to_mark": entry.to_mark,
        "lasted_s": entry.lasted_s,
        "text": entry.text,
        "by": entry.by,
        "strikes": entry.strikes,
        "struck_by": entry.struck_by,
    }
