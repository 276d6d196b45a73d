"""One sink's rounds: what is offered to it, and how its verdicts move the cursors."""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from stillwell.deliver.checked import ROWS_AT_ONCE, Abilities, abilities_of
from stillwell.deliver.outbox.back_off import SHORTEST_PAUSE_S, back_off
from stillwell.deliver.outbox.called import FAILED, CalledSink
from stillwell.deliver.outbox.cursors import Cursors, Move
from stillwell.deliver.outbox.letters import Letters, SettleLetter, unsettled
from stillwell.deliver.outbox.tail import Follows
from stillwell.foreign import Hand
from stillwell.notice import Notice, Transition
from stillwell.ports import Outcome, Refusal, Row, Sink, Stream
from stillwell.reading import Reading

log = logging.getLogger(__name__)

IDLE_S = 0.5
FAILURES_BEFORE_REFUSAL = 5
"""How often the sink itself may fail on one row, sent alone, before the row is set aside."""
PAGE = 200
"""Rows that are read at once where only the latest of each name is offered. A week's rows are gone
through by a sink that comes back: what they take in memory at once stays with the process."""
NOT_STARTED = "not started"
"""The verdict on a sink about which nothing is known yet."""


@dataclass(frozen=True, slots=True)
class Health:
    """How a sink is doing, for the watch, the supervisor and people."""

    sink: str
    away: bool
    since_s: float
    """Since when it is in this state, in monotonic seconds."""
    verdict: str
    """The last verdict in words; empty when all is well. A sink that works may still have a
    remark, for example that one topic is denied."""
    accepted: int
    refused: int
    attempts: int
    """How many attempts in a row have failed."""
    cursors: Mapping[Stream, int]


