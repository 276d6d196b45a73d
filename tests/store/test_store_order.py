"""Whatever the disk does in between: order is kept, nothing below the bound is lost, numbers
stay."""

from __future__ import annotations

import sqlite3
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from examples import examples
from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.ports import Published, Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store, StoreReader

NOON = 1_767_268_800_000
BOUND = 50


class Disk(RuleBasedStateMachine):
    """A store on a disk that refuses and takes writes again, against a list of what was put.

    The refusal is SQLite's own: SQLITE_READONLY by `query_only`, SQLITE_FULL by a page limit. After
    a read-only the store opens the file anew, so the fault is set again on the new connection.
    """

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name) / "tank.db"
        self.mono = 0
        self.put: list[float] = []
        self.keys: list[str] = []
        self.names: list[str] = []
        self.cursor: int | None = None
        self.lost = 0
        self.epoch = 0
        self.refuses = ""
        self.start()

    def start(self) -> None:
        self.store = Store.open(self.path, backlog=BOUND)
        attach = self.store.disk._attach

        def attach_to_the_same_disk(*, first: bool) -> None:
            attach(first=first)
            self.spoil()

        self.store.disk._attach = attach_to_the_same_disk  # type: ignore[method-assign]
        self.mono = 0
        self.epoch = self.store.begin_epoch(f"boot-{self.epoch}", self.now(), True)

    def now(self) -> Moment:
        return Moment(self.mono, NOON + self.mono, self.epoch)

    def spoil(self) -> None:
        db = self.store.disk.file.db
        if db is not None and self.refuses == "read-only":
            db.execute("PRAGMA query_only = ON")
        elif db is not None and self.refuses == "full":
            db.execute(
                "PRAGMA max_page_count = 1"
            )  # SQLite takes it as: no page more than there are

    @rule(how=st.sampled_from(["read-only", "full"]))
    @precondition(lambda self: not self.refuses)
    def disk_fails(self, how: str) -> None:
        self.refuses = how
        self.spoil()

    @rule()
    @precondition(lambda self: bool(self.refuses))
    def disk_recovers(self) -> None:
        self.refuses = ""
        if self.store.disk.file.db is not None:
            self.store.disk.file.db.execute("PRAGMA query_only = OFF")
            self.store.disk.file.db.execute("PRAGMA max_page_count = 1000000")

    @rule(count=st.integers(1, 40))
    def readings(self, count: int) -> None:
        values = [float(len(self.put) + i) for i in range(count)]
        self.put += values
        self.store.put(
            [Reading("water-a", self.now(), v, Flag.PASS, "", "x" * 200) for v in values]
        )

    @rule()
    def alarm(self) -> None:
        number = len(self.names)
        self.names.append(f"alarm-{number}")
        self.keys.append(f"key-{number}")
        now = self.now()
        self.store.put_transition(
            Transition(
                self.names[-1],
                now,
                State.NORMAL,
                State.UNACKNOWLEDGED,
                "raise",
                Priority.LOW,
                True,
                Message("what"),
                now,
            ),
            [
                Notice(
                    self.keys[-1],
                    self.names[-1],
                    "raised",
                    Priority.LOW,
                    now,
                    Prose("t", "x" * 500),
                )
            ],
        )

    @rule()
    @precondition(lambda self: bool(self.keys))
    def same_notice_again(self) -> None:
        self.store.put_notice(
            Notice(self.keys[-1], "a", "raised", Priority.LOW, self.now(), Prose("t", "x"))
        )

    @rule()
    def estimate(self) -> None:
        self.store.put_estimates([Published("level", NOON, "mm", 1.0, 0.0, 2.0, "gauge")])

    @rule()
    def sink_moves(self) -> None:
        told = self.store.tail.rows(Stream.NOTICES, self.cursor or 0, 3, committed_only=False)
        if told:
            self.cursor = told[-1].seq
            self.store.sinks.move_cursor("broker", Stream.NOTICES, self.cursor)

    @rule()
    def commit(self) -> None:
        self.store.commit()

    @rule(seconds=st.integers(1, 90))
    def time_passes(self, seconds: int) -> None:
        self.mono += seconds * 1000
        self.store.tick(self.mono)

    @rule()
    @precondition(lambda self: not self.refuses)
    def restart(self) -> None:
        self.mono += 120_000
        self.store.tick(self.mono)
        self.store.commit()
        assert self.store.trouble is None
        lost = self.store.backlog_lost
        self.store.close()
        self.check_file(lost)
        self.start()

    def check_file(self, lost: int) -> None:
        self.lost += lost
        with StoreReader.open(self.path) as reader:
            assert [n.key for n in reader.notices()] == self.keys
            assert [t.alarm for t in reader.transitions()] == self.names
            cursors = reader.cursors()
            assert [c.seq for c in cursors] == ([] if self.cursor is None else [self.cursor])
        db = sqlite3.connect(self.path)
        kept = db.execute("SELECT seq, value FROM reading ORDER BY seq").fetchall()
        db.close()
        assert all(seq == value + 1 for seq, value in kept)
        assert len(kept) + self.lost == len(self.put)

    @invariant()
    def sinks_see_every_notice_in_order(self) -> None:
        told = self.store.tail.rows(Stream.NOTICES, 0, 10_000, committed_only=False)
        assert [n.key for row in told if isinstance(n := row.body, Notice)] == self.keys
        assert [row.seq for row in told] == list(range(1, len(self.keys) + 1))

    @invariant()
    def readings_are_lost_only_beyond_the_bound(self) -> None:
        seen = self.store.tail.rows(Stream.READINGS, 0, 100_000, committed_only=False)
        values = [r.value for row in seen if isinstance(r := row.body, Reading)]
        assert values == sorted(v for v in values if v is not None)
        assert len(values) + self.lost + self.store.backlog_lost == len(self.put)
        assert self.put[-BOUND:] == values[-BOUND:]
        assert self.store.waiting <= BOUND

    def teardown(self) -> None:
        self.refuses = ""
        if self.store.disk.file.db is not None:
            self.store.disk.file.db.execute("PRAGMA query_only = OFF")
            self.store.disk.file.db.execute("PRAGMA max_page_count = 1000000")
        try:
            self.restart()
        finally:
            self.store.close()
            self.folder.cleanup()


Disk.TestCase.settings = settings(
    examples(100), stateful_step_count=30, suppress_health_check=[HealthCheck.too_slow]
)
TestDisk = Disk.TestCase
