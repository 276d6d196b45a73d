"""Dead letters that somebody wants sent once more, with the time as an argument.

The store here is a list in memory and the sink a script of verdicts: the subject is the outbox
alone. The whole way through a real broker is in tests/whole/test_sinks_and_drill.py.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

import pytest
from pydantic import BaseModel

from stillwell.deliver.outbox import Outbox
from stillwell.deliver.outbox.tail import Follows
from stillwell.notice import Notice, Priority, Prose
from stillwell.ports import Outcome, Refusal, Row, Stream
from stillwell.reading import Moment

Verdict = Callable[[Sequence[Row]], Outcome]


def notice(seq: int) -> Row:
    body = Notice(
        f"k{seq}", "water.low", "raised", Priority.HIGH, Moment(0, 0), Prose("Low", "Low.")
    )
    return Row(Stream.NOTICES, seq, body)


class Empty(Follows):
    """A store in which nothing new comes."""

    def rows(
        self, stream: Stream, after_seq: int, limit: int, *, committed_only: bool = True
    ) -> list[Row]:
        return []


class Script:
    """A sink that answers by a script; when that has run out, it accepts."""

    Settings: ClassVar[type[BaseModel]] = BaseModel

    def __init__(self, *verdicts: Verdict) -> None:
        self.verdicts = list(verdicts)
        self.given: list[int] = []

    def streams(self) -> frozenset[Stream]:
        return frozenset({Stream.NOTICES})

    def open(self) -> None:
        """There is nothing to open."""

    def send(self, rows: Sequence[Row]) -> Outcome:
        self.given += [row.seq for row in rows]
        return self.verdicts.pop(0)(rows) if self.verdicts else Outcome(len(rows))

    def close(self) -> None:
        """There is nothing to close."""


class Rig:
    def __init__(self, *verdicts: Verdict) -> None:
        self.sink = Script(*verdicts)
        self.settled: list[tuple[int, str | None]] = []
        self.full = False
        self.moved: list[int] = []
        self.outbox = Outbox(
            "broker",
            self.sink,
            Empty(),
            {Stream.NOTICES: 9},
            lambda sink, stream, seq, refused: self.moved.append(seq),
            jitter=lambda: 0.0,
            settle_letter=self._settle,
        )

    def _settle(self, letter: int, reason: str | None) -> None:
        if self.full:
            raise BufferError("the pipeline is busy")
        self.settled.append((letter, reason))


def refuse(rows: Sequence[Row]) -> Outcome:
    return Outcome(1, (Refusal(rows[0].seq, "No."),))


def away(rows: Sequence[Row]) -> Outcome:
    return Outcome(0, (), 1.0, "The broker is gone.")


def fail(rows: Sequence[Row]) -> Outcome:
    raise ZeroDivisionError


class TestADeadLetter:
    def test_is_sent_once_and_moves_no_cursor(self) -> None:
        rig = Rig()
        rig.outbox.send_again(4, notice(3))
        for now_s in range(5):
            rig.outbox.step(float(now_s))
        assert rig.sink.given == [3]
        assert rig.settled == [(4, None)]
        assert rig.moved == []

    @pytest.mark.parametrize(
        ("verdict", "reason"), [(refuse, "No."), (fail, "The sink failed on it: ZeroDivisionError")]
    )
    def test_that_is_refused_again_goes_back_with_its_reason(
        self, verdict: Verdict, reason: str
    ) -> None:
        rig = Rig(verdict)
        rig.outbox.send_again(4, notice(3))
        rig.outbox.step(0.0)
        rig.outbox.step(10.0)
        assert rig.sink.given == [3]
        assert rig.settled == [(4, reason)]

    def test_waits_for_a_far_side_that_is_away(self) -> None:
        rig = Rig(away)
        rig.outbox.send_again(4, notice(3))
        rig.outbox.step(0.0)
        assert rig.outbox.health.away
        assert rig.settled == []
        rig.outbox.step(0.5)
        assert rig.sink.given == [3], "not before the pause is over"
        rig.outbox.step(2.0)
        assert rig.settled == [(4, None)]

    def test_is_not_sent_twice_while_its_end_cannot_be_kept(self) -> None:
        rig = Rig()
        rig.full = True
        rig.outbox.send_again(4, notice(3))
        rig.outbox.step(0.0)
        rig.outbox.send_again(4, notice(3))
        rig.outbox.step(1.0)
        rig.full = False
        rig.outbox.step(2.0)
        assert rig.sink.given == [3]
        assert rig.settled == [(4, None)]
