"""``stillwell replay``: a trace through the whole pipeline, on its clock, into a fresh store."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stillwell.cli.alarm_line import alarm_as_dict, alarm_as_text
from stillwell.cli.console import print_json, stderr, stdout
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    fail,
    load_settings,
    reporting_store_errors,
)

if TYPE_CHECKING:
    from stillwell.morning import ReviewPlan
    from stillwell.notice import Transition


def add_to(app: typer.Typer) -> None:
    app.command("replay")(replay)


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
    works on the store that it made.

    Example: stillwell replay -c tank.toml -r readings.csv -s /tmp/replay.db --json
    """
    from stillwell import wire
    from stillwell.forward import Run

    settings = load_settings(config)
    if store.exists():
        fail(f"{store} exists already.", "Name a file that doesn't, or remove it first.")
    rows = _rows(readings, set(settings.channel))
    first = next(rows, None)
    if first is None:
        fail(f"{readings} holds no reading of a channel that the configuration knows.")

    def told(transition: Transition) -> None:
        if as_json:
            print_json(alarm_as_dict(transition))
        elif transition.event in ("raise", "clear"):
            stdout().print(alarm_as_text(transition, settings.tank.time_zone))

    with reporting_store_errors():
        opened = wire.open_store(settings, store, bulk=True)
    line = wire.pipeline(settings, opened, told)
    start_ms = first[0]
    run = Run(line, start_ms, boot_id=f"replay-{uuid.uuid4()}")
    if journal is not None:
        _keep_journal(opened, journal)
    end_ms = start_ms
    source_of = {name: settings.source_of(name).name for name in settings.channel}
    for utc_ms, samples in _chain(first, rows):
        run.take(utc_ms, source_of[samples[0].channel], samples)
        end_ms = max(end_ms, utc_ms)
    run.end()
    line.end()
    _reviews(store, wire.review_plan(settings), start_ms, end_ms, as_json=as_json)


def _chain(first: Any, rest: Iterator[Any]) -> Iterator[Any]:
    yield first
    yield from rest


def _rows(path: Path, known: set[str]) -> Iterator[tuple[int, tuple[Any, ...]]]:
    """The trace's instants, less what the configuration doesn't know; damage is told and skipped."""
    from stillwell_drivers.trace import read_trace

    strangers: set[str] = set()
    for utc_ms, samples in read_trace(
        path, lambda damage: stderr().print(str(damage), markup=False)
    ):
        fitting = tuple(sample for sample in samples if sample.channel in known)
        for name in {sample.channel for sample in samples} - known - strangers:
            strangers.add(name)
            stderr().print(
                f"{path}: the configuration has no channel {name}; skipped.", markup=False
            )
        if fitting:
            yield utc_ms, fitting


def _keep_journal(store: Any, path: Path) -> None:
    from stillwell.store import Entry
    from stillwell_drivers.trace import read_journal

    for row in read_journal(path, lambda damage: stderr().print(str(damage), markup=False)):
        store.put_journal(
            Entry(at_ms=row.utc_ms, kind=row.kind, value=row.value, unit=row.unit, by="trace")
        )


def _reviews(store: Path, plan: ReviewPlan, start_ms: int, end_ms: int, *, as_json: bool) -> None:
    from stillwell.cli.review import print_review
    from stillwell.morning import review_of
    from stillwell.store import StoreReader

    reader = StoreReader.open(store)
    try:
        count = (end_ms - start_ms) // 86_400_000 + 2
        for night in plan.last(end_ms, count):
            if night.end_utc_ms <= start_ms:
                continue
            review = review_of(reader, plan, night)
            if as_json:
                print_json({"review": review.as_dict()})
            else:
                print_review(review, plan)
    finally:
        reader.close()
