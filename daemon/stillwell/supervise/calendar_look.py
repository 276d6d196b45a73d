"""One look of the calendar: makes the morning's review when it is due, and reminds the keeper of
what is to be done by hand. It runs in the calendar's own thread with its own store reader, so that
neither the pipeline nor an alarm waits for it."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Callable, Container, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from stillwell.calendar import Night, due
from stillwell.keeper.gathered import facts_of, since_of
from stillwell.keeper.reminders import Task
from stillwell.keeper.reminders import due as due_tasks
from stillwell.morning import notice_of, review_of
from stillwell.notice import EitherProse, Notice, Priority, Prose
from stillwell.observe.plan import BookPlan
from stillwell.ports import Clock
from stillwell.reading import Moment
from stillwell.review_plan import ReviewPlan
from stillwell.store import StoreDamaged, StoreError, StoreReader
from stillwell.supervise.clock_word import ClockWord
from stillwell.supervise.inbox import Announced
from stillwell.units import System

log = logging.getLogger(__name__)

REVIEW = "review"
SYSTEMS = (System.METRIC, System.US)
REMIND_EVERY_MS = 10 * 60_000
"""How often the calendar checks what is to be done by hand."""
GRACE = dt.timedelta(hours=20)
"""How long a missed review is caught up: after a morning without power until late in the evening,
when the next night is nearer."""


class CalendarLook:
    """Called now and then; hands over what is due, and the pipeline ticks it off.

    Args:
        store: the file to read.
        plan: what a review looks at.
        review_at: local time of day.
        clock: the daemon's.
        hand_over: takes the notice with its job and local date.
        book: the keeper's work; without it nobody is reminded.
        not_before_utc_ms: a clock that says an earlier time is certainly wrong.
        draw: draws the night that began on a date, before its review is sent.
        suspect: called when a part of the store can't be read.
    """

    def __init__(
        self,
        store: Path,
        plan: ReviewPlan,
        review_at: dt.time,
        clock: Clock,
        hand_over: Callable[[Announced], None],
        book: BookPlan | None = None,
        not_before_utc_ms: int = 0,
        draw: Callable[[dt.date], None] = lambda evening: None,
        suspect: Callable[[], None] = lambda: None,
    ) -> None:
        self._store = store
        self._plan = plan
        self._zone = ZoneInfo(plan.zone)
        self._review_at = review_at
        self._clock = clock
        self._hand_over = hand_over
        self._draw = draw
        self._suspect = suspect
        self._refused = ""
        self._book = book
        self._reminded_ms: int | None = None
        self._word = ClockWord(clock.monotonic_ns() // 1_000_000, not_before_utc_ms)

    def __call__(self) -> None:
        """Looks once. A clock that nobody has set is not used for ten minutes, nor while it is
        certainly wrong: at boot it may say 1970."""
        now = Moment(self._clock.monotonic_ns() // 1_000_000, self._clock.wall_ms())
        if not self._word.counts(now.mono_ms, now.utc_ms, self._clock.trusted()):
            return
        try:
            self._look(now)
        except StoreError as error:
            # The daemon goes on watching from memory, or repairs its file; the calendar looks again
            # in a minute.
            if isinstance(error, StoreDamaged):
                self._suspect()
            if str(error) != self._refused:
                log.warning("The calendar can't be looked at. %s", error)
            self._refused = str(error)
        else:
            self._refused = ""

    def _look(self, now: Moment) -> None:
        reader = StoreReader.open(self._store)
        try:
            done = reader.done()
            reviewed = {day for job, day in done if job == REVIEW}
            morning = due(now.utc_ms, self._zone, self._review_at, GRACE, reviewed)
            looks = morning or self._may_remind(now)
            tasks = self._tasks(reader, now) if looks else {units: [] for units in SYSTEMS}
            if morning:
                today, at_ms = morning
                night = self._plan.last(at_ms)[-1]
                notice = self._review(reader, night, tasks, now)
                self._draw(night.local_date)
                self._hand_over(Announced(notice, REVIEW, today.isoformat()))
            if self._book is not None and self._book.remind:
                for pair in zip(*(untold(tasks[units], done) for units in SYSTEMS), strict=True):
                    notice = in_either(*(reminder_of(task, now) for task in pair))
                    day = pair[0].local_date.isoformat()
                    self._hand_over(Announced(notice, job_of(pair[0]), day))
        finally:
            reader.close()

    def _review(
        self,
        reader: StoreReader,
        night: Night,
        tasks: Mapping[System, Iterable[Task]],
        now: Moment,
    ) -> Notice:
        """The morning's notice."""

        since = since_of(reader, night.end_utc_ms, now.utc_ms)

        def worded(units: System) -> Notice:
            plan = replace(self._plan, units=units)
            made = notice_of(review_of(reader, plan, night), plan, now, since)
            return with_tasks(made, tasks[units])

        return in_either(*map(worded, SYSTEMS))

    def _may_remind(self, now: Moment) -> bool:
        """Whether to look for reminders now. Working out what is due reads four months of the
        store, so it is not done every minute."""
        if self._reminded_ms is not None and (
            0 <= now.mono_ms - self._reminded_ms < REMIND_EVERY_MS
        ):
            return False
        self._reminded_ms = now.mono_ms
        return True

    def _tasks(self, reader: StoreReader, now: Moment) -> dict[System, list[Task]]:
        """Returns what is due; nothing when the book can't be read, because the review must go out
        all the same."""
        if self._book is None:
            return {units: [] for units in SYSTEMS}
        try:
            facts = facts_of(reader, self._book, now.utc_ms)
            return {
                units: due_tasks(facts, replace(self._book, units=units), now.utc_ms)
                for units in SYSTEMS
            }
        except Exception:
            log.exception("what is due could not be worked out")
            return {units: [] for units in SYSTEMS}


def in_either(metric: Notice, us: Notice) -> Notice:
    """Returns one notice for readers of either system of units."""
    assert isinstance(metric.facts, Prose)
    assert isinstance(us.facts, Prose)
    return replace(metric, facts=EitherProse(metric.facts, us.facts))


def job_of(task: Task) -> str:
    """Returns the name under which a reminder is ticked off, with its date."""
    return f"reminder {task.name}"


def untold(tasks: Iterable[Task], done: Container[tuple[str, dt.date]]) -> list[Task]:
    """Returns the tasks of which nobody was reminded yet for their date."""
    return [task for task in tasks if (job_of(task), task.local_date) not in done]


def reminder_of(task: Task, now: Moment) -> Notice:
    """Returns the notice of a task. Each date has one key: it is sent once, however often it is
    made."""
    return Notice(
        key=f"reminder-{task.name}-{task.local_date.isoformat()}",
        subject="reminder",
        kind="reminder",
        priority=Priority.LOW,
        moment=now,
        facts=Prose(task.title, f"{task.text}\nThen: {task.note}"),
    )


def with_tasks(review: Notice, tasks: Iterable[Task]) -> Notice:
    """Returns the morning's notice with the tasks that are due."""
    titles = [task.title[0].lower() + task.title[1:] for task in tasks]
    if not titles:
        return review
    assert isinstance(review.facts, Prose)
    text = f"{review.facts.text}\nDue: {', '.join(titles)}."
    return replace(review, facts=replace(review.facts, text=text))
