"""What stands between the store and one sink: a cursor a stream, a verdict, a back-off.

`Outbox.step` does one round with the time as an argument and sleeps nowhere; `OutboxThread` is the
thin shell that calls it. Nothing is queued here: a row that the sink does not take stays in the
store, and the cursor stays before it.

A row is sent at least once: the cursor moves after the verdict, and is kept after it has moved. Who
is killed in between sends the same row, with the same key, again.

A sink is foreign code that talks to foreign machines. Whatever it does — raises, claims more rows
than it was given, answers nothing — ends in a verdict here, never in a dead thread and never in a
skipped row without a reason that is kept. One that doesn't answer within its whole time limit is
left behind with the thread that waits for it, and a fresh one is made; what it says later is lost.
"""

from __future__ import annotations

import logging
import math
import random
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol, TypeVar, runtime_checkable

from stillwell.deliver.checked import (
    ROWS_AT_ONCE,
    Abilities,
    MistakeError,
    abilities_of,
    checked,
)
from stillwell.foreign import (
    MOST_LEFT_BEHIND,
    FailedError,
    Hand,
    HangsError,
    pause_after_hang_s,
    plain,
)
from stillwell.notice import Notice, Transition
from stillwell.ports import Outcome, Refusal, Row, Sink, Stream
from stillwell.reading import Reading

log = logging.getLogger(__name__)

SHORTEST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0
LONGEST_ASKED_S = 3600.0
"""A far side that asks for more patience than this (Retry-After) gets this much."""
IDLE_S = 0.5
FAILURES_BEFORE_REFUSAL = 5
"""So often may the sink itself fail on one and the same row, alone, before the row is set aside."""
LONGEST_AFTER_HANG_S = 600.0
FORGETS_S = 3600.0
"""A sink that has gone well for so long has hung for the first time again."""

T = TypeVar("T")


class Follows(Protocol):
    """What an outbox needs of the store's tail. Safe to call from any thread."""

    def rows(
        self, stream: Stream, after_seq: int, limit: int, *, committed_only: bool = True
    ) -> list[Row]:
        """At most `limit` rows with a greater number than `after_seq`, in order."""
        ...

    def wait(
        self, seq: int, stream: Stream, timeout_s: float, *, committed_only: bool = True
    ) -> object:
        """Returns when `stream` has a row after `seq`, or after `timeout_s`."""
        ...


@runtime_checkable
class WakesForAny(Protocol):
    """An ability of a tail: one wait for several streams, so that a notice need not wait for a
    reading to wake its sink."""

    def wait_any(
        self, after: Mapping[Stream, int], timeout_s: float, *, committed_only: bool = True
    ) -> object:
        """Returns when any of the streams has a row after its number, or after `timeout_s`."""
        ...


@runtime_checkable
class SaysWhy(Protocol):
    """An ability of a tail: why it hands out nothing although there are rows."""

    def why_waiting(self, stream: Stream, after_seq: int) -> str: ...


Move = Callable[[str, Stream, int, Sequence[Refusal]], None]
"""Keeps a sink's cursor and its refused rows: (sink, stream, seq, refused). Must return at once. An
exception means that it could not be taken now; it is offered again, together with what came
since."""

SettleLetter = Callable[[int, str | None], None]
"""Keeps what became of a dead letter that was sent once more: (its number, why it was refused again
or None). Returns at once; an exception means that it is to be offered again."""


def _unsettled(letter: int, reason: str | None) -> None:
    """For an outbox that is given no letters."""


NOT_STARTED = "not started"
"""The verdict of a sink that nothing is known of yet."""


@dataclass(frozen=True, slots=True)
class Health:
    """How a sink is doing, for the watch, the supervisor and people."""

    sink: str
    away: bool
    since_s: float
    """Since when it is as it is: monotonic seconds."""
    verdict: str
    """The last verdict in words; empty when all is well. A sink that is not away may still have
    something to say, as that one topic is denied."""
    accepted: int
    refused: int
    attempts: int
    """Failed attempts in a row."""
    cursors: Mapping[Stream, int]


