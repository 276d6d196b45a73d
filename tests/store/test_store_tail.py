"""The tail under threads: every row once, in order, and nobody sleeps through a new one."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from stillwell.ports import Stream
from stillwell.reading import Reading
from stillwell.store import Store, tail

if TYPE_CHECKING:
    from tests.store.conftest import Rows

Opener = Callable[..., Store]
LIMIT_S = 60.0
"""How long a test waits for what must happen before it fails."""


class TestRows:
    def test_memory_and_file_are_one_stream(self, store: Store, rows: Rows) -> None:
        store.put([rows.reading(i, float(i)) for i in range(10)])
        store.commit()
        store.put([rows.reading(i, float(i)) for i in range(10, 15)])
        tail = store.tail
        for after in range(16):
            for limit in (1, 3, 100):
                both = tail.rows(Stream.READINGS, after, limit, committed_only=False)
                assert [r.seq for r in both] == list(range(after + 1, 16))[:limit]
                kept = tail.rows(Stream.READINGS, after, limit)
                assert [r.seq for r in kept] == list(range(after + 1, 11))[:limit]
        assert tail.newest(Stream.READINGS) == 10
        assert tail.newest(Stream.READINGS, committed_only=False) == 15

    def test_notices_are_there_when_the_file_can_not_be_read(
        self, store: Store, rows: Rows, path: Path
    ) -> None:
        store.put_notice(rows.notice(1, "a"))
        path.rename(path.with_suffix(".gone"))
        store.tail.reopen()
        assert [r.seq for r in store.tail.rows(Stream.NOTICES, 0, 9)] == [1]
        assert store.tail.rows(Stream.READINGS, -5, 9) == []
        assert "no store" in (store.tail.trouble or "")

    def test_a_follower_meets_every_row_once_while_the_writer_writes(
        self, open_store: Opener, rows: Rows
    ) -> None:
        store = open_store()
        total = 6000
        met: dict[bool, list[float | None]] = {True: [], False: []}

        def follow(committed_only: bool) -> None:
            seq = 0
            while seq < total:
                found = store.tail.rows(Stream.READINGS, seq, 97, committed_only=committed_only)
                for row in found:
                    assert row.seq == seq + 1
                    assert isinstance(row.body, Reading)
                    met[committed_only].append(row.body.value)
                    seq = row.seq
                if not found:
                    store.tail.wait({Stream.READINGS: seq}, LIMIT_S, committed_only=committed_only)

        followers = [threading.Thread(target=follow, args=(c,), daemon=True) for c in (True, False)]
        for follower in followers:
            follower.start()
        for i in range(0, total, 20):
            store.put([rows.reading(i + k, float(i + k)) for k in range(20)])
            if i % 300 == 0:
                store.put_transition(rows.transition(i))
        store.commit()
        for follower in followers:
            follower.join(LIMIT_S)
            assert not follower.is_alive()
        expected = list(map(float, range(total)))
        assert met[True] == expected
        assert met[False] == expected


class TestWhatPeopleHear:
    """Another program holds the file, so that a commit takes its time, for real."""

    @staticmethod
    @contextmanager
    def held(path: Path) -> Iterator[None]:
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            yield
            other.execute("ROLLBACK")

    @staticmethod
    def put(store: Store, rows: Rows) -> threading.Thread:
        assert store.disk.file.db is not None
        store.disk.file.db.execute(f"PRAGMA busy_timeout = {LIMIT_S * 1000:.0f}")

        def work() -> None:
            store.put_transition(rows.transition(1), [rows.notice(1, "a")])

        writer = threading.Thread(target=work, daemon=True)
        writer.start()
        while store.tail._shared.backlog.notices.newest == 0:
            writer.join(0.001)
        return writer

    @staticmethod
    def leaves(store: Store) -> list[int]:
        return [
            len(store.tail.rows(stream, 0, 9, committed_only=False))
            for stream in (Stream.NOTICES, Stream.TRANSITIONS)
        ] + [len(store.tail.latest_transitions())]

    def test_has_been_kept_before(
        self, store: Store, rows: Rows, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(tail, "DISK_PATIENCE_S", LIMIT_S)
        with self.held(path):
            writer = self.put(store, rows)
            assert self.leaves(store) == [0, 0, 0]
        writer.join(LIMIT_S)
        assert self.leaves(store) == [1, 1, 1]
        assert store.trouble is None

    def test_does_not_wait_for_a_disk_that_takes_its_time(
        self, store: Store, rows: Rows, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(tail, "DISK_PATIENCE_S", 0.0)
        with self.held(path):
            writer = self.put(store, rows)
            while writer.is_alive() and self.leaves(store)[:2] != [1, 1]:
                store.tail.wait({Stream.NOTICES: 0}, 0.01, committed_only=False)
            assert writer.is_alive(), "it left only when the disk had answered"
            assert store.tail.newest(Stream.NOTICES) == 0
        writer.join(LIMIT_S)

    def test_does_not_wait_for_a_disk_in_trouble(
        self, store: Store, rows: Rows, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(tail, "DISK_PATIENCE_S", LIMIT_S)
        with self.held(path):
            store.put_notice(rows.notice(1, "a"))
            assert store.trouble is not None
            store.put_notice(rows.notice(2, "b"))
            found = store.tail.rows(Stream.NOTICES, 0, 9, committed_only=False)
            assert [row.seq for row in found] == [1, 2]
            assert store.tail.rows(Stream.NOTICES, 0, 9) == []
        store.tick(120_000)
        assert store.trouble is None
        assert [row.seq for row in store.tail.rows(Stream.NOTICES, 0, 9)] == [1, 2]


class TestWait:
    def waiting(
        self, store: Store, stream: Stream, committed_only: bool
    ) -> tuple[threading.Thread, list[bool]]:
        answer: list[bool] = []

        def wait() -> None:
            answer.append(store.tail.wait({stream: 0}, LIMIT_S, committed_only=committed_only))

        thread = threading.Thread(target=wait, daemon=True)
        thread.start()
        while store.tail._shared.sleepers == 0:
            thread.join(0.001)
        return thread, answer

    def test_ends_with_a_new_row(self, store: Store, rows: Rows) -> None:
        thread, answer = self.waiting(store, Stream.READINGS, False)
        store.put([rows.reading(1)])
        thread.join(LIMIT_S)
        assert answer == [True]

    def test_for_what_is_committed_ends_with_the_commit(self, store: Store, rows: Rows) -> None:
        thread, answer = self.waiting(store, Stream.READINGS, True)
        store.put([rows.reading(1)])
        assert not answer
        store.commit()
        thread.join(LIMIT_S)
        assert answer == [True]

    def test_ends_when_the_store_closes(self, store: Store) -> None:
        thread, answer = self.waiting(store, Stream.NOTICES, True)
        store.close()
        thread.join(LIMIT_S)
        assert answer == [False]

    def test_returns_at_once_when_there_is_a_row(self, store: Store, rows: Rows) -> None:
        store.put_notice(rows.notice(1, "a"))
        assert store.tail.wait({Stream.NOTICES: 0}, LIMIT_S)
        assert not store.tail.wait({Stream.NOTICES: 1}, 0)
