"""The outbox and far sides that forget, clocks that are put right, urgent rows that go ahead.

The store and the sinks are lists in memory: the subject is the outbox's bookkeeping. Real servers
are in tests/parts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from stillwell.deliver.outbox import IDLE_S, Outbox
from stillwell.deliver.outbox.back_off import SHORTEST_PAUSE_S
from stillwell.deliver.outbox.tail import Follows
from stillwell.ports import Outcome, Refusal, Row, Stream
from stillwell.reading import Flag, Moment, Reading

READINGS = Stream.READINGS


class Shelf(Follows):
    def __init__(self, n: int = 0) -> None:
        self.all: list[Row] = []
        self.cursors: dict[tuple[str, Stream], int] = {}
        self.add(n)

    def add(self, n: int) -> None:
        for seq in range(len(self.all) + 1, len(self.all) + n + 1):
            body = Reading("water-a", Moment(seq, seq), float(seq), Flag.PASS)
            self.all.append(Row(READINGS, seq, body))

    def rows(
        self, stream: Stream, after_seq: int, limit: int, *, committed_only: bool = True
    ) -> list[Row]:
        return self.all[after_seq : after_seq + limit]

    def move(self, sink: str, stream: Stream, seq: int, refused: Sequence[Refusal]) -> None:
        self.cursors[sink, stream] = seq


class Forgetful:
    """A server that may forget what it took in the last 10 s of the test's time."""

    Settings: ClassVar[type[BaseModel]] = BaseModel

    def __init__(self) -> None:
        self.has: dict[int, float] = {}
        self.now_s = 0.0
        self.up = True
        self.unseen = False
        self.again: dict[Stream, int] = {}
        self.batch = 3

    def streams(self) -> frozenset[Stream]:
        return frozenset({READINGS})

    def overlap_s(self) -> float:
        # What it may forget, and the time until somebody notices that it did.
        return 12.0

    def open(self) -> None: ...

    def close(self) -> None: ...

    def tend(self) -> Outcome:
        again, self.again = self.again, {}
        return Outcome(0, again=again)

    def send(self, rows: Sequence[Row]) -> Outcome:
        if not self.up:
            return Outcome(0, (), 1.0, "away", lost=True)
        self.has |= {row.seq: self.now_s for row in rows}
        unseen, self.unseen = self.unseen, False
        return Outcome(len(rows), lost=unseen)

    def crash(self) -> None:
        self.has = {seq: at for seq, at in self.has.items() if at < self.now_s - 10.0}


class Rig:
    def __init__(self, n: int = 0) -> None:
        self.shelf = Shelf(n)
        self.server = Forgetful()
        self.now_s = 0.0
        self.outbox = self.made()

    def made(self) -> Outbox:
        kept = {READINGS: self.shelf.cursors.get(("s", READINGS), 0)}
        return Outbox("s", self.server, self.shelf, kept, self.shelf.move, jitter=lambda: 0.0)

    def to(self, now_s: float) -> None:
        """Steps until `now_s`, as the thread would: at once while there is more."""
        while self.now_s < now_s:
            self.server.now_s = self.now_s
            pause = self.outbox.step(self.now_s)
            self.now_s += pause or 0.001

    @property
    def kept(self) -> int:
        return self.shelf.cursors.get(("s", READINGS), 0)


class TestAServerThatForgets:
    def test_keeps_the_kept_cursor_behind_what_was_sent(self) -> None:
        rig = Rig(6)
        rig.to(5)
        assert set(rig.server.has) == set(range(1, 7))
        assert rig.kept == 0
        rig.to(15)
        assert rig.kept == 6

    def test_gets_the_last_rows_again_after_a_lost_connection(self) -> None:
        rig = Rig(6)
        rig.to(20)
        rig.shelf.add(3)
        rig.to(22)
        rig.server.crash()
        assert 9 not in rig.server.has
        rig.server.up = False
        rig.shelf.add(1)
        rig.to(30)
        rig.server.up = True
        rig.to(40)
        assert set(rig.server.has) == set(range(1, 11))

    def test_gets_them_again_when_it_was_restarted_unseen(self) -> None:
        rig = Rig(6)
        rig.to(5)
        rig.server.crash()
        rig.server.unseen = True
        rig.shelf.add(1)
        rig.to(7)
        assert set(rig.server.has) == set(range(1, 8))

    def test_gets_them_again_after_our_own_restart(self) -> None:
        rig = Rig(6)
        rig.to(5)
        rig.server.crash()
        rig.outbox = rig.made()
        rig.to(7)
        assert set(rig.server.has) == set(range(1, 7))

    @given(
        st.lists(
            st.tuples(
                st.sampled_from(["rows", "crash", "unseen", "restart", "wait"]),
                st.integers(1, 15),
            ),
            max_size=25,
        )
    )
    def test_has_everything_in_the_end(self, story: list[tuple[str, int]]) -> None:
        rig = Rig(1)
        for what, n in story:
            if what == "rows":
                rig.shelf.add(n)
            elif what == "crash":
                rig.server.crash()
                rig.server.up = False
                rig.shelf.add(1)
                rig.to(rig.now_s + n)
                rig.server.up = True
            elif what == "unseen":
                rig.server.crash()
                rig.server.unseen = True
                rig.shelf.add(1)
            elif what == "restart":
                rig.server.crash()
                rig.outbox = rig.made()
            rig.to(rig.now_s + n)
        rig.to(rig.now_s + 150)
        assert set(rig.server.has) == {row.seq for row in rig.shelf.all}
        assert rig.kept == len(rig.shelf.all)


