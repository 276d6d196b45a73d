"""The clock of one run: moments in its epochs, each of which the store knows, and the alarm about a
clock that was set to another time."""

from __future__ import annotations

import logging
from datetime import datetime
from zoneinfo import ZoneInfo

from stillwell.acquire.epoch import Change, Clockface, first, look
from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.house import ClockStepped
from stillwell.finding import Finding, Over
from stillwell.reading import Moment
from stillwell.store import Store

log = logging.getLogger(__name__)

STEP_WORTH_TELLING_MS = 120_000
"""A trusted clock that is stepped by less than this is nobody's business."""

STEP_TOLD_FOR_MS = 15 * 60_000
"""How long the alarm about a stepped clock stands: there is nothing to mend, only to know."""


class RunClock:
    """Owned by the pipeline's thread. `zone`: IANA name of the tank's."""

    def __init__(self, store: Store, zone: str) -> None:
        self._store = store
        self._zone = ZoneInfo(zone)
        self._boot_id = ""
        self._face = Clockface(0, False)
        self._epoch = 0
        self._stepped_at_ms: int | None = None

    @property
    def trusted(self) -> bool:
        return self._face.trusted

    def begin(self, boot_id: str, mono_ms: int, wall_ms: int, trusted: bool) -> Moment:
        """Begins the first epoch of the run; returns its beginning."""
        self._boot_id = boot_id
        self._face = first(mono_ms, wall_ms, trusted)
        self._open_epoch(mono_ms)
        if trusted:
            self._store.rebase(boot_id, self._face.offset_ms)
        return self.moment(mono_ms)

    def moment(self, mono_ms: int) -> Moment:
        return Moment(mono_ms, mono_ms + self._face.offset_ms, self._epoch)

    def look(self, mono_ms: int, wall_ms: int, trusted: bool) -> tuple[Change, Finding | None]:
        """Begins a new epoch when the wall clock has been stepped or has become trustworthy.
        Returns what changed, and what is to be said of it."""
        was = self._face
        self._face, change = look(was, mono_ms, wall_ms, trusted)
        if change is Change.NONE:
            if self._stepped_at_ms is None or mono_ms - self._stepped_at_ms <= STEP_TOLD_FOR_MS:
                return change, None
            self._stepped_at_ms = None
            return change, steady()
        self._open_epoch(mono_ms)
        if change is Change.TRUSTED:
            self._store.rebase(self._boot_id, self._face.offset_ms)
            log.info("The clock is set. What was read since the start goes by it now.")
        by_ms = self._face.offset_ms - was.offset_ms
        if not was.trusted or abs(by_ms) < STEP_WORTH_TELLING_MS:
            return change, None
        self._stepped_at_ms = mono_ms
        return change, _stepped(by_ms)

    def _open_epoch(self, mono_ms: int) -> None:
        provisional = Moment(mono_ms, mono_ms + self._face.offset_ms, 0)
        self._epoch = self._store.begin_epoch(self._boot_id, provisional, self._face.trusted)

    def local(self, utc_ms: int) -> datetime:
        """The tank's local time."""
        return datetime.fromtimestamp(utc_ms / 1000, self._zone)


def steady() -> Finding:
    """Returns the end of the alarm."""
    return Finding("clock.stepped", False, priority_of("clock.stepped"), Over())


def _stepped(by_ms: int) -> Finding:
    return Finding("clock.stepped", True, priority_of("clock.stepped"), ClockStepped(by_ms))
