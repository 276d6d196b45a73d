"""The child of the kill test: opens a damaged store and lives on it until all is brought over."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from stillwell.entry import Entry
from stillwell.reading import Moment
from stillwell.store import Store


def main(path: Path) -> None:
    print("begins", flush=True)
    store = Store.open(path)
    store.begin_epoch(str(time.time_ns()), Moment(0, 1_900_000_000_000), True)
    store.put_journal(Entry("pour", time.time_ns() // 1_000_000, 1.0, "L", "of a later life"))
    mono = 1000
    while store.trouble is None and any(one.ended_ms is None for one in store.disk.rescues):
        mono += 1000
        store.tick(mono)
    print(store.trouble or "ended", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
