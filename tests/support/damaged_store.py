"""A store with a life behind it, pages that are really damaged, and what must be left of it."""

from __future__ import annotations

import os
import random
import sqlite3
import time
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from stillwell.entry import Entry
from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.ports import Published, Refusal, Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store
from stillwell.store.pages import PageFile

NOON = 1_767_268_800_000
PAGE = 4096
BIG = ("reading", "estimate", "tenmin")
SMALL = ("transition", "notice", "journal", "done", "dead_letter", "cursor", "channel", "epoch")


def live(path: Path, readings: int = 9000) -> None:
    """Fills a store as a daemon does: rows of all kinds, some of them with more text than a page
    holds, the older readings rolled up."""
    store = Store.open(path)
    epoch = store.begin_epoch("boot", Moment(0, NOON), True)
    for start in range(0, readings, 3000):
        store.put(
            [
                Reading(
                    f"water-{n % 3}",
                    _at(n, epoch),
                    float(n) if n % 7 else n + 0.25,
                    Flag.PASS,
                    raw="x" * 9000 if n % 2500 == 17 else "",
                )
                for n in range(start, min(readings, start + 3000))
            ]
        )
        store.commit()
    store.put_estimates(
        [Published("night.rate", NOON + n, "mL/h", n / 3, None, n / 2, "b") for n in range(900)]
    )
    for n in range(120):
        at = _at(n, epoch)
        store.put_transition(
            Transition(
                f"alarm-{n % 5}",
                at,
                State.NORMAL,
                State.UNACKNOWLEDGED,
                "raise",
                Priority.HIGH,
                True,
                Message("Water 24.3 °C."),
                at,
            ),
            [
                Notice(
                    f"key-{n}", f"alarm-{n % 5}", "raised", Priority.HIGH, at, Prose("t", "x" * n)
                )
            ],
        )
        store.put_journal(Entry("pour", NOON + n, 1.2, "L", "y" * (6000 if n == 60 else 40)))
        store.mark_done("review", f"2026-{n % 12 + 1:02}-{n % 28 + 1:02}")
    store.sinks.move_cursor("history", Stream.READINGS, readings // 2)
    store.sinks.move_cursor("phone", Stream.NOTICES, 100, [Refusal(7, "no such topic")])
    store.describe("review plan", "z" * 700)
    store.commit()
    while store.disk.apply_retention(10**15).more:
        pass
    store.close()


def _at(n: int, epoch: int) -> Moment:
    return Moment(n * 20_000, NOON + n * 20_000, epoch)


@cache
def rows_before(path: Path) -> dict[str, list[Any]]:
    """Returns the rows of a file that nobody changes."""
    return rows_of(path)


def rows_of(path: Path, tables: Iterable[str] = (*BIG, *SMALL)) -> dict[str, list[Any]]:
    """Returns the rows that SQLite finds in a sound file."""
    db = sqlite3.connect(path)
    try:
        return {table: db.execute(f"SELECT * FROM {table}").fetchall() for table in tables}
    finally:
        db.close()


@cache
def rows_by_page(path: Path) -> dict[int, dict[str, list[Any]]]:
    """Returns the rows of each page of a sound file that nobody changes, by table."""
    descriptor = os.open(path, os.O_RDONLY)
    file = PageFile(descriptor, None, columns(path))
    *_, survey = file.survey()
    found: dict[int, dict[str, list[Any]]] = {}
    for table, leaves in survey.leaves.items():
        for leaf in leaves:
            found.setdefault(leaf & 0xFFFF_FFFF, {})[table] = file.rows(table, leaf)
    os.close(descriptor)
    return found


def columns(path: Path) -> dict[str, int]:
    db = sqlite3.connect(path)
    try:
        return {
            table: len(db.execute(f"PRAGMA table_info({table})").fetchall())
            for table in (*BIG, *SMALL, "meta", "block")
        }
    finally:
        db.close()


def spoil(path: Path, pages: Iterable[int], seed: int = 1) -> None:
    """Overwrites pages as a failing card does: with data from elsewhere, with zeros, with noise."""
    chance = random.Random(seed)
    with path.open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * PAGE)
            what = chance.choice(("noise", "zeros", "text"))
            noise = chance.randbytes(PAGE) if what == "noise" else b"\0" * PAGE
            file.write(b"\xa5 lost " * (PAGE // 7) if what == "text" else noise)


def bring_over(store: Store, start_ms: int = 1000) -> int:
    """Ticks until nothing is left to be copied over. Returns the time then."""
    at = start_ms
    deadline = time.monotonic() + 120
    while any(one.ended_ms is None for one in store.disk.rescues):
        assert time.monotonic() < deadline, store.disk.rescues
        at += 1000
        store.tick(at)
        time.sleep(0.002)
    return at
