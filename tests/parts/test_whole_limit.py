"""A server that begins to answer and never ends, a byte now and then: what asks it comes to an end
within its own limit, and its sink's thread is left behind where it doesn't."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from typing import Any

import pytest

from far_sides import Receiver, Trickler
from stillwell.deliver.influx import Influx, InfluxSettings
from stillwell.deliver.outbox import Outbox
from stillwell.deliver.outbox.tail import Follows
from stillwell.deliver.ping import Ping, PingSettings
from stillwell.deliver.push import Push, PushSettings
from stillwell.foreign import MOST_LEFT_BEHIND, Hand, within
from stillwell.notice import Notice, Priority, Prose
from stillwell.ports import Outcome, Refusal, Row, Stream
from stillwell.reading import Flag, Moment, Quantity, Reading
from stillwell.words import Reader

ROW = Row(Stream.READINGS, 1, Reading("water-a", Moment(1, 1, 1), 25.0, Flag.PASS))
NOTICE = Row(
    Stream.NOTICES,
    1,
    Notice("k1", "water.low", "raised", Priority.HIGH, Moment(0, 0), Prose("Low", "Low.")),
)
LONG_S = 20.0
"""Only ends a test that hangs."""


@pytest.fixture
def trickler() -> Iterator[Trickler]:
    one = Trickler()
    yield one
    one.close()


class TestATricklingServer:
    @pytest.mark.parametrize(
        "more",
        [{"protocol": "2"}, {"protocol": "1", "database": "tank"}],
        ids=["influx2", "influx1"],
    )
    def test_does_not_hold_a_time_series_sink(self, trickler: Trickler, more: Any) -> None:
        chosen = {"url": trickler.url, "timeout": 1, **more}
        sink = Influx("history", "rock-pool", InfluxSettings.model_validate(chosen))
        sink.use_channels({"water-a": Quantity.TEMPERATURE})
        sink.open()
        for _ in range(2):
            outcome = within(LONG_S, lambda: sink.send([ROW]))
            assert outcome.accepted == 0
            assert "does not answer in time" in outcome.reason
        sink.close()

    def test_does_not_hold_a_ping(self, trickler: Trickler) -> None:
        chosen = PingSettings.model_validate({"url": trickler.url, "timeout": 1})
        ping = Ping("watcher", "rock-pool", chosen)
        ping.open()
        ping.send([ROW])
        assert "does not answer in time" in within(LONG_S, ping.tend).reason

    def test_of_one_recipient_holds_no_message_to_another(self, trickler: Trickler) -> None:
        """Many at once: whatever they share is used up."""

        def recipient(name: str, url: str) -> Push:
            chosen = {"url": url.replace("http", "json", 1)}
            one = Push(name, "rock-pool", PushSettings.model_validate(chosen))
            one.use_words(Reader())
            one.open()
            return one

        for number in range(min(32, (os.cpu_count() or 1) + 4) + 2):
            slow = recipient(f"slow-{number}", trickler.url)
            threading.Thread(target=slow.send, args=([NOTICE],), daemon=True).start()
        hook = Receiver()
        well = recipient("niamh", hook.url)
        assert within(LONG_S, lambda: well.send([NOTICE])).accepted == 1
        hook.close()


class Waits:
    """A sink that takes each row as soon as it may, and has a tenth of a second for it."""

    def __init__(self, may: threading.Event) -> None:
        self.may = may
        self.given: list[int] = []

    def streams(self) -> frozenset[Stream]:
        return frozenset({Stream.READINGS})

    def answers_within_s(self) -> float:
        return 0.1

    def open(self) -> None: ...

    def send(self, rows: list[Row]) -> Outcome:
        self.given += [row.seq for row in rows]
        self.may.wait(LONG_S)
        return Outcome(len(rows), (Refusal(1, "too late"),))

    def close(self) -> None: ...


class Rig(Follows):
    """An outbox over one row, and everything that its sinks were given."""

    def __init__(self) -> None:
        self.may = threading.Event()
        self.made: list[Waits] = []
        self.moved: list[int] = []
        self.hand = Hand("sink slow")
        self.now_s = 0.0
        self.outbox = Outbox(
            "slow",
            self.make(),  # type: ignore[arg-type]
            self,
            {},
            lambda sink, stream, seq, refused: self.moved.append(seq),
            jitter=lambda: 0.0,
            hand=self.hand,
            remake=self.make,  # type: ignore[arg-type]
        )

    def make(self) -> Waits:
        self.made.append(Waits(self.may))
        return self.made[-1]

    def rows(
        self, stream: Stream, after_seq: int, limit: int, *, committed_only: bool = True
    ) -> list[Row]:
        return [] if after_seq else [ROW]

    def step(self) -> None:
        self.now_s += self.outbox.step(self.now_s)


class TestASinkThatDoesNotAnswer:
    def test_is_away_in_words_with_its_limit(self) -> None:
        rig = Rig()
        rig.step()
        assert rig.outbox.health.away
        assert "The sink slow has not answered for 0.1 s" in rig.outbox.health.verdict
        rig.may.set()

    def test_is_replaced_by_a_fresh_one_that_gets_the_same_row(self) -> None:
        rig = Rig()
        rig.step()
        rig.made[0].may = threading.Event()
        rig.may.set()
        rig.step()
        assert [sink.given for sink in rig.made] == [[1], [1]]
        assert rig.moved == [1]

    def test_moves_no_cursor_when_it_answers_late(self) -> None:
        rig = Rig()
        rig.step()
        rig.may.set()
        while rig.hand.left_behind:
            pass
        assert rig.moved == []
        assert rig.outbox.health.cursors[Stream.READINGS] == 0

    def test_is_left_alone_once_too_many_hang_and_tried_again_when_one_is_back(self) -> None:
        rig = Rig()
        for _ in range(3 * MOST_LEFT_BEHIND):
            rig.step()
        assert len(rig.made) == MOST_LEFT_BEHIND
        assert rig.hand.left_behind == MOST_LEFT_BEHIND
        assert "left alone" in rig.outbox.health.verdict
        rig.may.set()
        while rig.hand.left_behind:
            pass
        rig.step()
        assert not rig.outbox.health.away
        assert rig.moved == [1]
