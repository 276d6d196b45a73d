"""``stillwell backfill``: sends everything that is kept to a time-series server that has lost it or
never had it. It runs beside the daemon, which continues with what is new."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain, islice
from typing import TYPE_CHECKING, Annotated

import typer

from stillwell.cli.console import print_json, say, stderr, stdout, wants_json
from stillwell.cli.options import (
    ConfigOption,
    JsonOption,
    StoreOption,
    fail,
    load_settings,
    reporting_store_errors,
)
from stillwell.cli.written import instant_ms

if TYPE_CHECKING:
    from rich.progress import Progress

    from stillwell.deliver.influx import Influx
    from stillwell.settings import Settings
    from stillwell.store import StoreReader

MOST_ATTEMPTS = 6
"""The most attempts in a row, each after a longer pause: about a minute."""
MONTH_MS = 30 * 86_400_000
"""Ten-minute values are read a month at a time."""


@dataclass(slots=True)
class Sent:
    """How many points were sent and refused, and why."""

    sent: int = 0
    refused: int = 0
    reasons: dict[str, int] = field(default_factory=dict)

    def refuse(self, reason: str) -> None:
        self.refused += 1
        if reason in self.reasons or len(self.reasons) < 10:
            self.reasons[reason] = self.reasons.get(reason, 0) + 1


def backfill(
    sink: Annotated[
        str, typer.Argument(metavar="SINK", help="Which time-series server, as history.")
    ],
    begin: Annotated[str, typer.Option("--from", help="Only from then on: 2026-01-31.")] = "",
    config: ConfigOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Send a time-series server everything that is kept: readings, alarms, estimates, and
    ten-minute values of the time whose single readings are dropped.

    What the server has already stays one point, so this can be repeated and broken off at any time.
    The daemon may run; it sends what is new by itself.

    With --json: sink, sent, refused, reasons.

    Example: stillwell backfill history --from 2026-01-31
    """
    from stillwell.store import StoreReader

    settings = load_settings(config)
    server = _server(settings, sink)
    from_ms = instant_ms(begin) if begin else None
    server.open()
    try:
        with (
            reporting_store_errors(),
            StoreReader.open(store or settings.store_path) as reader,
            _bars() as bars,
        ):
            sent = Sent()
            for name, lines, total in _parts(server, reader, settings, from_ms):
                bar = bars.add_task(name, total=total)
                _send(server, lines(lambda at, bar=bar: bars.update(bar, completed=at)), sent)  # type: ignore[misc]
                bars.update(bar, completed=total)
    finally:
        server.close()
    _conclude(sink, sent, as_json=as_json)


def _server(settings: Settings, name: str) -> Influx:
    from stillwell.deliver.influx import Influx
    from stillwell.wiring.sinks import make_sink

    destination = settings.sink.get(name)
    if destination is None:
        known = ", ".join(settings.sink) or "none"
        fail(f"No sink is called {name}.", f"Configured are: {known}.")
    if destination.made is None:
        fail(destination.broken)
    made = make_sink(settings, destination)
    if not isinstance(made, Influx):
        fail(f"{name} is no time-series server.", "Name one of kind influx.")
    return made


Lines = Callable[[Callable[[float], None]], Iterator[str]]
"""Makes the points of a part; its argument is called with how far it is."""


def _parts(
    server: Influx, reader: StoreReader, settings: Settings, from_ms: int | None
) -> Iterator[tuple[str, Lines, float]]:
    """Yields what there is to send: its name, its points, and the value of "how far" at its end."""
    began, raw = reader.began(), reader.span()
    if began is None:
        return
    start = began if from_ms is None else max(began, from_ms)
    raw_ms = raw[0] if raw else time.time_ns() // 1_000_000
    names = [channel.name for channel in reader.channels()]
    if start < raw_ms:
        total = (raw_ms - start) * len(names)
        yield "ten minutes", lambda tell: _summed(server, reader, names, start, raw_ms, tell), total
    if raw is not None:
        first = max(start, raw_ms)
        length = max(1, raw[1] - first)
        yield "readings", lambda tell: _readings(server, reader, first, tell), length
    yield "alarms, estimates", lambda tell: _others(server, reader, start), 1


def _summed(
    server: Influx,
    reader: StoreReader,
    names: list[str],
    start_ms: int,
    end_ms: int,
    tell: Callable[[float], None],
) -> Iterator[str]:
    for number, name in enumerate(names):
        for at in range(start_ms, end_ms, MONTH_MS):
            tell((end_ms - start_ms) * number + at - start_ms)
            for cell in reader.ten_minutes(name, at, min(at + MONTH_MS, end_ms)):
                if cell.mean is not None and cell.min is not None and cell.max is not None:
                    yield server.ten_minutes(
                        name, cell.start_ms, cell.mean, cell.min, cell.max, cell.n_good
                    )


def _readings(
    server: Influx, reader: StoreReader, start_ms: int, tell: Callable[[float], None]
) -> Iterator[str]:
    from stillwell.ports import Row, Stream

    for number, reading in enumerate(reader.all_readings(start_ms)):
        if number % 1000 == 0:
            tell(reading.moment.utc_ms - start_ms)
        yield from server.lines_of([Row(Stream.READINGS, number, reading)])


def _others(server: Influx, reader: StoreReader, start_ms: int) -> Iterator[str]:
    from stillwell.ports import Row, Stream

    alarms = (Row(Stream.TRANSITIONS, 0, change) for change in reader.transitions(start_ms))
    estimates = (Row(Stream.ESTIMATES, 0, one) for one in reader.estimates(None, start_ms))
    for row in chain(alarms, estimates):
        yield from server.lines_of([row])


def _send(server: Influx, lines: Iterable[str], sent: Sent) -> None:
    waiting = iter(lines)
    while part := list(islice(waiting, server.batch)):
        attempts = 0
        while part:
            outcome = server.write(part)
            for refusal in outcome.refused:
                sent.refuse(refusal.reason)
            sent.sent += outcome.accepted - len(outcome.refused)
            part = part[outcome.accepted :]
            attempts = 0 if outcome.accepted else attempts + 1
            if part and attempts >= MOST_ATTEMPTS:
                fail(
                    f"{outcome.reason} {sent.sent:,} points were sent until then.",
                    "Run this again when it is mended: what is there stays as it is.",
                )
            if part and not outcome.accepted:
                time.sleep(min(2.0**attempts, 20.0))


def _bars() -> Progress:
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        console=stderr(),
        disable=wants_json(),
    )


def _conclude(sink: str, sent: Sent, *, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "sink": sink,
                "sent": sent.sent,
                "refused": sent.refused,
                "reasons": sent.reasons,
            }
        )
    else:
        say(f"{sink} has been sent {sent.sent:,} points.", to=stdout())
        for reason, count in sent.reasons.items():
            say(f"It refuses {count:,} of them for good: {reason}", to=stderr())
    if sent.refused:
        raise typer.Exit(1)
