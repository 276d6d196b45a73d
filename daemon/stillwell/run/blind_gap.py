"""For how long nothing was measured before a run: said once, as soon as both times are known."""

from __future__ import annotations

from collections.abc import Sequence

from stillwell.alarm.annunciate.escalation import blind
from stillwell.notice import Notice
from stillwell.reading import Moment, Reading
from stillwell.run.clock import RunClock
from stillwell.store import Store

BLIND_FROM_MS = 10 * 60_000
"""A shorter time without readings across a start (an update, a power cut that came and went) is not
told."""


class BlindGap:
    """Of one run."""

    def __init__(self, store: Store, clock: RunClock) -> None:
        self._store = store
        self._clock = clock
        self._last: Moment | None = None
        """The newest reading of earlier runs, until it is known how long ago that was."""
        self._first: Moment | None = None

    def begin(self) -> None:
        """Before the first reading of the run."""
        rows = sorted(self._store.tail.latest_readings(), key=lambda row: -row.seq)
        kept = (row.body for row in rows if isinstance(row.body, Reading))
        self._last = next((reading.moment for reading in kept if reading.value is not None), None)

    def see(self, readings: Sequence[Reading]) -> Notice | None:
        """Takes the readings of this run, and once returns what there is to say."""
        last = self._last
        if last is None:
            return None
        if self._first is None:
            self._first = next((r.moment for r in readings if r.value is not None), None)
        if self._first is None or not self._clock.trusted:
            return None
        self._last = None
        from_ms, to_ms = self._store.utc_ms(last), self._store.utc_ms(self._first)
        if from_ms is None or to_ms is None:
            return None
        gone_ms = self._store.passed_ms(last, self._first)
        if (abs(to_ms - from_ms) if gone_ms is None else gone_ms) < BLIND_FROM_MS:
            return None
        after = self._first._replace(utc_ms=to_ms)
        return blind(last, after, gone_ms, to_ms - (gone_ms or 0))
