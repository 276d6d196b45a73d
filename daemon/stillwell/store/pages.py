"""Reads rows out of a damaged database page by page, without SQLite: each undamaged page yields its
rows, even if the pages that lead to it are damaged.

The format is that of https://www.sqlite.org/fileformat2.html, sections 1.2 (header), 1.5 (free
pages), 1.6 (b-tree pages), 2.1 (records) and 4.1 (write-ahead log). SQLite keeps no checksum of a
page, so a page counts as undamaged when every one of its cells has the form of a row.
"""

from __future__ import annotations

import contextlib
import os
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

MAGIC = b"SQLite format 3\0"
USUAL_SIZE = 4096
"""Bytes of a page, for a file whose header can't be read: SQLite's own default, which our files
have."""

_INDEX_INTERIOR, _TABLE_INTERIOR, _INDEX_LEAF, _TABLE_LEAF = 2, 5, 10, 13
_INTS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
_CODE = {type(None): "n", int: "i", float: "f", str: "t", bytes: "b"}

_SHAPES = {
    _TABLE_LEAF: {
        "channel": re.compile(r"nttt[nift]*"),
        "epoch": re.compile(r"ntiii[nift]*"),
        "reading": re.compile(r"niii[nif]i[nt][nt][nift]*"),
        "block": re.compile(r"niiiiii[nift]*"),
        "transition": re.compile(r"ntiittttitttti[ni]iti[nift]*"),
        "notice": re.compile(r"nttttiitt[nift]*"),
        "estimate": re.compile(r"ntit[nif][nif][nif]t[nift]*"),
        "dead_letter": re.compile(r"nttitii[nift]*"),
        "journal": re.compile(r"ntiit[nif]ttt[ni][nift]*"),
    },
    _INDEX_LEAF: {
        "tenmin": re.compile(r"iiii[nif][nif][nif][nift]*"),
        "cursor": re.compile(r"tti[nift]*"),
        "done": re.compile(r"tt[nift]*"),
        "meta": re.compile(r"tt[nift]*"),
    },
}
"""What a row of each table looks like on a page, one letter per column: null, int, float, text. A
whole real number is stored as an int; the row's number stands before the row, and its column is
null. Columns that later migrations added may follow. `alarm` is left out: its rows look like those
of an index, and it can be made again from the transitions."""

_DATE = re.compile(r"\d{4}-\d\d-\d\d")

Row = tuple[Any, ...]


class Malformed(Exception):  # noqa: N818
    """A page or a record does not have the form that it should."""


@dataclass(slots=True)
class Survey:
    """The result of looking at every page."""

    leaves: dict[str, list[int]] = field(default_factory=dict)
    """The pages with rows of each table, each packed into one int as `leaf_of` does, because there
    may be hundreds of thousands."""
    bad: int = 0
    """Number of pages that are no page of a database, or that the file should have but lacks."""

    def newest_first(self, table: str) -> list[int]:
        """The pages of a table, those with the highest row numbers first."""
        return sorted(self.leaves.get(table, ()), reverse=True)

    def by_page(self, table: str) -> list[int]:
        """The pages of a table in their order in the file."""
        return sorted(self.leaves.get(table, ()), key=page_of)


def page_of(leaf: int) -> int:
    """The page number of a leaf."""
    return leaf & 0xFFFF_FFFF


def first_of(leaf: int) -> int:
    """The number of a leaf's first row; 0 where rows have none."""
    return leaf >> 32