class Outbox:
    """One sink's place in the store.

    Args:
        name: the sink's name in the configuration.
        sink: opened by the first `step`, closed by `close`.
        tail: the store's tail.
        cursors: how far each stream has been given, as the store keeps it; a stream that is missing
            starts at 0.
        move: see `Move`.
        latest: the store's latest row of each name, for a sink that `Retains`.
        ahead: the cursors kept under `ahead_name`, for a sink that `SendsAhead`.
        batch: rows given to the sink at once, unless it `ChoosesBatch`.
        committed_only: whether only rows that are safe on the disk may leave, whatever the disk
            does: readings can be up to a commit interval behind. Without it notices and transitions
            leave when they are kept (at once while the disk takes nothing), readings at once.
        jitter: returns a number 0 … 1, new on each call.
        settle_letter: see `SettleLetter`.
        able: what the sink has said about itself; without it, the sink is asked now.
        hand: the thread on which the sink is called, so that it can be left behind; without one it
            is called on the caller's thread, and may hang that.
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
        settle_letter: SettleLetter = unsettled,
        able: Abilities | None = None,
        hand: Hand | None = None,
        remake: Callable[[], Sink] | None = None,
    ) -> None:
        self.name = name
        self.progress = 0
        """Counts the rounds."""
        self._able = able = able or abilities_of(sink, batch)
        self._sink = CalledSink(name, sink, able, hand, remake)
        self._tail = tail
        self._latest = latest
        self._committed_only = committed_only
        self._jitter = jitter
        self._cursors = Cursors(name, able.streams, cursors, ahead or {}, able.overlap_s, move)
        self._letters = Letters(settle_letter)
        self._not_before = 0.0
        self._attempts = 0
        self._failing: tuple[Stream, int] | None = None
        self._failures = 0
        self._accepted = 0
        self._refused = 0
        self._lock = threading.Lock()
        self._health = Health(name, False, 0.0, NOT_STARTED, 0, 0, 0, dict(self._cursors.at))

    def __repr__(self) -> str:
        return f"Outbox({self.name!r})"

    @property
    def health(self) -> Health:
        """How the sink is doing. May be read from any thread."""
        with self._lock:
            return self._health

    def send_again(self, letter: int, row: Row) -> None:
        """Gives the sink once more a row that it refused for good. Safe from any thread."""
        self._letters.add(letter, row)

    def step(self, now_s: float) -> float:
        """Does one round: tends the connection, offers one batch of each stream, moves the cursors.

        Returns the seconds until the next round is worth while: 0 when more rows are waiting, more
        than `IDLE_S` only while backing off. Never raises.
        """
        self.progress += 1
        self._cursors.ripen(now_s)
        self._settle()
        if now_s < self._not_before:
            return self._not_before - now_s
        unready = self._sink.ready(now_s, self._cursors.ahead, self._latest)
        if unready is not None:
            return self._away(now_s, unready)
        remark = ""
        if self._able.tends:
            outcome = self._sink.tend(now_s)
            self._cursors.repeat(outcome.again)
            if outcome.retry_after is not None:
                return self._away(now_s, outcome)
            remark = outcome.reason
        more = waits = False
        for stream in self._able.streams:
            rows, reached, complete = self._next(stream)
            if not rows:
                remark = remark or self._why_waiting(stream)
                continue
            outcome = self._offer(stream, rows, now_s)
            moved = self._advance(stream, rows, reached, outcome, now_s)
            if outcome.waits:
                waits = True
                # Something was sent past the rows that wait: the next one may follow it.
                more = more or moved
                remark = outcome.reason or remark
                continue
            if outcome.retry_after is not None:
                return self._away(now_s, outcome)
            if outcome.lost:
                self._cursors.rewind()
            more = more or not complete or outcome.accepted < len(rows)
        away = self._offer_letters(now_s)
        if away is not None:
            return self._away(now_s, away)
        self._well(now_s, remark)
        if more:
            return 0.0
        return SHORTEST_PAUSE_S if waits else IDLE_S

    def idle(self, timeout_s: float) -> None:
        """Waits at most `timeout_s` for a row that has not been offered yet."""
        self._tail.wait(self._cursors.at, timeout_s, committed_only=self._committed_only)

    def close(self) -> None:
        """Closes the sink and offers the last cursors to be kept. Never raises."""
        self._sink.close()
        self._settle()

    # -- rows --

    def _next(self, stream: Stream) -> tuple[list[Row], int, bool]:
        """Returns the rows to offer, the row number up to which they represent all rows, and
        whether those are all."""
        after = self._cursors.at[stream]
        if self._failing is not None and self._failing[0] is stream:
            rows = self._rows(stream, after, 1)
            return rows, rows[-1].seq if rows else after, False
        if stream not in self._able.collapse:
            rows = self._rows(stream, after, self._able.batch)
            return rows, rows[-1].seq if rows else after, len(rows) < self._able.batch
        latest: dict[str, Row] = {}
        while rows := self._rows(stream, after, PAGE):
            for row in rows:
                latest[name_of(row)] = row
            after = rows[-1].seq
            if len(rows) < PAGE:
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
        why = self._tail.why_waiting(stream, self._cursors.at[stream])
        return f"{stream.capitalize()}: {why}" if why else ""

    def _offer(self, stream: Stream, rows: list[Row], now_s: float) -> Outcome:
        outcome = self._sink.send(rows, now_s)
        if outcome is not FAILED:
            self._failing = None
            self._failures = 0
            return outcome
        first = (stream, rows[0].seq)
        self._failures = self._failures + 1 if self._failing == first else 1
        self._failing = first
        if self._failures > FAILURES_BEFORE_REFUSAL and len(rows) == 1:
            self._failing = None
            self._failures = 0
            return Outcome(1, (Refusal(rows[0].seq, self._sink.failed_on_it),))
        return Outcome(0, (), SHORTEST_PAUSE_S, self._sink.mistake)

    def _offer_letters(self, now_s: float) -> Outcome | None:
        """Sends the dead letters, each alone; returns the verdict when the far side has gone
        away."""
        for letter, row in self._letters.waiting().items():
            outcome = self._sink.send([row], now_s)
            if outcome is FAILED:
                outcome = Outcome(1, (Refusal(row.seq, self._sink.failed_on_it),))
            if outcome.accepted == 0:
                return None if outcome.retry_after is None else outcome
            self._letters.done(letter, outcome.refused[0].reason if outcome.refused else None)
            self._settle()
        return None

    def _advance(
        self, stream: Stream, rows: list[Row], reached: int, outcome: Outcome, now_s: float
    ) -> bool:
        """Moves the cursors by a verdict; returns whether something has been sent."""
        ahead = self._cursors.go_ahead(stream, outcome.ahead)
        if outcome.accepted > 0:
            self._accept(stream, rows, reached, outcome, now_s)
        moved = ahead or outcome.accepted > 0
        if moved:
            self._settle()
        return moved

    def _accept(
        self, stream: Stream, rows: list[Row], reached: int, outcome: Outcome, now_s: float
    ) -> None:
        if outcome.accepted == len(rows):
            seq = reached
        elif stream in self._able.collapse:
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
        self._accepted += outcome.accepted - len(refused)
        self._refused += len(refused)
        self._attempts = 0
        self._cursors.advance(stream, seq, refused, now_s)

    def _settle(self) -> None:
        if self._cursors.settle():
            self._letters.settle()

    # -- how it is doing --

    def _away(self, now_s: float, outcome: Outcome) -> float:
        if outcome.lost:
            self._cursors.rewind()
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
        self._sink.well()
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
                dict(self._cursors.at),
            )


def name_of(row: Row) -> str:
    """Returns the name of which a row is the latest: the channel, the alarm, the estimate; each
    notice has its own."""
    match row.body:
        case Reading(channel=name) | Transition(alarm=name):
            return name
        case Notice(key=key):
            return key
        case published:
            return published.name
