"""Several processes on one store: one writes, others read, ask and note."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from stillwell.request import Command, Reply, Request
from stillwell.store import (
    Entry,
    NotRunning,
    Store,
    StoreBusy,
    StoreError,
    StoreReader,
    ask,
    await_reply,
    is_held,
    note,
)
from stillwell.store.connect import connect_reader, connect_writer

if TYPE_CHECKING:
    from tests.store.conftest import Rows

Opener = Callable[..., Store]


def in_another_process(code: str, path: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, timeout=60
    )


class TestOneWriter:
    def test_a_second_one_is_told_who_writes(self, store: Store, path: Path) -> None:
        second = in_another_process(
            "import sys\nfrom stillwell.store import *\n"
            "try: Store.open(sys.argv[1])\nexcept StoreBusy as e: print(e)",
            path,
        )
        assert f"process {os.getpid()}" in second.stdout, second.stderr
        assert "stop that one first" in second.stdout

    def test_also_within_one_process(self, store: Store, path: Path) -> None:
        with pytest.raises(StoreBusy):
            Store.open(path)

    def test_the_lock_goes_with_the_writer(self, open_store: Opener, path: Path) -> None:
        store = open_store()
        assert is_held(path)
        store.close()
        assert not is_held(path)
        open_store()


class TestMemory:
    def test_no_connection_keeps_two_megabytes_of_the_file(self, store: Store, path: Path) -> None:
        # SQLite fills what it may keep page by page: the writer's would grow for days.
        for connect in (connect_writer, connect_reader):
            with contextlib.closing(connect(path)) as db:
                (size,) = db.execute("PRAGMA cache_size").fetchone()
            assert -1024 <= size < 0, "kibibytes, as SQLite says them: below zero"


class TestReaders:
    def test_a_reader_in_another_process_does_not_hold_up_the_writer(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        store.put([rows.reading(i) for i in range(5000)])
        store.commit()
        with subprocess.Popen(
            [
                sys.executable,
                "-c",
                "import sys\nfrom stillwell.store import *\n"
                "found = StoreReader.open(sys.argv[1]).all_readings()\n"
                "next(found); print('reading', flush=True); sys.stdin.readline()\n"
                "print(1 + sum(1 for _ in found))",
                str(path),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == "reading\n"
            store.put_transition(rows.transition(6000))
            store.put([rows.reading(i) for i in range(6001, 7000)])
            store.commit()
            assert store.trouble is None
            assert store.disk.file.db is not None
            # In the midst of its rows the reader holds nothing: the log can be folded back whole.
            busy, _, _ = store.disk.file.db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            assert busy == 0
            out, _ = other.communicate("go on\n", timeout=60)
        assert int(out) == 5000

    def test_a_reader_can_not_write(self, store: Store, path: Path) -> None:
        with StoreReader.open(path) as reader, pytest.raises(StoreError):
            reader._all("DELETE FROM reading")

    def test_another_program_that_holds_the_file_is_named(
        self, store: Store, path: Path, rows: Rows
    ) -> None:
        with subprocess.Popen(
            [
                sys.executable,
                "-c",
                "import sys, sqlite3\ndb = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
                "db.execute('BEGIN IMMEDIATE'); print('held', flush=True); sys.stdin.readline()",
                str(path),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == "held\n"
            store.put_notice(rows.notice(1, "a"))
            assert f"(process {other.pid}) has been holding the store" in (store.trouble or "")
            assert "locked" not in (store.trouble or "")
            other.communicate("let go\n", timeout=60)
        store.tick(60_000)
        assert store.trouble is None
        with StoreReader.open(path) as reader:
            assert [n.key for n in reader.notices()] == ["a"]


class TestRequests:
    def test_a_command_is_answered_across_processes(self, store: Store, path: Path) -> None:
        with subprocess.Popen(
            [
                sys.executable,
                "-c",
                "import sys\nfrom stillwell.store import *\nfrom stillwell.request import *\n"
                "n = ask(sys.argv[1], Request(Command.SHELVE, 'water.low', 'Maeve', 600.0))\n"
                "print(await_reply(sys.argv[1], n, 60))",
                str(path),
            ],
            stdout=subprocess.PIPE,
            text=True,
        ) as other:
            pending: list[tuple[int, Request]] = []
            while not pending and other.poll() is None:
                pending = store.kept.pending_requests()
            ((number, request),) = pending
            assert request.age_s is not None, "how long it has waited is known"
            assert replace(request, age_s=None) == Request(
                Command.SHELVE, "water.low", "Maeve", 600.0
            )
            store.answer(number, Reply(True, "Shelved for 10 min.", ("water.low",)))
            out, _ = other.communicate(timeout=60)
        assert out.strip() == str(Reply(True, "Shelved for 10 min.", ("water.low",)))
        assert store.kept.pending_requests() == []

    def test_nobody_asks_a_daemon_that_is_not_there(self, open_store: Opener, path: Path) -> None:
        open_store().close()
        with pytest.raises(NotRunning, match="systemctl start"):
            ask(path, Request(Command.ACKNOWLEDGE))

    def test_a_command_that_was_given_up_is_not_carried_out(self, store: Store, path: Path) -> None:
        number = ask(path, Request(Command.ACKNOWLEDGE, "water.low"))
        with pytest.raises(StoreError, match="withdrawn"):
            await_reply(path, number, timeout_s=0)
        assert store.kept.pending_requests() == []

    def test_a_command_of_before_the_start_is_not_carried_out(
        self, open_store: Opener, path: Path
    ) -> None:
        store = open_store()
        number = ask(path, Request(Command.ACKNOWLEDGE, "water.low"))
        store.close()
        again = open_store()
        assert again.kept.pending_requests() == []
        reply = await_reply(path, number)
        assert not reply.done
        assert "ask again" in reply.text

    def test_many_are_taken_a_few_at_a_time_and_none_is_forgotten(
        self, store: Store, path: Path
    ) -> None:
        numbers = [ask(path, Request(Command.ACKNOWLEDGE)) for _ in range(25)]
        rounds = []
        while pending := store.kept.pending_requests():
            with store.together():
                for number, _ in pending:
                    store.answer(number, Reply(True, "Done."))
            rounds.append([number for number, _ in pending])
        assert [len(few) for few in rounds] == [10, 10, 5]
        assert [number for few in rounds for number in few] == numbers

    def test_many_ask_and_note_at_once(self, store: Store, path: Path) -> None:
        replies: list[Reply] = []

        def person(number: int) -> None:
            note(path, Entry("note", number, text=str(number)))
            asked = ask(path, Request(Command.ACKNOWLEDGE, str(number)))
            replies.append(await_reply(path, asked, 60))

        people = [threading.Thread(target=person, args=(n,), daemon=True) for n in range(8)]
        for thread in people:
            thread.start()
        while any(thread.is_alive() for thread in people):
            for number, request in store.kept.pending_requests():
                store.answer(number, Reply(True, request.subject))
            people[0].join(0.01)
        assert sorted(r.text for r in replies) == [str(n) for n in range(8)]
        assert len(store.kept.journal_after(0)) == 8