class PageFile:
    """A database and the log beside it, for reading. Memory holds one page, and where the log has
    newer ones.

    Args:
        file: an open descriptor of the database, which the caller closes.
        log: the path of its write-ahead log, if there is one.
        columns: how many columns each table may have.
    """

    def __init__(self, file: int, log: Path | None, columns: dict[str, int]) -> None:
        self._file = file
        self._columns = columns
        self._log = -1
        self._newer: dict[int, int] = {}
        if log is not None and log.exists():
            self._log = os.open(log, os.O_RDONLY | os.O_CLOEXEC)
        header = self._read(file, 0, 100)
        told = header[16:18] if header[:16] == MAGIC else self._read(self._log, 8, 4)
        size = int.from_bytes(told, "big")
        size = 65_536 if size == 1 else size
        self.size = size if size in {1 << bit for bit in range(9, 17)} else USUAL_SIZE
        self._usable = self.size
        self._look_through_log()
        self.bytes = os.fstat(file).st_size + self.size * len(self._newer)
        there = -(-os.fstat(file).st_size // self.size)
        self.count = max(there, max(self._newer, default=0))
        page = self.page(1)
        pages = int.from_bytes(page[28:32], "big") if page[:16] == MAGIC else 0
        # A damaged header may claim any number of pages: more than 64 times those that the file has
        # are not believed.
        self.missing = max(0, pages - self.count) if pages <= 64 * max(self.count, 64) else 0

    def close(self) -> None:
        if self._log >= 0:
            os.close(self._log)

    def page(self, number: int) -> bytes:
        """The newest committed version of a page; short or empty beyond the file's end."""
        at = self._newer.get(number)
        if at is not None:
            return self._read(self._log, at, self.size)
        return self._read(self._file, (number - 1) * self.size, self.size)

    def survey(self) -> Iterator[Survey]:
        """Looks at every page; yields what it has found so far now and then, and at the end."""
        found = Survey(bad=self.missing)
        free = self._free()
        chained: set[int] = set()
        odd: list[int] = []
        for number in range(2, self.count + 1):
            if number % 256 == 0:
                yield found
            if number in free:
                continue
            page = self.page(number)
            try:
                table, first = self._looked_at(page, chained)
            except Malformed:
                odd.append(number)
            else:
                if table:
                    found.leaves.setdefault(table, []).append(first << 32 | number)
        found.bad += sum(number not in chained for number in odd)
        yield found

    def rows(self, table: str, leaf: int) -> list[Row]:
        """The rows of a table's page, in the columns' order, with their numbers in place. Raises
        `Malformed` when the page is damaged. Leaves out a row whose text continues in another page
        that can't be read."""
        page = self.page(page_of(leaf))
        found = []
        before = None
        for rowid, payload, chained in self._cells(page):
            row = None if payload is None else _decoded(payload, forgiving=chained)
            if row is None:
                continue
            if self._table(page[0], row) != table:
                raise Malformed
            if rowid is not None:
                if before is not None and rowid <= before:
                    raise Malformed
                before = rowid
                row = (rowid, *row[1:])
            found.append(row)
        return found

    # -- pages

    @staticmethod
    def _read(file: int, at: int, size: int) -> bytes:
        try:
            return os.pread(file, size, at)
        except OSError:  # a card that fails in one place
            return b""

    def _look_through_log(self) -> None:
        header = self._read(self._log, 0, 32)
        if len(header) < 32 or int.from_bytes(header[8:12], "big") != self.size:
            return
        salt = header[16:24]
        at = 32
        waiting: dict[int, int] = {}
        while len(frame := self._read(self._log, at, 24)) == 24 and frame[8:16] == salt:
            number, commit = struct.unpack(">II", frame[:8])
            waiting[number] = at + 24
            if commit:
                self._newer |= waiting
                waiting = {}
            at += 24 + self.size

    def _free(self) -> set[int]:
        """Pages that hold deleted rows, as far as the list of them can be read."""
        free: set[int] = set()
        page = self.page(1)
        trunk = int.from_bytes(page[32:36], "big") if page[:16] == MAGIC else 0
        while 0 < trunk <= self.count and trunk not in free:
            free.add(trunk)
            page = self.page(trunk)
            if len(page) < self.size:
                break
            trunk, count = struct.unpack(">II", page[:8])
            if count > self.size // 4 - 2:
                break
            free.update(struct.unpack(f">{count}I", page[8 : 8 + 4 * count]))
        return free

    def _looked_at(self, page: bytes, chained: set[int]) -> tuple[str, int]:
        """The table whose rows a page holds, and the number of the first row. Raises
        `Malformed`."""
        kind = page[0] if len(page) == self.size else 0
        if kind == _TABLE_INTERIOR:
            return "", 0
        table: str | None = None
        first = None
        for rowid, payload, goes_on in self._cells(page, chained):
            first = (rowid or 0) if first is None else first
            if table is None and payload is not None:
                row = _decoded(payload, forgiving=goes_on)
                table = None if row is None else self._table(kind, row)
        if first is not None and first < 0:
            raise Malformed
        return table or "", first or 0

    def _table(self, kind: int, row: Row) -> str:
        """The table of a row; empty for an index, and for tables that are not carried over."""
        kind = _INDEX_LEAF if kind == _INDEX_INTERIOR else kind
        letters = "".join([_CODE[type(value)] for value in row])
        for table, shape in _SHAPES[kind].items():
            if len(row) <= self._columns.get(table, 0) and shape.fullmatch(letters):
                if table == "done" and not _DATE.fullmatch(row[1]):
                    continue
                return table
        return ""

    def _cells(
        self, page: bytes, chained: set[int] | None = None
    ) -> Iterator[tuple[int | None, bytes | None, bool]]:
        """For each cell: its number, its record (None if unreadable), and whether it continues in
        other pages. Raises `Malformed`."""
        kind = page[0] if len(page) == self.size else 0
        if kind not in (_TABLE_LEAF, _INDEX_LEAF, _INDEX_INTERIOR):
            raise Malformed
        start = 12 if kind == _INDEX_INTERIOR else 8
        count = page[3] << 8 | page[4]
        if start + 2 * count > self._usable:
            raise Malformed
        try:
            for cell in struct.unpack_from(f">{count}H", page, start):
                if cell < start + 2 * count:
                    raise Malformed
                length, at = _varint(page, cell + 4 if kind == _INDEX_INTERIOR else cell)
                rowid = None
                if kind == _TABLE_LEAF:
                    rowid, at = _varint(page, at)
                    rowid -= (rowid >> 63) << 64
                yield rowid, *self._payload(page, at, length, kind, chained)
        except (IndexError, struct.error):
            raise Malformed from None

    def _payload(
        self, page: bytes, at: int, length: int, kind: int, chained: set[int] | None
    ) -> tuple[bytes | None, bool]:
        room = self._usable
        most = room - 35 if kind == _TABLE_LEAF else (room - 12) * 64 // 255 - 23
        if length <= most:
            if at + length > room:
                raise Malformed
            return page[at : at + length], False
        least = (room - 12) * 32 // 255 - 23
        here = least + (length - least) % (room - 4)
        here = here if here <= most else least
        if at + here + 4 > room or length > self.count * room:
            raise Malformed
        parts = [page[at : at + here]]
        number = int.from_bytes(page[at + here : at + here + 4], "big")
        left = length - here
        while left > 0:
            if chained is not None:
                chained.add(number)
            if not 1 < number <= self.count or len(more := self.page(number)) < self.size:
                return None, True
            parts.append(more[4 : 4 + min(left, room - 4)])
            left -= room - 4
            number = int.from_bytes(more[:4], "big")
        return b"".join(parts), True


@contextlib.contextmanager
def opened(path: Path, log: Path | None, columns: dict[str, int]) -> Iterator[PageFile]:
    """A file for reading page by page. Raises OSError."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    file = PageFile(descriptor, log, columns)
    try:
        yield file
    finally:
        file.close()
        os.close(descriptor)


def _varint(data: bytes, at: int) -> tuple[int, int]:
    byte = data[at]
    if byte < 0x80:
        return byte, at + 1
    value = byte & 0x7F
    for step in range(1, 8):
        byte = data[at + step]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + step + 1
    return value << 8 | data[at + 8], at + 9


def _decoded(payload: bytes, *, forgiving: bool) -> Row | None:
    """The values of a record. A malformed one raises `Malformed`, or gives None if `forgiving`,
    because a record that continues in other pages says nothing about this page."""
    try:
        return _values(payload)
    except (Malformed, IndexError, struct.error, UnicodeDecodeError):
        if forgiving:
            return None
        raise Malformed from None


def _values(payload: bytes) -> Row:
    header, at = _varint(payload, 0)
    body = header
    values: list[Any] = []
    while at < header:
        serial = payload[at]
        if serial < 0x80:
            at += 1
        else:
            serial, at = _varint(payload, at)
        if serial >= 12:
            size = (serial - 12) >> 1
            raw = payload[body : body + size]
            values.append(raw.decode() if serial & 1 else raw)
        elif serial in _INTS:
            size = _INTS[serial]
            values.append(int.from_bytes(payload[body : body + size], "big", signed=True))
        elif serial == 7:
            size = 8
            values.append(struct.unpack_from(">d", payload, body)[0])
        elif serial in (0, 8, 9):
            size = 0
            values.append(None if serial == 0 else serial - 8)
        else:
            raise Malformed
        body += size
    if at != header or body != len(payload):
        raise Malformed
    return tuple(values)