@dataclass
class _Owed:
    """A cursor that has moved here and is not yet known to be kept."""

    seq: int
    refused: list[Refusal]


class Outbox:
    """One sink's place in the store.

    Args:
        name: the sink's name in the configuration.
        sink: opened by the first `step`, closed by `close`.
        tail: the store's tail.
        cursors: how far each stream has been given, as the store keeps it; a stream that is not in
            it starts at 0.
        move: see `Move`.
        latest: the store's latest row of each name, for a sink that `Retains`.
        ahead: the cursors kept under `ahead_name`, for a sink that `SendsAhead`.
        batch: rows given to the sink at once, unless it `ChoosesBatch`.
        committed_only: whether only rows that are safe on the disk may leave, whatever the disk
            does: readings can be up to a commit interval behind. Without it notices and transitions
            leave when they are kept (at once while the disk takes nothing), readings at once.
        jitter: a number 0 … 1, new on each call.
        settle_letter: see `SettleLetter`.
        able: what the sink has said of itself; without it, it is asked now.
        hand: the thread on which the sink is called, so that it can be left behind; without one it
            is called on the thread of whoever steps, and may hang that.
        remake: makes a fresh sink in place of one that was left behind.
    """

    def __init__(
        self,
        name: str,
        sink: Sink,
        tail: Follows,
        cursors: Mapping[Stream, int],
        move: Move,
        *,
        latest: Callable[[], Iterable[Row]] = tuple,
        ahead: Mapping[Stream, int] | None = None,
        batch: int = ROWS_AT_ONCE,
        committed_only: bool = False,
        jitter: Callable[[], float] = random.random,
        settle_letter: SettleLetter = _unsettled,
        able: Abilities | None = None,
        hand: Hand | None = None,
        remake: Callable[[], Sink] | None = None,
    ) -> None:
        self.name = name
        self.progress = 0
        """Counts rounds."""
        self._able = able = able or abilities_of(sink, batch)
        self._hand = hand
        self._remake = remake
        self._hangs = 0
        self._hung_until_s = -math.inf
        self._now_s = 0.0
        self._sink: Any = sink
        """None after one was left behind, until a fresh one is made."""
        self._tail = tail
        self._move = move
        self._latest = latest
        self._batch = able.batch
        self._committed_only = committed_only
        self._jitter = jitter
        self._streams = able.streams
        self._collapse = able.collapse
        self._cursors = {stream: cursors.get(stream, 0) for stream in self._streams}
        self._owed: dict[tuple[str, Stream], _Owed] = {}
        self._ahead = dict(ahead or {})
        self._overlap_s = able.overlap_s
        self._sure = dict(self._cursors)
        """Up to where rows are past forgetting: what is kept. The cursors themselves, but for a
        sink that `MayForget`."""
        self._marks: dict[Stream, deque[tuple[float, int]]] = {s: deque() for s in self._streams}
        """(second, row number): what had been sent by the end of which second."""
        self._settle_letter = settle_letter
        self._letters: dict[int, Row] = {}
        """Dead letters to be sent once more, by number."""
        self._settled: dict[int, str | None] = {}
        """What became of them, until that is known to be kept."""
        self._open = False
        self._fed = False
        self._not_before = 0.0
        self._attempts = 0
        self._failing: tuple[Stream, int] | None = None
        self._failures = 0
        self._accepted = 0
        self._refused = 0
        self._lock = threading.Lock()
        self._health = Health(name, False, 0.0, NOT_STARTED, 0, 0, 0, dict(self._cursors))

    def __repr__(self) -> str:
        return f"Outbox({self.name!r})"

    @property
    def health(self) -> Health:
        """May be read from any thread."""
        with self._lock:
            return self._health

    def send_again(self, letter: int, row: Row) -> None:
        """Gives the sink a row once more that it refused for good. Safe from any thread."""
        with self._lock:
            if letter not in self._settled:
                self._letters[letter] = row

    def step(self, now_s: float) -> float:
        """One round: tend the connection, offer one batch of each stream, move the cursors.

        Returns the seconds until the next round is worth while: 0 when more rows are waiting, more
        than `IDLE_S` only while backing off. Never raises.
        """
        self.progress += 1
        self._now_s = now_s
        self._ripen(now_s)
        self._settle()
        if now_s < self._not_before:
            return self._not_before - now_s
        unready = self._ready()
        if unready is not None:
            return self._away(now_s, unready)
        remark = ""
        if self._able.tends:
            outcome = self._guarded(self._asked("tend"), 0)
            if outcome is _FAILED:
                outcome = replace(outcome, reason=self._mistake())
            self._repeat(outcome.again)
            if outcome.retry_after is not None:
                return self._away(now_s, outcome)
            remark = outcome.reason
        more = waits = False
        for stream in self._streams:
            rows, reached, complete = self._next(stream)
            if not rows:
                remark = remark or self._why_waiting(stream)
                continue
            outcome = self._offer(stream, rows)
            moved = outcome.accepted > 0 or outcome.ahead > self._ahead.get(stream, 0)
            self._advance(stream, rows, reached, outcome, now_s)
            if outcome.waits:
                waits = True
                # Something went out past those that wait: the next may follow it.
                more = more or moved
                remark = outcome.reason or remark
                continue
            if outcome.retry_after is not None:
                return self._away(now_s, outcome)
            if outcome.lost:
                self._rewind()
            more = more or not complete or outcome.accepted < len(rows)
        away = self._offer_letters()
        if away is not None:
            return self._away(now_s, away)
        self._well(now_s, remark)
        if more:
            return 0.0
        return SHORTEST_PAUSE_S if waits else IDLE_S

    def idle(self, timeout_s: float) -> None:
        """Waits at most `timeout_s` for a row that has not been offered yet."""
        only = self._committed_only
        if isinstance(self._tail, WakesForAny):
            self._tail.wait_any(self._cursors, timeout_s, committed_only=only)
            return
        # Without that ability the most frequent stream wakes us, and the others wait for its turn.
        stream = Stream.READINGS if Stream.READINGS in self._streams else self._streams[0]
        self._tail.wait(self._cursors[stream], stream, timeout_s, committed_only=only)

    def close(self) -> None:
        """Lets the sink go and offers the last cursors to be kept. Never raises."""
        if self._open:
            self._open = False
            try:
                self._call(self._asked("close"))
            except Exception as error:
                log.error("The sink %s failed while closing: %s.", self.name, _kind(error))
        if self._hand is not None:
            self._hand.end()
        self._settle()

    # -- rows --

    def _next(self, stream: Stream) -> tuple[list[Row], int, bool]:
        """The rows to offer, the number up to which they stand for all rows, and whether those are
        all."""
        after = self._cursors[stream]
        if self._failing is not None and self._failing[0] is stream:
            rows = self._rows(stream, after, 1)
            return rows, rows[-1].seq if rows else after, False
        if stream not in self._collapse:
            rows = self._rows(stream, after, self._batch)
            return rows, rows[-1].seq if rows else after, len(rows) < self._batch
        page = max(self._batch, 1000)
        latest: dict[str, Row] = {}
        while rows := self._rows(stream, after, page):
            for row in rows:
                latest[name_of(row)] = row
            after = rows[-1].seq
            if len(rows) < page:
                break
        return sorted(latest.values(), key=lambda row: row.seq), after, True

    def _rows(self, stream: Stream, after: int, limit: int) -> list[Row]:
        try:
            return self._tail.rows(stream, after, limit, committed_only=self._committed_only)
        except Exception as error:
            # The disk may be failing: rows that cannot be read now are read later.
            log.error("The outbox of %s cannot read the store: %s.", self.name, error)
            return []

    def _why_waiting(self, stream: Stream) -> str:
        tail = self._tail
        why = tail.why_waiting(stream, self._cursors[stream]) if isinstance(tail, SaysWhy) else ""
        return f"{stream.capitalize()}: {why}" if why else ""

    def _offer(self, stream: Stream, rows: list[Row]) -> Outcome:
        outcome = self._guarded(self._asked("send", rows), len(rows))
        if outcome is not _FAILED:
            self._failing = None
            self._failures = 0
            return outcome
        first = (stream, rows[0].seq)
        self._failures = self._failures + 1 if self._failing == first else 1
        self._failing = first
        if self._failures > FAILURES_BEFORE_REFUSAL and len(rows) == 1:
            self._failing = None
            self._failures = 0
            return Outcome(1, (Refusal(rows[0].seq, f"The sink failed on it: {self._trouble}"),))
        return Outcome(0, (), SHORTEST_PAUSE_S, self._mistake())

    def _offer_letters(self) -> Outcome | None:
        """Sends the dead letters, each alone; the verdict when the far side has gone away."""
        with self._lock:
            letters = dict(self._letters)
        for letter, row in letters.items():
            outcome = self._guarded(self._asked("send", [row]), 1)
            if outcome is _FAILED:
                outcome = Outcome(1, (Refusal(row.seq, f"The sink failed on it: {self._trouble}"),))
            if outcome.accepted == 0:
                return None if outcome.retry_after is None else outcome
            with self._lock:
                del self._letters[letter]
                self._settled[letter] = outcome.refused[0].reason if outcome.refused else None
            self._settle()
        return None

    def _guarded(self, call: Callable[[], Outcome], given: int) -> Outcome:
        """The verdict of `call`, made sane; `_FAILED` when the sink raised, or said what is no
        verdict."""
        try:
            outcome = self._call(lambda: checked(call()))
        except HangsError as error:
            return self._left_behind(error)
        except Exception as error:
            self._failed(_kind(error))
            return _FAILED
        accepted = min(max(outcome.accepted, 0), given)
        retry = outcome.retry_after
        if accepted == 0 < given and retry is None and not outcome.waits:
            # Neither taken nor a reason to wait: without this the round would spin.
            retry = SHORTEST_PAUSE_S
        return replace(outcome, accepted=accepted, retry_after=retry)

    def _advance(
        self, stream: Stream, rows: list[Row], reached: int, outcome: Outcome, now_s: float
    ) -> None:
        if outcome.ahead > self._ahead.get(stream, 0):
            self._ahead[stream] = outcome.ahead
            self._owe(ahead_name(self.name), stream, outcome.ahead)
            self._settle()
        if outcome.accepted == 0:
            return
        if outcome.accepted == len(rows):
            seq = reached
        elif stream in self._collapse:
            # Every row before the first one left over has been sent or has a later one of its name.
            seq = rows[outcome.accepted].seq - 1
        else:
            seq = rows[outcome.accepted - 1].seq
        done = {row.seq for row in rows[: outcome.accepted]}
        refused = [refusal for refusal in outcome.refused if refusal.seq in done]
        for refusal in refused:
            log.warning(
                "%s refuses row %d of %s for good: %s",
                self.name,
                refusal.seq,
                stream,
                refusal.reason,
            )
        self._cursors[stream] = seq
        self._accepted += outcome.accepted - len(refused)
        self._refused += len(refused)
        self._attempts = 0
        if self._overlap_s > 0:
            marks = self._marks[stream]
            if marks and marks[-1][0] == math.floor(now_s):
                marks.pop()
            marks.append((math.floor(now_s), seq))
            if refused:
                self._owe(self.name, stream, self._sure[stream], refused)
        else:
            self._sure[stream] = seq
            self._owe(self.name, stream, seq, refused)
        self._settle()

    def _ripen(self, now_s: float) -> None:
        """What was sent longer ago than the overlap is past forgetting."""
        for stream, marks in self._marks.items():
            ripe = None
            while marks and marks[0][0] + 1 + self._overlap_s <= now_s:
                ripe = marks.popleft()[1]
            if ripe is not None and ripe > self._sure[stream]:
                self._sure[stream] = ripe
                self._owe(self.name, stream, ripe)

    def _rewind(self) -> None:
        """The far side may have forgotten: what is not past that is sent again."""
        if self._overlap_s > 0:
            self._cursors.update(self._sure)
            for marks in self._marks.values():
                marks.clear()

    def _repeat(self, again: Mapping[Stream, int]) -> None:
        """Sends rows again whose times were put right."""
        for stream, seq in again.items():
            if stream in self._cursors and seq < self._cursors[stream]:
                self._cursors[stream] = seq
                self._marks[stream].clear()
                if seq < self._sure[stream]:
                    self._sure[stream] = seq
                    self._owe(self.name, stream, seq)

    def _owe(self, name: str, stream: Stream, seq: int, refused: Sequence[Refusal] = ()) -> None:
        owed = self._owed.setdefault((name, stream), _Owed(seq, []))
        owed.seq = seq
        owed.refused += refused

    def _settle(self) -> None:
        for (name, stream), owed in list(self._owed.items()):
            try:
                self._move(name, stream, owed.seq, tuple(owed.refused))
            except Exception as error:
                log.warning("The cursor of %s cannot be kept now: %s.", self.name, error)
                return
            del self._owed[name, stream]
        for letter, reason in list(self._settled.items()):
            try:
                self._settle_letter(letter, reason)
            except Exception as error:
                log.warning("What became of a dead letter cannot be kept now: %s.", error)
                return
            with self._lock:
                del self._settled[letter]

    # -- the sink's state --

    _trouble = ""
    _said = ""

    def _call(self, call: Callable[[], T]) -> T:
        """One call into the sink. Raises `HangsError` where it may be left behind."""
        return call() if self._hand is None else self._hand.do(call, self._able.within_s)

    def _asked(self, method: str, *given: object) -> Callable[[], Any]:
        """A call of one of the sink's methods; even to look for it is the sink's own affair."""
        sink = self._sink
        return lambda: getattr(sink, method)(*given)

    def _mistake(self) -> str:
        return f"The sink {self.name} failed: {self._trouble}."

    def _failed(self, trouble: str) -> None:
        self._trouble = trouble
        if trouble != self._said:
            self._said = trouble
            log.error("The sink %s failed: %s.", self.name, trouble)

    def _left_behind(self, error: HangsError) -> Outcome:
        """The verdict on a sink that hangs, which is not asked again."""
        self._sink, self._open, self._fed = None, False, False
        first = self._now_s - self._hung_until_s >= FORGETS_S
        self._hangs = 1 if first else self._hangs + 1
        pause_s = min(pause_after_hang_s(self._hangs), LONGEST_AFTER_HANG_S)
        self._hung_until_s = self._now_s + pause_s
        return Outcome(0, (), pause_s, f"The sink {self.name} {error}.", lost=True)

    def _ready(self) -> Outcome | None:
        """None when the sink is there and open, else the verdict."""
        if self._sink is None and self._hand and self._hand.left_behind >= MOST_LEFT_BEHIND:
            reason = f"The sink {self.name} hangs every time and is left alone: restart stillwell."
            return Outcome(0, (), LONGEST_PAUSE_S, reason)
        try:
            if self._sink is None and self._remake is not None:
                self._sink = self._call(self._remake)
            if not self._open:
                self._call(self._asked("open"))
                self._open = True
                if self._able.sends_ahead:
                    ahead = dict(self._ahead)
                    self._call(self._asked("resume", ahead))
            if not self._fed and self._able.retains:
                latest = tuple(self._latest())
                self._call(self._asked("remember", latest))
            self._fed = True
        except HangsError as error:
            return self._left_behind(error)
        except Exception as error:
            self._failed(_kind(error))
            reason = f"The sink {self.name} cannot be opened: {_kind(error)}"
            return Outcome(0, (), SHORTEST_PAUSE_S, reason)
        return None

    def _away(self, now_s: float, outcome: Outcome) -> float:
        if outcome.lost:
            self._rewind()
        pause = back_off(self._attempts, outcome.retry_after or 0.0, self._jitter())
        self._attempts += 1
        self._not_before = now_s + pause
        reason = outcome.reason or "The far side does not answer."
        before = self.health
        if not before.away or before.verdict != reason:
            # When it has lasted it is an alarm, which says the same, in the log too.
            log.debug("%s: %s", self.name, reason)
        self._report(now_s, away=True, verdict=reason)
        return pause

    def _well(self, now_s: float, remark: str) -> None:
        if self.health.away:
            log.debug("%s takes what it is sent again.", self.name)
        self._attempts = 0
        self._said = ""
        self._report(now_s, away=False, verdict=remark)

    def _report(self, now_s: float, *, away: bool, verdict: str) -> None:
        with self._lock:
            old = self._health
            fresh = old.verdict == NOT_STARTED or old.away is not away
            self._health = Health(
                self.name,
                away,
                now_s if fresh else old.since_s,
                verdict,
                self._accepted,
                self._refused,
                self._attempts,
                dict(self._cursors),
            )


