"""Sends a test notice end to end: through the running daemon, or through each sink's own object."""

from __future__ import annotations

import threading
import time
import uuid
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from stillwell.asked.asked import trial
from stillwell.cli.checks.point import Grade, Point
from stillwell.deliver.outbox import IDLE_S, Outbox, ahead_name
from stillwell.deliver.outbox.tail import Follows
from stillwell.foreign import within
from stillwell.notice import Notice
from stillwell.ports import CanBeTried, Refusal, Row, Sink, Stream
from stillwell.reading import Moment
from stillwell.request import Command, Request
from stillwell.settings import Destination, Settings
from stillwell.store import StoreError, StoreReader, ask, await_reply
from stillwell.supervise.verdict import VERDICT, verdict_key
from stillwell.wiring.sinks import make_sink
from stillwell.words import Reader

NO_RECIPIENT = "No recipient is configured: an alarm reaches nobody who is not looking."
ADD_ONE = 'Add a [sink.NAME] to the configuration: the README says how, under "On your phone".'
REACH = "Check address, port, user and password, and that the other machine is on."
TRIES = 3
"""After this many failed attempts the reason is plain."""
CLOSING_S = 5.0
MADE_WITHIN_S = 10.0


def through_daemon(settings: Settings, store: Path, by: str, patience_s: float) -> Iterator[Point]:
    """Asks the daemon for a test notice and waits until each sink has taken it. Raises
    `StoreError` when the store can't be read."""
    known = {name: _made(settings, d) for name, d in settings.sink.items()}
    request = Request(Command.TEST_NOTICE, by=by, text=f"check-{uuid.uuid4()}")
    try:
        reply = await_reply(store, ask(store, request), patience_s)
    except StoreError as error:
        yield Point("sink", "notice", Grade.FIX, str(error))
        return
    if not reply.done:
        yield Point("sink", "notice", Grade.FIX, reply.text)
        return
    with StoreReader.open(store) as reader:
        wanted: int | None = None
        # The daemon may read what this user may not: such a sink has a cursor in the store.
        hidden = {name for name, d in settings.sink.items() if d.sealed}
        placed = {c.sink for c in reader.cursors() if c.stream is Stream.NOTICES}
        takes = {n for n, made in known.items() if _takes_notices(made) or n in hidden & placed}
        waiting = set(takes)
        deadline = time.monotonic() + patience_s
        while waiting and time.monotonic() < deadline:
            wanted = reader.newest(Stream.NOTICES) if wanted is None else wanted
            waiting -= came_to(reader, wanted, waiting)
            time.sleep(0.1)
        refused = refused_by(reader, wanted)
        said = {name: reader.described(verdict_key(name)) for name in known}
        words = Reader(settings.tank.zone, settings.tank.units)
        away = {t.alarm: f"{words.alarm(t).title}." for t in reader.alarms() if t.active}
    for name, made in known.items():
        if isinstance(made, str) and name not in hidden:
            yield _broken(name, made)
        elif name not in takes:
            yield as_the_daemon_says(name, said.get(name))
        elif name in refused:
            yield Point("sink", name, Grade.FIX, f"It refused the test notice: {refused[name]}")
        elif name in waiting:
            why = away.get(f"sink.{name}.away", "The reason is in: journalctl -u stillwell.")
            what = f"The test notice has not gone out within {patience_s:g} s. {why}"
            yield Point("sink", name, Grade.FIX, what, REACH)
        else:
            yield _sent(name)


def directly(settings: Settings, clock_ms: int, patience_s: float) -> Iterator[Point]:
    """Opens each sink and gives it a test notice, as the daemon's outbox would."""
    notice = trial(f"check-{uuid.uuid4()}", Moment(0, clock_ms))
    for name, destination in settings.sink.items():
        made = _made(settings, destination)
        if destination.sealed:
            yield Point("sink", name, Grade.NOTE, destination.broken)
        elif isinstance(made, str):
            yield _broken(name, made)
        elif not _takes_notices(made):
            yield _tried_out(name, made)
        else:
            yield _given(name, made, notice, patience_s)


def came_to(reader: StoreReader, notice: int, sinks: Iterable[str]) -> set[str]:
    """Returns which of the sinks have been given a notice, by its number."""
    cursors = [c for c in reader.cursors() if c.stream is Stream.NOTICES and c.seq >= notice]
    far = {cursor.sink for cursor in cursors}
    # In quiet hours a test goes ahead of what waits: that has a cursor of its own.
    return {name for name in sinks if far & {name, ahead_name(name)}}


def refused_by(reader: StoreReader, notice: int | None) -> dict[str, str]:
    """Returns why sinks have refused a notice, by its number."""
    letters = [d for d in reader.dead_letters() if d.stream is Stream.NOTICES and d.seq == notice]
    return {letter.sink: letter.reason for letter in letters}


