"""What the store holds about one tank at one moment, for every screen of the page."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from stillwell.cli.today import now_of
from stillwell.cli.watch_line import kept_plan, look, words
from stillwell.observe.plan import BOOK, BOOK_KEY, BookPlan
from stillwell.page.place import Tank
from stillwell.page.site import now_ms
from stillwell.review_plan import ReviewPlan
from stillwell.store import StoreError, StoreReader
from stillwell.watching import Watching


@dataclass(frozen=True, slots=True)
class Seen:
    """A tank with its store open."""

    tank: Tank
    reader: StoreReader
    plan: ReviewPlan
    book: BookPlan
    watching: Watching
    now_ms: int

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.plan.zone)

    @property
    def line(self) -> str:
        """Returns the line that says whether anybody watches."""
        return words(self.watching, self.zone)


@contextmanager
def seen(tank: Tank) -> Iterator[Seen]:
    """Opens a tank's store for reading. Raises `StoreError`."""
    with StoreReader.open(tank.store) as reader:
        plan, book = kept_plan(reader), BOOK.known(reader.described(BOOK_KEY))
        if plan is None or book is None:
            raise StoreError(
                "The store says nothing of its tank yet.",
                "Start the daemon once: sudo systemctl restart stillwell",
            )
        watching = look(reader)
        shown_ms = now_of(reader) if reader.newest_ms() is not None else now_ms()
        yield Seen(tank, reader, plan, book, watching, shown_ms)
