"""The store: one SQLite file that is the truth, and the only queue between measuring and sending.

`Store` writes (one process, one thread), `Tail` is what sinks follow inside that process,
`StoreReader` reads from anywhere, `ask` and `note` leave something for the daemon from another
process.
"""

from stillwell.entry import STRUCK, Entry
from stillwell.store.backlog import DeadLetter
from stillwell.store.errors import (
    NotRunning,
    StoreBusy,
    StoreDamaged,
    StoreError,
    StoreForeign,
    StoreMissing,
    StoreTooNew,
    Words,
)
from stillwell.store.export import (
    chosen,
    export_csv,
    export_journal,
    export_parquet,
    export_trace,
)
from stillwell.store.lock import is_held, moved_ms
from stillwell.store.reader import Channel, Cursor, StoreReader
from stillwell.store.requests import ask, ask_by_link, await_reply, note, note_all, revive
from stillwell.store.rescue import Cause, Gap, Rescue
from stillwell.store.retention import Kept
from stillwell.store.tail import Tail
from stillwell.store.ten_minutes import TenMinutes
from stillwell.store.writer import Store