def no_recipient(settings: Settings) -> Iterator[Point]:
    """Yields the most important fault: nobody would get an alarm."""
    if not any(takes_notices(settings, sink) for sink in settings.sink.values()):
        yield Point("recipient", "nobody", Grade.FIX, NO_RECIPIENT, ADD_ONE)


class _OneNotice(Follows):
    """A tail that holds one notice and nothing else."""

    def __init__(self, notice: Notice) -> None:
        self._row = Row(Stream.NOTICES, 1, notice)

    def rows(
        self, stream: Stream, after_seq: int, limit: int, *, committed_only: bool = True
    ) -> list[Row]:
        wanted = stream is Stream.NOTICES and after_seq < 1 <= limit
        return [self._row] if wanted else []


class _Delivery:
    """One notice on its way to one sink, in a thread of its own: a sink may hang."""

    def __init__(self, name: str, sink: Sink, notice: Notice, patience_s: float) -> None:
        self.sent = False
        self.refused = ""
        self.verdict = f"It has not answered for {patience_s:g} s."
        self._deadline = time.monotonic() + patience_s
        self._outbox = Outbox(name, sink, _OneNotice(notice), {}, self._moved, jitter=lambda: 1.0)
        self._settled = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"sink {name}", daemon=True)

    def run(self) -> None:
        self._thread.start()
        self._settled.wait(self._deadline - time.monotonic())
        self._thread.join(CLOSING_S if self._settled.is_set() else 0.0)

    def _moved(self, sink: str, stream: Stream, seq: int, refused: Sequence[Refusal]) -> None:
        self.sent = True
        self.refused = "; ".join(refusal.reason for refusal in refused)

    def _run(self) -> None:
        try:
            while not self.sent and time.monotonic() < self._deadline:
                pause = self._outbox.step(time.monotonic())
                health = self._outbox.health
                if health.verdict:
                    self.verdict = health.verdict
                if health.attempts >= TRIES:
                    break
                if not self.sent:
                    time.sleep(min(max(pause, 0.0), IDLE_S * 2))
        finally:
            self._settled.set()
            self._outbox.close()


def _given(name: str, sink: Sink, notice: Notice, patience_s: float) -> Point:
    delivery = _Delivery(name, sink, notice, patience_s)
    delivery.run()
    if delivery.refused:
        return Point("sink", name, Grade.FIX, f"It refused the test notice: {delivery.refused}")
    if not delivery.sent:
        return Point("sink", name, Grade.FIX, f"No notice gets out: {delivery.verdict}", REACH)
    return _sent(name)


def as_the_daemon_says(name: str, text: str | None) -> Point:
    """Returns how a sink without notices is doing, by what the daemon has kept in the store."""
    verdict = VERDICT.known(text)
    if verdict is None:
        return Point("sink", name, Grade.NOTE, "The daemon says nothing of it: restart stillwell.")
    if verdict.away:
        return Point("sink", name, Grade.FIX, verdict.words, REACH)
    words = f" {verdict.words}" if verdict.words else ""
    return Point("sink", name, Grade.WELL, f"It takes what the daemon sends.{words}")


def _tried_out(name: str, sink: Sink) -> Point:
    if not isinstance(sink, CanBeTried):
        what = "It takes no notices: it is tried when the daemon runs."
        return Point("sink", name, Grade.WELL, what)
    sink.open()
    try:
        why = sink.try_out()
    finally:
        sink.close()
    if why:
        return Point("sink", name, Grade.FIX, why, REACH)
    return Point("sink", name, Grade.WELL, "It answers, and lets us write.")


def _sent(name: str) -> Point:
    return Point("sink", name, Grade.WELL, "It took the test notice. Look whether it reached you.")


def _broken(name: str, why: str) -> Point:
    return Point("sink", name, Grade.FIX, why, "Install what it names, then restart stillwell.")


def takes_notices(settings: Settings, destination: Destination) -> bool:
    """Returns whether notices go to this sink; a sink that can't be used counts, since somebody
    meant it."""
    made = _made(settings, destination)
    return isinstance(made, str) or _takes_notices(made)


def _takes_notices(made: Sink | str) -> bool:
    return not isinstance(made, str) and Stream.NOTICES in made.streams()


def _made(settings: Settings, destination: Destination) -> Sink | str:
    """Returns the sink's own object, or why it can't be had."""
    if destination.made is None:
        return destination.broken
    try:
        sink: Sink = within(MADE_WITHIN_S, lambda: make_sink(settings, destination))
    except Exception as error:
        return f"It can't be made: {type(error).__name__}."
    return sink
