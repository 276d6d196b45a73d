"""``stillwell note``: the keeper's journal, which holds what was done and measured by hand."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from stillwell.cli.alarm_line import rfc3339
from stillwell.cli.asking import ByOption, who
from stillwell.cli.console import print_json, say, stdout
from stillwell.cli.note_beside import beside
from stillwell.cli.note_file import read_file, write_file
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.written import difference_k
from stillwell.request import NoteRequest

if TYPE_CHECKING:
    from stillwell.cli.printed_deeds import JournalEntry
    from stillwell.entry import Entry
    from stillwell.journal import Draft
    from stillwell.settings import Settings

_LISTED = 30


def note(
    ctx: typer.Context,
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
    within: Annotated[str, typer.Option(help="How far a thermometer may be off: 0.1 K.")] = "",
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

    A temperature of a thermometer held beside the probes says how far they are from it, and which
    offset to write into the configuration if you believe it (--within: how good it is).

    A file has the columns time,kind,value,unit and may have text and by. Imported twice, its
    entries are there once; a row that can't be is refused with its line, the rest is taken.

    With --json one object: id, time, kind, value, unit, to_mark, lasted_s, text, by, strikes,
    struck_by; with --list one a line; with --import: taken (ids), known, struck, refused, odd
    (line, why).

    Example: stillwell note pour 1.2 L --at 18:30
    """
    if (to_file or from_file) and (words or strike is not None or listed):
        fail("A file goes alone.", "Write: stillwell note --import FILE")
    for word in words or []:
        if word.startswith("--"):
            _no_option(ctx, word)
    from stillwell.journal import JournalError
    from stillwell.keeper.note_taker import circumstances, drafted_from
    from stillwell.store import StoreReader
    from stillwell.wiring.plans.book import book_plan

    settings = load_settings(config)
    path = store or settings.store_path
    now_ms = time.time_ns() // 1_000_000
    at_ms = _at(at, settings, now_ms)
    to_list = listed or (not words and strike is None)
    whole = to_list or to_file is not None or from_file is not None
    with reporting_store_errors(), StoreReader.open(path) as reader:
        reader.check()
        entries = reader.journal(struck=True) if whole else None
        book = book_plan(settings)
        here = circumstances(reader, book, now_ms, at_ms=at_ms, strike=strike, entries=entries)
    if to_file is not None:
        write_file(to_file, here.entries, force=yes, as_json=as_json)
    if from_file is not None:
        read_file(from_file, replace(here, missing_ml=None), path, sure=yes, as_json=as_json)
    if to_file or from_file:
        return
    if to_list:
        _print_entries(here.entries[-_LISTED:], settings, as_json=as_json)
        return
    kind = words[0] if words else ""
    if salt:
        if kind != "pour":
            fail("--salt goes with a pour.", "Write: stillwell note pour 1.2 L --salt")
        kind = "salt-pour"
    within_k = difference_k(within) if within else None
    asked = NoteRequest(kind, " ".join((words or [])[1:]), lasted=lasted, strike=strike)
    try:
        draft = drafted_from(asked, here, at_ms, by=who(by), text=text)
    except JournalError as error:
        fail(error.what, error.do)
    if not yes:
        _ask(draft)
    _keep(path, draft.entry, settings, within_k, as_json=as_json)


def _no_option(ctx: typer.Context, word: str) -> NoReturn:
    """Ends the command for an unknown option. typer itself does not check for these, because a
    value may begin with a minus."""
    from difflib import get_close_matches

    known = [name for option in ctx.command.params for name in option.opts if name[:2] == "--"]
    near = get_close_matches(word, known, n=1)
    fail(
        f"There is no option {word}.",
        f"Did you mean {near[0]}?" if near else "All of them: stillwell note --help",
    )


def _at(text: str, settings: Settings, now_ms: int) -> int | None:
    from stillwell.journal import JournalError, when

    try:
        return when(text, settings.tank.time_zone, now_ms) if text else None
    except JournalError as error:
        fail(error.what, error.do)


def _ask(draft: Draft) -> None:
    """Asks about what is odd; without a terminal to answer from, nothing odd is kept."""
    for question in draft.questions:
        if not sys.stdin.isatty():
            fail(question, "If it is right, say so with --yes.")
        if not typer.confirm(question):
            raise typer.Exit(1)


def _keep(
    path: Path, entry: Entry, settings: Settings, within_k: float | None, *, as_json: bool
) -> None:
    from stillwell import store

    with reporting_store_errors():
        kept = replace(entry, id=store.note(path, entry))
    if as_json:
        print_json(_as_dict(kept))
    elif kept.strikes is not None and kept.kind == store.STRUCK:
        say(f"Entry {kept.strikes} is struck out.")
    else:
        say(f"Noted as entry {kept.id}: {_words(kept, settings)}.")
        for line in beside(kept, path, settings, within_k):
            say(line)


def _print_entries(entries: Sequence[Entry], settings: Settings, *, as_json: bool) -> None:
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


def _as_dict(entry: Entry) -> JournalEntry:
    return {
        "id": entry.id,
        "time": rfc3339(entry.at_ms),
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
