"""The alarms about the store itself: a disk that takes nothing, and a file that was damaged or
removed. Readings that find no disk wait in memory; watching and warning go on."""

from __future__ import annotations

from collections.abc import Iterator

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.house import StoreFailing
from stillwell.finding import Finding, Over
from stillwell.notice import Message
from stillwell.store import Store, Words, rescue_words


class StoreTrouble:
    """Of one run. `zone`: IANA name of the tank's."""

    def __init__(self, store: Store, zone: str) -> None:
        self._store = store
        self._zone = zone
        self._failing: Words | None = Words("", "")  # not known before the first look
        self._mishaps: tuple[int, bool] | None = None
        """How many have befallen the file, and whether one is still being mended: as it was last
        told."""

    def look(self) -> Iterator[Finding]:
        """Returns what has changed since the last look."""
        yield from self._of_the_file()
        failing = self._store.failing
        if failing == self._failing:
            return
        self._failing = failing
        lost = self._store.backlog_lost
        facts = StoreFailing(failing.what, failing.do, lost) if failing else Over()
        yield Finding("store.failing", failing is not None, priority_of("store.failing"), facts)

    def _of_the_file(self) -> Iterator[Finding]:
        """What has become of a file that was damaged or removed: that it is being mended, and what
        was kept of it in the end."""
        rescues = self._store.disk.rescues
        under_way = next((one for one in rescues if one.ended_ms is None), None)
        told, self._mishaps = self._mishaps, (self._store.disk.mishaps, under_way is not None)
        if told == self._mishaps or not rescues:
            return
        if under_way is not None or self._store.disk.mishaps > (told[0] if told else 0):
            yield _damaged(True, rescue_words.going_on(under_way or rescues[0]))
        if under_way is None:
            yield _damaged(False, rescue_words.ended(rescues[0], self._zone))


def _damaged(active: bool, words: Words) -> Finding:
    message = Message(words.what, do=words.do)
    return Finding("store.damaged", active, priority_of("store.damaged"), message)
