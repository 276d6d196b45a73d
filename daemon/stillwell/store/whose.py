"""Checks whether the file at a store's path is a stillwell store, also where it is damaged. Any
other file belongs to somebody: it is refused before anything is changed in it or made beside it.

A damaged store is recognised by what is left of it: our mark in its header or in the log beside it,
pages with rows of our shape, or our lock beside it, which is only there where a store has been
opened before.
"""

from __future__ import annotations

import os
import sqlite3
import stat
from contextlib import closing, suppress
from itertools import islice
from pathlib import Path
from urllib.parse import quote

from stillwell.store.errors import StoreDamaged, StoreForeign
from stillwell.store.lock import lock_path
from stillwell.store.migrate import APPLICATION_ID, migrate, widths
from stillwell.store.pages import MAGIC, PageFile, opened

_TELLING = {"reading", "transition", "notice", "estimate", "dead_letter", "journal"}
"""Tables whose rows look like those of no other program."""
_LOOKS = 64
"""How many places are looked at, of a megabyte each: ninety days of seven channels fit in them."""


def check(path: Path) -> None:
    """Checks a store's file before SQLite opens it.

    A missing file, an empty one and one that can't be looked at pass: whoever opens it then says
    what is wrong. So does a damaged file that was ours. Raises `StoreForeign` when it is somebody
    else's, and `StoreDamaged` for an emptied file whose log is left, which SQLite would remove
    unread.
    """
    try:
        found = path.stat()
    except OSError:
        return
    if stat.S_ISDIR(found.st_mode):
        return
    if not stat.S_ISREG(found.st_mode):
        raise _foreign(path, "is no plain file")
    try:
        mark, tables = _as_sqlite(path)
    except sqlite3.Error:
        with suppress(OSError):
            if not _was_ours(path):
                raise _foreign(path, "is not a store of stillwell") from None
        return
    if not mark and not tables:  # everything may be in its log
        with suppress(OSError):
            mark, tables = _in_log(path)
    if mark != APPLICATION_ID and (mark or tables):
        raise _foreign(path, "is a database of another program")
    if mark and not found.st_size:
        raise StoreDamaged(
            f"The store {path} has been emptied; a part of it is left in {path.name}-wal.",
            "Start the daemon: it keeps what is left.",
        )


def _foreign(path: Path, what: str) -> StoreForeign:
    return StoreForeign(
        f"{path} {what}. It is left as it is.",
        "Give another path for the store as `[store] path`.",
    )


def _as_sqlite(path: Path) -> tuple[int, int]:
    """The mark and the number of tables, without the log. SQLite reads them, because opening and
    closing the file here would end the locks that SQLite has on it in this process (fcntl(2)). It
    reads the file as immutable, because it would otherwise make files beside it."""
    uri = "file:" + quote(str(path.absolute())) + "?mode=ro&immutable=1"
    with closing(sqlite3.connect(uri, uri=True)) as db:
        (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        (mark,) = db.execute("PRAGMA application_id").fetchone()
        return int(mark), int(tables)


def _in_log(path: Path) -> tuple[int, int]:
    """The same from the log alone."""
    with opened(Path(os.devnull), path.with_name(path.name + "-wal"), {}) as log:
        return _mark(log)


def _mark(file: PageFile) -> tuple[int, int]:
    # https://www.sqlite.org/fileformat2.html, 1.3.19: the mark; 1.6: how many cells the page has.
    page = file.page(1)
    if page[:16] != MAGIC:
        return 0, 0
    return int.from_bytes(page[68:72], "big", signed=True), int.from_bytes(page[103:105], "big")


def _was_ours(path: Path) -> bool:
    """Whether a file that SQLite can't read is the rest of a store. Raises OSError."""
    if lock_path(path).exists():
        return True
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as pattern:
        migrate(pattern, "")
        columns = widths(pattern)
    with opened(path, path.with_name(path.name + "-wal"), columns) as file:
        return _mark(file)[0] == APPLICATION_ID or any(
            _TELLING & survey.leaves.keys() for survey in islice(file.survey(), _LOOKS)
        )
