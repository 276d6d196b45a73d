"""Answers queries about rows that are on file or still wait to be written, while the store is being
written. Rows that can't be read are left out."""

from __future__ import annotations

import sqlite3

from stillwell.entry import Entry
from stillwell.notice import State, Transition
from stillwell.request import Request
from stillwell.store import requests, rows
from stillwell.store.file import StoreFile
from stillwell.store.tail import Shared

REQUESTS_AT_ONCE = 10
"""How many commands of other processes are taken per second."""


class KeptRows:
    """Reads kept rows; owned by the writer."""

    def __init__(self, file: StoreFile, shared: Shared) -> None:
        self._file = file
        self._shared = shared
        self._backlog = shared.backlog
        self._seen: tuple[sqlite3.Connection, int] | None = None
        """The connection, and the file version whose requests have all been taken."""

    def journal_waiting(self) -> tuple[Entry, ...]:
        """Entries that are not yet on a disk in trouble; they have no numbers."""
        return tuple(self._backlog.journal)

    def described(self, key: str) -> str | None:
        """The value that `describe` has kept under `key`, even if it is not on disk yet."""
        waiting = self._backlog.meta.get(key)
        if waiting is not None:
            return waiting
        found = self._file.ask("SELECT value FROM meta WHERE key = ?", (key,))
        return str(found[0][0]) if found else None

    def entry(self, entry_id: int) -> Entry | None:
        """One journal entry."""
        found = self._entries("j.id = ?", entry_id)
        return found[0] if found else None

    def journal_after(self, entry_id: int) -> list[Entry]:
        """Entries with ids above `entry_id`, including those that other processes wrote."""
        return self._entries("j.id > ?", entry_id)

    def _entries(self, where: str, value: int) -> list[Entry]:
        found = self._file.ask(
            f"SELECT {rows.ENTRY} FROM journal j WHERE {where} ORDER BY j.id", (value,)
        )
        return [rows.to_entry(row) for row in found]

    def has_notice(self, key: str) -> bool:
        """Whether a notice with this key is on file."""
        return bool(self._file.ask("SELECT 1 FROM notice WHERE key = ?", (key,)))

    def latest_calls(self, alarm: str, limit: int = 1) -> list[Transition]:
        """The newest changes that made an alarm unacknowledged, the newest first, including those
        not on disk yet."""
        waiting = self._backlog.transitions
        found = [
            t
            for t in reversed(waiting.between(waiting.first_pending, waiting.newest))
            if t.alarm == alarm and t.after is State.UNACKNOWLEDGED
        ]
        kept = self._file.ask(
            f"SELECT {rows.TRANSITION} FROM transition WHERE alarm = ? "
            f"AND state_after = '{State.UNACKNOWLEDGED}' ORDER BY seq DESC LIMIT ?",
            (alarm, limit),
        )
        found += [rows.to_transition(row, self._shared.offsets) for row in kept]
        return found[:limit]

    def pending_requests(self) -> list[tuple[int, Request]]:
        """Commands of other processes that have no answer yet, oldest first, a few at a time. It is
        cheap enough to call every second: the table is only read when another process has written
        since."""
        db = self._file.db
        if db is None:
            return []
        try:
            seen = (db, int(db.execute("PRAGMA data_version").fetchone()[0]))
            if seen == self._seen:
                return []
            found, more = requests.open_requests(db, REQUESTS_AT_ONCE)
        except sqlite3.Error:
            return []
        self._seen = None if more else seen
        answered = {number for number, _ in self._backlog.replies}
        return [(number, request) for number, request in found if number not in answered]
