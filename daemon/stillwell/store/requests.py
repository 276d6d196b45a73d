"""What other processes write into the store: commands for the running daemon, journal entries, and
requests to send a dead letter once more.

Each is one short transaction; the daemon looks for them every second. Between its own commits the
daemon holds no lock, so a command waits for it at most as long as one commit takes.
"""

from __future__ import annotations

import json
import sqlite3
import time
import uuid
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from stillwell.alarm.answer_link import Rejected, claims, request_of, signed
from stillwell.entry import Entry
from stillwell.request import Command, Reply, Request
from stillwell.store import rows, whose
from stillwell.store.connect import refusal
from stillwell.store.errors import NotRunning, StoreError, StoreMissing
from stillwell.store.lock import is_held
from stillwell.store.migrate import migrations, version

_PATIENCE_S = 10.0
T = TypeVar("T")


def ask(path: Path, request: Request) -> int:
    """Leaves a command for the daemon that writes this store.

    Returns its id, for `await_reply`. Raises `NotRunning` when no daemon runs, and `StoreError`.
    """
    path = Path(path)
    _check(path)
    if not is_held(path):
        raise NotRunning(
            f"No daemon is running on {path}, so nobody would carry this out. "
            "Start it (`sudo systemctl start stillwell`) and ask again."
        )

    def write(db: sqlite3.Connection) -> int:
        made = db.execute(
            "INSERT INTO request (asked_ms, command, subject, person, seconds, text, link) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                time.time_ns() // 1_000_000,
                str(request.command),
                request.subject,
                request.by,
                request.seconds,
                request.text,
                request.link,
            ),
        )
        return int(made.lastrowid or 0)

    return _write(path, write)


def ask_by_link(path: Path, token: str, key: bytes, by: str = "") -> int | Rejected:
    """Leaves the command of a link for the daemon, if the link's signature is right; the daemon's
    reply says whether the link is still valid. The token itself is not kept.

    Returns its id, for `await_reply`, or why the link is rejected. Raises as `ask` does.
    """
    answer = signed(token, key)
    if isinstance(answer, Rejected):
        return answer
    return ask(path, replace(request_of(answer, by), link=claims(answer)))


def await_reply(path: Path, request_id: int, timeout_s: float = 10.0) -> Reply:
    """Waits for the daemon's answer.

    Raises `StoreError` after `timeout_s`; the command is then withdrawn, so that it isn't carried
    out when nobody expects it any more.
    """
    path = Path(path)
    deadline = time.monotonic() + timeout_s
    with closing(_connect(path)) as db:
        while True:
            try:
                reply = _reply(db, request_id)
                if reply is None and time.monotonic() >= deadline:
                    db.execute(
                        "UPDATE request SET done = 0, reply = 'withdrawn' WHERE id = ? AND done "
                        "IS NULL",
                        (request_id,),
                    )
                    if db.execute("SELECT changes()").fetchone()[0]:
                        break
                    reply = _reply(db, request_id)
            except sqlite3.Error as error:
                raise refusal(error, path) from error
            if reply is not None:
                return reply
            time.sleep(0.1)
    raise StoreError(
        f"The daemon did not answer within {timeout_s:g} s; the command is withdrawn. "
        "Look at `systemctl status stillwell`, then ask again."
    )


def note(path: Path, entry: Entry) -> int:
    """Writes a journal entry, whether or not a daemon is running. Returns its id; raises
    `StoreError`."""
    return note_all(path, [entry])[0]


def note_all(path: Path, entries: Iterable[Entry]) -> list[int]:
    """Writes journal entries, all or none of them. Returns their ids; raises `StoreError`."""
    keyed = [e if e.key else replace(e, key=uuid.uuid4().hex) for e in entries]

    def write(db: sqlite3.Connection) -> list[int]:
        ids = []
        for entry in keyed:
            if entry.strikes is not None:
                check_strike(db, entry.strikes)
            insert_entry(db, entry)
            found = db.execute("SELECT id FROM journal WHERE key = ?", (entry.key,)).fetchone()
            ids.append(int(found[0]))
        return ids

    return _write(Path(path), write) if keyed else []


def revive(path: Path, letters: Iterable[int]) -> int:
    """Requests that dead letters be sent once more. Returns how many of them exist."""
    wanted = [(letter,) for letter in letters]

    def write(db: sqlite3.Connection) -> int:
        return int(db.executemany("UPDATE dead_letter SET again = 1 WHERE id = ?", wanted).rowcount)

    return _write(Path(path), write) if wanted else 0


def insert_entry(db: sqlite3.Connection, entry: Entry) -> None:
    db.execute(
        rows.insert("journal", rows.JOURNAL, "INSERT OR IGNORE"),
        rows.bindable(rows.from_entry(entry)),
    )


def check_strike(db: sqlite3.Connection, struck: int) -> None:
    """Raises `StoreError` unless the entry exists and stands."""
    found = db.execute(
        "SELECT (SELECT min(id) FROM journal WHERE strikes = j.id) FROM journal j WHERE j.id = ?",
        (struck,),
    ).fetchone()
    if found is None:
        raise StoreError(f"The journal has no entry {struck}. Look at its list for the number.")
    if found[0] is not None:
        raise StoreError(
            f"Entry {struck} has been struck out already, by entry {found[0]}: correct that one."
        )


def open_requests(db: sqlite3.Connection, limit: int) -> tuple[list[tuple[int, Request]], bool]:
    """The oldest `limit` commands without an answer, and whether there may be more; commands that
    this version does not know are answered."""
    found = []
    now_ms = time.time_ns() // 1_000_000
    waiting = db.execute(
        "SELECT id, asked_ms, command, subject, person, seconds, text, link FROM request "
        "WHERE done IS NULL ORDER BY id LIMIT ?",
        (limit,),
    ).fetchall()
    for number, asked_ms, command, subject, person, seconds, text, link in waiting:
        try:
            known = Command(command)
        except ValueError:
            db.execute(
                "UPDATE request SET done = 0, reply = ? WHERE id = ?",
                (f"This daemon knows no command {command!r}: it may need an update.", number),
            )
            continue
        age_s = max(0, now_ms - asked_ms) / 1000
        asked = Request(known, subject, person, seconds, text, link=link, age_s=age_s)
        found.append((int(number), asked))
    return found, len(waiting) == limit


def _reply(db: sqlite3.Connection, request_id: int) -> Reply | None:
    row = db.execute(
        "SELECT done, reply, alarms FROM request WHERE id = ?", (request_id,)
    ).fetchone()
    if row is None:
        raise StoreError(f"The store has no request {request_id}.")
    done, text, alarms = row
    return (
        None if done is None else Reply(bool(done), text or "", tuple(json.loads(alarms or "[]")))
    )


def _check(path: Path) -> None:
    if not path.exists():
        raise StoreMissing(f"There is no store at {path}. Look at `[store] path`.")
    whose.check(path)


def _connect(path: Path) -> sqlite3.Connection:
    _check(path)
    try:
        db = sqlite3.connect(path, timeout=_PATIENCE_S, isolation_level=None)
        found = version(db)
    except sqlite3.Error as error:
        raise refusal(error, path) from error
    if found != len(migrations()):
        db.close()
        raise StoreError(
            f"The store {path} has schema version {found}, this command writes version "
            f"{len(migrations())}. Use the command and the daemon of one installation."
        )
    return db


def _write(path: Path, work: Callable[[sqlite3.Connection], T]) -> T:
    with closing(_connect(path)) as db:
        try:
            with db:
                db.execute("BEGIN IMMEDIATE")
                return work(db)
        except sqlite3.Error as error:
            raise refusal(error, path) from error
