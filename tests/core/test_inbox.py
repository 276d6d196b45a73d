"""What stands before what on the way to the pipeline, and how much people may ask."""

from __future__ import annotations

from collections.abc import Callable

from stillwell.acquire.source import Batch
from stillwell.deliver.allowance import Allowance
from stillwell.request import Command, Reply, Request
from stillwell.supervise.inbox import (
    ASKED_AT_ONCE,
    ASKED_IN_A_ROW,
    Inbox,
    Questions,
)

NOTE = Request(Command.NOTE)
ACK = Request(Command.ACKNOWLEDGE, "water.low")


def said_to(replies: list[Reply]) -> Callable[[Reply], None]:
    return replies.append


class TestRequests:
    def test_stand_behind_every_reading_a_few_at_a_time(self) -> None:
        inbox, said = Inbox(), said_to([])
        for number in range(3 * ASKED_AT_ONCE):
            inbox.ask("broker", NOTE, said)
            inbox.put(Batch("probes", number, ()))
        first = inbox.take(0)
        assert [type(item) for item in first] == [Batch] * 3 * ASKED_AT_ONCE + [Questions]
        inbox.put(Batch("probes", 99, ()))
        second = inbox.take(0)
        assert [type(item) for item in second] == [Batch, Questions]
        asked = [item.asked for item in (*first, *second) if isinstance(item, Questions)]
        assert [len(few) for few in asked] == [ASKED_AT_ONCE, ASKED_AT_ONCE]
        assert asked[0][0].request.way == "broker"

    def test_beyond_the_limit_are_answered_at_once(self) -> None:
        inbox = Inbox()
        replies: list[Reply] = []
        for _ in range(ASKED_IN_A_ROW + 20):
            inbox.ask("broker", NOTE, said_to(replies))
        assert len(replies) >= 19
        assert all(not reply.done and "Too many" in reply.text for reply in replies)

    def test_to_note_do_not_use_up_what_alarms_may_be_asked(self) -> None:
        inbox = Inbox()
        replies: list[Reply] = []
        for _ in range(200):
            inbox.ask("broker", NOTE, said_to([]))
        inbox.ask("broker", ACK, said_to(replies))
        assert replies == []

    def test_never_fill_the_place_of_readings(self) -> None:
        inbox = Inbox(capacity=1)
        for _ in range(10):
            inbox.ask("broker", NOTE, said_to([]))
        inbox.put(Batch("probes", 0, ()))
        assert inbox.dropped == 0


class TestAnAllowance:
    def test_is_a_number_at_once_and_a_rate_after_that(self) -> None:
        one = Allowance(3, 0.5)
        assert [one.take(10.0) for _ in range(4)] == [True, True, True, False]
        assert [one.take(11.0), one.take(12.0), one.take(12.5)] == [False, True, False]
        assert [one.take(1000.0) for _ in range(4)] == [True, True, True, False]
