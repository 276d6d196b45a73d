"""Reads an old file on a thread of its own and hands over what can be read, a slice at a time. It
writes nothing: the writer decides what to do with a slice, and the rescue's record says where to
continue after a kill.
"""

from __future__ import annotations

import logging
import os
import queue
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stillwell.store.carry import Blocks
from stillwell.store.pages import Malformed, PageFile, Survey, first_of, page_of
from stillwell.store.rescue import NUMBERED, Rescue

log = logging.getLogger(__name__)

_SLICE_ROWS = 1000
_AHEAD = 8
"""How many slices may wait for the writer; this limits memory and how far the thread runs ahead."""
_LEAST_ROW = 16


@dataclass(frozen=True, slots=True)
class Missing:
    """Numbers of readings that are missing."""

    below: Sequence[Any] | None
    """The row of the reading before them; None when there is none."""
    above: int
    """The number after them."""
    count: int


@dataclass(frozen=True, slots=True)
class Slice:
    table: str
    rows: list[Sequence[Any]]
    """Rows in the columns' order; those of a numbered table sorted by number."""
    reached: int
    bad_pages: int
    """Pages of the whole file that can't be read, as far as is known by now."""
    missing: list[Missing] = field(default_factory=list)
    blocks: Blocks = ()
    """The blocks of the old file."""
    done: bool = False
    """The table is finished."""


class Salvage:
    """The thread that reads one old file.

    Args:
        source: the file; None when only `descriptor` is left of it.
        descriptor: an open descriptor of it, which is closed at the end.
        columns: how many columns each table has.
    """

    def __init__(
        self, source: Path | None, descriptor: int | None, rescue: Rescue, columns: dict[str, int]
    ) -> None:
        self._source = source
        self._descriptor = descriptor
        self._rescue = rescue
        self._columns = columns
        self._slices: queue.Queue[Slice | None] = queue.Queue(_AHEAD)
        self._stop = threading.Event()
        self._bad = 0
        self.ended = False
        """No more slices follow."""
        self.missing = False
        """The old file was not there, or could not be read at all."""
        self._thread = threading.Thread(target=self._run, name="rescue", daemon=True)
        self._thread.start()

    def take(self) -> Slice | None:
        """The next slice, if one is ready."""
        try:
            found = self._slices.get_nowait()
        except queue.Empty:
            return None
        self.ended = self.ended or found is None
        return found

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(5.0)

    def _run(self) -> None:
        try:
            file = self._opened()
        except OSError as error:
            log.error("The damaged store %s can't be read: %s", self._source, error)
            self.missing = True
            self._put(None)
            return
        try:
            for found in self._all(file):
                if not self._put(found):
                    return
            self._put(None)
        except Exception:
            # Whatever a damaged file does to this thread, watching goes on, and the record says how
            # far it came.
            log.exception("the rescue of %s has failed", self._source)
            self.missing = True
            self._put(None)
        finally:
            file.close()
            assert self._descriptor is not None
            os.close(self._descriptor)

    def _opened(self) -> PageFile:
        if self._descriptor is None:
            if self._source is None:
                raise FileNotFoundError("it has been removed")
            self._descriptor = os.open(self._source, os.O_RDONLY | os.O_CLOEXEC)
        source = self._source
        beside = None if source is None else source.with_name(source.name + "-wal")
        return PageFile(self._descriptor, beside, self._columns)

    def _put(self, found: Slice | None) -> bool:
        while not self._stop.is_set():
            try:
                self._slices.put(found, timeout=0.5)
            except queue.Full:
                continue
            return True
        return False

    def _all(self, file: PageFile) -> Iterator[Slice]:
        survey = Survey()
        for found in file.survey():
            survey = found
            if self._stop.is_set():
                return
        self._bad = survey.bad
        blocks = self._blocks(file, survey)
        for table in self._rescue.order:
            if table in NUMBERED:
                yield from self._numbered(file, survey, table, blocks)
            else:
                yield from self._by_page(file, survey, table)

    def _blocks(self, file: PageFile, survey: Survey) -> Blocks:
        found = [
            row for leaf in survey.by_page("block") for row in self._rows(file, "block", leaf) or ()
        ]
        return sorted((row[0], row[1], row[6]) for row in found)

    def _rows(self, file: PageFile, table: str, leaf: int) -> list[tuple[Any, ...]] | None:
        try:
            return file.rows(table, leaf)
        except Malformed:
            self._bad += 1
            return None

    def _numbered(
        self, file: PageFile, survey: Survey, table: str, blocks: Blocks
    ) -> Iterator[Slice]:
        """Slices from the newest row down, so that sinks that are nearly up to date wait only a
        moment."""
        frontier = self._rescue.frontier(table)
        floor = self._rescue.floors.get(table, 0)
        parts: list[list[tuple[Any, ...]]] = []
        missing: list[Missing] = []

        def cut(done: bool) -> Slice:
            rows = [row for part in reversed(parts) for row in part]
            found = Slice(table, list(rows), frontier, self._bad, list(missing), blocks, done)
            parts.clear()
            missing.clear()
            return found

        for leaf in survey.newest_first(table):
            if first_of(leaf) >= frontier:
                continue
            rows = self._rows(file, table, leaf)
            rows = [row for row in rows or () if floor < row[0] < frontier]
            if not rows:
                continue
            self._look_for_gap(missing, rows[-1], rows[-1][0], frontier, file)
            parts.append(rows)
            frontier = rows[0][0]
            if sum(map(len, parts)) >= _SLICE_ROWS:
                yield cut(done=False)
        if table == "reading" and blocks and floor < blocks[0][0]:
            self._look_for_gap(missing, None, blocks[0][0] - 1, frontier, file)
        yield cut(done=True)

    def _look_for_gap(
        self,
        missing: list[Missing],
        below: Sequence[Any] | None,
        last: int,
        frontier: int,
        file: PageFile,
    ) -> None:
        count = frontier - last - 1
        # Some numbers may never have been used: the damage accounts for at most as many as its
        # pages can hold.
        if 0 < count <= self._bad * file.size // _LEAST_ROW:
            missing.append(Missing(below, frontier, count))

    def _by_page(self, file: PageFile, survey: Survey, table: str) -> Iterator[Slice]:
        reached = self._rescue.reached.get(table, 0)
        rows: list[Sequence[Any]] = []
        for leaf in survey.by_page(table):
            if page_of(leaf) <= reached:
                continue
            rows += self._rows(file, table, leaf) or ()
            if len(rows) >= _SLICE_ROWS:
                yield Slice(table, rows, page_of(leaf), self._bad)
                rows = []
        yield Slice(table, rows, self._rescue.reached.get(table, 0), self._bad, done=True)