_FAILED = Outcome(0, (), SHORTEST_PAUSE_S, "The sink itself failed.")


def _kind(error: Exception) -> str:
    """What failed, without the exception's own words: those of a foreign library may hold a URL
    with a password in it."""
    if isinstance(error, MistakeError):
        return f"it {error}"
    return error.kind if isinstance(error, FailedError) else plain(type(error).__name__, 60)


def ahead_name(sink: str) -> str:
    """The name under which the store keeps how far a sink that `SendsAhead` has sent ahead."""
    return f"{sink}.ahead"


def name_of(row: Row) -> str:
    """What a row is the latest of: the channel, the alarm, the estimate; a notice stands for
    itself."""
    match row.body:
        case Reading(channel=name) | Transition(alarm=name):
            return name
        case Notice(key=key):
            return key
        case published:
            return published.name


def back_off(attempts: int, asked_s: float, jitter: float) -> float:
    """Seconds to wait after `attempts` earlier failures in a row: doubling from 1 to 60 s, of which
    `jitter` (0 … 1) takes away up to half, so that many clients of one server do not return in
    step. Never sooner than the far side asked for, and never longer than an hour."""
    ceiling = min(SHORTEST_PAUSE_S * 2.0 ** min(attempts, 16), LONGEST_PAUSE_S)
    pause = max(SHORTEST_PAUSE_S, ceiling * (1.0 - jitter / 2.0))
    return max(pause, min(asked_s, LONGEST_ASKED_S))


class OutboxThread:
    """Runs an outbox on a thread of its own until it is stopped."""

    def __init__(self, outbox: Outbox) -> None:
        self.outbox = outbox
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"sink-{outbox.name}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Ends the thread and closes the sink; returns whether it ended within `timeout_s`."""
        self._stop.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def is_alive(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                pause = self._step()
                if pause > IDLE_S:
                    # In slices, so that the progress counter moves while the far side is away.
                    self._stop.wait(min(pause, SHORTEST_PAUSE_S))
                elif pause > 0:
                    self.outbox.idle(pause)
        finally:
            self.outbox.close()

    def _step(self) -> float:
        """One round; a fault of the outbox itself costs that round and not the recipient."""
        try:
            return self.outbox.step(time.monotonic())
        except Exception:
            log.exception("the outbox of %s failed", self.outbox.name)
            return SHORTEST_PAUSE_S
