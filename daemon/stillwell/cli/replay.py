"""``stillwell replay``: runs a trace through the whole pipeline, on the trace's clock, into a fresh
store."""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stillwell.cli.console import print_json, say, stderr
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    fail,
    load_settings,
    reporting_store_errors,
)

if TYPE_CHECKING:
    from stillwell.entry import Entry
    from stillwell.pipeline import Pipeline
    from stillwell.reading import Sample
    from stillwell.review_plan import ReviewPlan
    from stillwell.settings import Settings
    from stillwell.store import Store

Instant = tuple[int, tuple["Sample", ...]]

DAMAGE_TOLD = 20
"""The most damaged rows that are reported one by one; the rest are counted."""


def replay(
    readings: Annotated[
        Path, typer.Option("--readings", "-r", help="The trace: time,channel,value.", exists=True)
    ],
    store: Annotated[
        Path, typer.Option("--store", "-s", help="The store to make; it must not exist yet.")
    ],
    config: ConfigOption = None,
    journal: Annotated[
        Path | None,
        typer.Option("--journal", "-j", help="The journal: time,kind,value,unit.", exists=True),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Run a trace through the whole pipeline: what would the daemon have said?

    Prints the alarms as they change, then a review of each night. Afterwards every other command
    works on the store that it made. A damaged row is told and left out, and the command ends with
    1; a trace whose rows are not in time order is refused.

    With --json one object a line: each change of an alarm (time, alarm, state, event, active,
    priority, since, text, by), then {"review": {...}} for each night.

    Example: stillwell replay -c tank.toml -r readings.csv -s /tmp/replay.db --json
    """
    from stillwell.cli.alarm_line import printing_changes
    from stillwell.ports import DriverError
    from stillwell.wiring import assemble
    from stillwell.wiring.assemble import open_store
    from stillwell.wiring.plans.review import review_plan
    from stillwell.words import Reader

    settings = load_settings(config)
    if store.exists():
        fail(f"{store} exists already.", "Name a file that doesn't, or remove it first.")
    told = _Told(readings, settings)
    try:
        told.look_through()
        instants = told.instants()
        first = next(instants, None)
        if first is None:
            told.sum_up()
            fail(f"{readings} holds no reading of a channel that the configuration knows.")
        entries = [] if journal is None else told.entries(journal)
        with reporting_store_errors():
            opened = open_store(settings, store, bulk=True)
        try:
            told_of = printing_changes(
                Reader(settings.tank.zone, settings.tank.units), as_json=as_json
            )
            line = assemble.pipeline(_as_judged(settings), opened, told_of)
            end_ms = _run(line, settings, first, instants, entries, quiet=as_json)
            line.end()
        finally:
            opened.close()
    except DriverError as error:
        fail(error.what, error.do)
    told.sum_up()
    _reviews(store, review_plan(settings), first[0], end_ms, as_json=as_json)
    if told.left_out:
        raise typer.Exit(1)


def _as_judged(settings: Settings) -> Settings:
    """Returns the settings without offsets and mounting heights: the values of a trace already
    include them, so none is added once more."""
    from dataclasses import replace

    none = {"offset": 0.0, "mounted": None}
    channels = {
        name: channel.model_copy(update={k: v for k, v in none.items() if getattr(channel, k, v)})
        for name, channel in settings.channel.items()
    }
    return replace(settings, channel=channels)


class _Told:
    """Reads the trace, reports what is left out of it, and keeps count."""

    def __init__(self, path: Path, settings: Settings) -> None:
        self._path = path
        self._settings = settings
        self._known = frozenset(settings.channel)
        self.left_out = 0
        self._strangers: set[str] = set()

    def look_through(self) -> None:
        """Raises TraceError, before anything is kept, for a file that is no trace, or whose rows
        are not in time order."""
        from stillwell_drivers.trace_file import read_trace

        for _ in read_trace(self._path):
            pass

    def instants(self) -> Iterator[Instant]:
        """Yields the trace's instants, without channels that the configuration doesn't know."""
        from stillwell_drivers.trace_file import read_trace

        for utc_ms, samples in read_trace(self._path, self._damage):
            fitting = tuple(sample for sample in samples if sample.channel in self._known)
            for name in {sample.channel for sample in samples} - self._known - self._strangers:
                self._strangers.add(name)
                what = f"{self._path}: the configuration has no channel {name}; skipped."
                say(what, to=stderr())
            if fitting:
                yield utc_ms, fitting

    def entries(self, path: Path) -> Sequence[Entry]:
        """Returns the entries of the journal's rows, in the units in which the journal
        keeps them."""
        from stillwell.journal import Circumstances, JournalError
        from stillwell.journal.record import as_kept
        from stillwell_drivers.trace_file import Damage, journal_lines

        here = Circumstances(0, self._settings.tank.volume, self._settings.tank.units)
        entries = []
        for line, row in journal_lines(path, self._damage):
            try:
                entries.append(as_kept(row, here))
            except JournalError as error:
                self._damage(Damage(path, line, str(error)))
        return sorted(entries, key=lambda entry: entry.at_ms)

    def sum_up(self) -> None:
        if self.left_out:
            rows = "1 row was" if self.left_out == 1 else f"{self.left_out} rows were"
            say(f"{rows} left out in all.", to=stderr())

    def _damage(self, damage: object) -> None:
        self.left_out += 1
        if self.left_out <= DAMAGE_TOLD:
            say(str(damage), to=stderr())


def _run(
    line: Pipeline,
    settings: Settings,
    first: Instant,
    rest: Iterator[Instant],
    entries: Sequence[Entry],
    *,
    quiet: bool,
) -> int:
    """Takes every instant in order, and each entry when its time has come: nobody notes what has
    not happened yet. Entries after the last reading are only kept. Returns the UTC ms of the last
    reading."""
    from datetime import UTC, datetime
    from itertools import chain

    from rich.progress import Progress, SpinnerColumn, TextColumn

    from stillwell.forward import Run, hurry

    source_of = {name: settings.source_of(name).name for name in settings.channel}
    bar = Progress(
        SpinnerColumn(),
        TextColumn("replaying {task.description}: {task.completed:.0f} readings"),
        console=stderr(),
        disable=quiet,
        transient=True,
        redirect_stdout=False,
    )
    with bar, hurry():
        task = bar.add_task("", total=None)

        def look(now_ms: int) -> None:
            day = f"{datetime.fromtimestamp(now_ms / 1000, UTC):%Y-%m-%d}"
            bar.update(task, description=day, completed=line.readings_taken)

        run = Run(
            line, first[0], boot_id=f"replay-{uuid.uuid4()}", look=look, look_ms=6 * 3_600_000
        )
        end_ms = first[0]
        noted = 0
        for utc_ms, samples in chain((first,), rest):
            while noted < len(entries) and entries[noted].at_ms <= utc_ms:
                run.pass_to(max(entries[noted].at_ms, first[0]))
                _keep(line.store, entries[noted])
                noted += 1
            by_source: dict[str, list[Sample]] = {}
            for sample in samples:
                by_source.setdefault(source_of[sample.channel], []).append(sample)
            for source, of_source in by_source.items():
                run.take(utc_ms, source, of_source)
            end_ms = max(end_ms, utc_ms)
        run.end()
        for entry in entries[noted:]:
            _keep(line.store, entry)
    return end_ms


def _keep(store: Store, entry: Entry) -> None:
    from dataclasses import replace

    store.put_journal(replace(entry, by=entry.by or "trace", entered_ms=0))


def _reviews(store: Path, plan: ReviewPlan, start_ms: int, end_ms: int, *, as_json: bool) -> None:
    from stillwell.cli.review import print_review
    from stillwell.morning import review_of
    from stillwell.store import StoreReader

    with reporting_store_errors(), StoreReader.open(store) as reader:
        for night in plan.within(start_ms, end_ms + 1):
            review = review_of(reader, plan, night)
            if as_json:
                print_json({"review": review.as_dict()})
            else:
                print_review(review, plan, store)