class TestAClockPutRight:
    def test_sends_the_rows_again_that_had_the_wrong_time(self) -> None:
        rig = Rig(6)
        rig.to(20)
        rig.server.has.clear()
        rig.server.again = {READINGS: 2}
        rig.to(22)
        assert set(rig.server.has) == {3, 4, 5, 6}
        rig.to(40)
        assert rig.kept == 6

    def test_is_not_forgotten_by_a_restart_before_they_were_sent(self) -> None:
        rig = Rig(6)
        rig.to(20)
        rig.server.again = {READINGS: 2}
        rig.server.up = False
        rig.to(22)
        rig.outbox = rig.made()
        rig.server.up, rig.server.has = True, {}
        rig.to(30)
        assert set(rig.server.has) == {3, 4, 5, 6}


class Ahead:
    """Sends rows with even numbers at once, and holds the others while `quiet`."""

    Settings: ClassVar[type[BaseModel]] = BaseModel

    def __init__(self) -> None:
        self.quiet = True
        self.sent: list[int] = []
        self.known = 0
        self.batch = 100

    def streams(self) -> frozenset[Stream]:
        return frozenset({READINGS})

    def resume(self, ahead: Mapping[Stream, int]) -> None:
        self.known = ahead.get(READINGS, 0)

    def open(self) -> None: ...

    def close(self) -> None: ...

    def send(self, rows: Sequence[Row]) -> Outcome:
        for row in rows:
            odd = row.seq % 2 == 1
            if (odd and not self.quiet) or (not odd and row.seq > self.known):
                self.sent.append(row.seq)
        self.known = max([self.known, *(row.seq for row in rows if row.seq % 2 == 0)])
        if self.quiet:
            first = next((place for place, row in enumerate(rows) if row.seq % 2), len(rows))
            return Outcome(first, waits=True, ahead=self.known, reason="quiet")
        return Outcome(len(rows), ahead=self.known)


def outbox(sink: Any, shelf: Shelf) -> Outbox:
    def kept(name: str) -> dict[Stream, int]:
        return {READINGS: shelf.cursors.get((name, READINGS), 0)}

    return Outbox("s", sink, shelf, kept("s"), shelf.move, ahead=kept("s.ahead"))


class TestUrgentRows:
    def test_go_ahead_of_those_that_wait_and_the_far_side_is_not_away(self) -> None:
        shelf, sink = Shelf(4), Ahead()
        box = outbox(sink, shelf)
        assert box.step(0.0) == 0.0, "something went out: perhaps the next can"
        assert box.step(0.0) == SHORTEST_PAUSE_S
        assert sink.sent == [2, 4]
        assert not box.health.away
        assert box.health.verdict == "quiet"
        assert shelf.cursors.get(("s", READINGS), 0) == 0

    def test_are_noticed_while_others_wait(self) -> None:
        shelf, sink = Shelf(1), Ahead()
        box = outbox(sink, shelf)
        box.step(0.0)
        shelf.add(1)
        box.step(1.0)
        assert sink.sent == [2]

    def test_go_once_also_when_we_are_restarted_in_between(self) -> None:
        shelf, first, second = Shelf(4), Ahead(), Ahead()
        outbox(first, shelf).step(0.0)
        box = outbox(second, shelf)
        box.step(0.0)
        assert second.sent == []
        second.quiet = False
        assert box.step(1.0) == IDLE_S
        assert second.sent == [1, 3]
        assert shelf.cursors["s", READINGS] == 4
