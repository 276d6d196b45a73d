"""Wakes the calendar. APScheduler does the waiting; `stillwell.calendar` decides what is due.

APScheduler trusts the wall clock. With a repeating trigger, a clock that is stepped a year forward
makes it work out every run that it missed (measured: 525,601 of them, 8 s). So each run is a job of
its own with a date, and adds the next one: a step forward costs at most one missed run. A step
backward would leave that date far in the future; `again` drops it and adds a new one, and is called
whenever the clock was stepped.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from apscheduler.schedulers.background import BackgroundScheduler

log = logging.getLogger(__name__)


class Almanac:
    """Calls `look` every `every_s` seconds in a thread of its own; when `look` raises, that is
    logged and the next call comes all the same."""

    def __init__(self, look: Callable[[], None], every_s: float = 60.0) -> None:
        self._look = look
        self._every = timedelta(seconds=every_s)
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        self.progress = 0

    def start(self) -> None:
        self._scheduler.start()
        self.again()

    def stop(self) -> None:
        self._scheduler.shutdown(wait=False)

    def again(self) -> None:
        """Drops the planned run and plans a new one from the present clock. Safe from any
        thread."""
        self._scheduler.add_job(
            self._run,
            "date",
            run_date=datetime.now(UTC) + self._every,
            id="look",
            replace_existing=True,
        )

    def _run(self) -> None:
        try:
            self._look()
        except Exception:
            log.exception("the calendar could not be looked at")
        self.progress += 1
        if self._scheduler.running:
            self.again()
