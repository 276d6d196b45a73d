"""What the calendar's look does: makes the morning's review when it is due. Runs in the calendar's
own thread with a reader of its own, so that neither the pipeline nor an alarm waits for it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

from stillwell.calendar import Job, due
from stillwell.morning import ReviewPlan, notice_of, review_of
from stillwell.ports import Clock
from stillwell.reading import Moment
from stillwell.store import StoreReader
from stillwell.supervise.inbox import Announced

REVIEW = "review"
GRACE = dt.timedelta(hours=20)
"""A morning without power is caught up until late in the evening, then the next night is nearer."""


class CalendarLook:
    """Called now and then; hands what is due to `hand_over` and lets the pipeline tick it off.

    Args:
        store: the file to read.
        plan: what a review looks at.
        review_at: local time of day.
        clock: the daemon's.
        hand_over: takes the notice with its job and local date.
    """

    def __init__(
        self,
        store: Path,
        plan: ReviewPlan,
        review_at: dt.time,
        clock: Clock,
        hand_over: Callable[[Announced], None],
    ) -> None:
        self._store = store
        self._plan = plan
        self._zone = ZoneInfo(plan.zone)
        self._jobs = (Job(REVIEW, review_at, GRACE),)
        self._clock = clock
        self._hand_over = hand_over

    def __call__(self) -> None:
        """Looks once. A clock that nobody has set yet decides nothing: at boot it may stand in
        1970."""
        if not self._clock.trusted():
            return
        now = Moment(self._clock.monotonic_ns() // 1_000_000, self._clock.wall_ms())
        reader = StoreReader.open(self._store)
        try:
            for job in due(now.utc_ms, self._zone, self._jobs, reader.done()):
                night = self._plan.last(job.scheduled_utc_ms)[-1]
                review = review_of(reader, self._plan, night)
                self._hand_over(
                    Announced(
                        notice_of(review, self._plan, now), job.job.name, job.local_date.isoformat()
                    )
                )
        finally:
            reader.close()
