"""What `today` costs on five years of a keeper's book, against one month of it.

Prints the time of the store's read and of the reckoning, and their ratio: the cost is not to grow
with the years. Run it: .venv/bin/python tests/bench/bench_today.py
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from stillwell.entry import Entry
from stillwell.keeper.gathered import facts_of
from stillwell.keeper.reminders import tasks
from stillwell.observe.plan import BookPlan
from stillwell.ports import Published
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store, StoreReader

DAY = 86_400_000
END = 1_770_000_000_000
PLAN = BookPlan(68_000.0, "Europe/Dublin")
NAMES = ("level.now", "level.rate", "level.to-mark", "level.reserve")


def written(path: Path, days: int) -> None:
    """A pour a day, a check and a change a week, four estimates an hour."""
    store = Store.open(path, bulk=True)
    start = END - days * DAY
    store.begin_epoch("bench", Moment(0, start), trusted=True)
    for at in (0, days * DAY):
        store.put([Reading("water-a", Moment(at, start + at, 1), 25.3, Flag.PASS)])
    for day in range(days):
        at = start + day * DAY
        store.put_journal(Entry("pour", at, 540.0, "mL"))
        if day % 7 == 0:
            store.put_journal(Entry("salinity", at, 35.0, "ppt"))
            store.put_journal(Entry("water-change", at, 10_000.0, "mL at 35 ppt"))
        for hour in range(24):
            when = at + hour * 3_600_000
            store.put_estimates([Published(n, when, "mL", 10.0, -50.0, 70.0, "") for n in NAMES])
    store.commit()
    store.close()


def cost_s(path: Path) -> float:
    """Returns the best of five."""
    best = float("inf")
    for _ in range(5):
        begun = time.perf_counter()
        with StoreReader.open(path) as reader:
            facts = facts_of(reader, PLAN, END)
        tasks(facts, PLAN, END)
        best = min(best, time.perf_counter() - begun)
    return best


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        costs = {}
        for days in (30, 180, 5 * 365):
            path = Path(folder) / f"{days}.db"
            written(path, days)
            costs[days] = cost_s(path)
            print(f"{days:5} days: {1000 * costs[days]:7.1f} ms")
    print(f"five years against half a year: {costs[5 * 365] / costs[180]:.2f}")


if __name__ == "__main__":
    main()
