"""How good the alarms themselves are: counts, standing, chattering, stale, unanswered. Pure.

The measures are those of alarm management. Their usual targets are made for control rooms and
mean nothing to one person beside one tank, so the targets here are our own and far lower.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from statistics import median
from zoneinfo import ZoneInfo

from stillwell.alarm.annunciate.state import UNANSWERED, Kind
from stillwell.alarm.notices import kind_of
from stillwell.notice import Priority, State, Transition

CHATTER_RAISES = 3
CHATTER_WINDOW_MS = 60_000
FLEETING_MS = 60_000
STALE_MS = 24 * 3_600_000
FLOOD_RAISES = 10
FLOOD_WINDOW_MS = 600_000
"""Common practice in alarm management."""


FIGURES: Mapping[str, str] = {
    "per day": "at most 1 a day, averaged",
    "flood": "none",
    "chattering": "none",
    "fleeting": "none",
    "stale": "none",
    "unanswered": "none of high priority",
}
"""The target of each measure, our own choice for one person beside one tank."""


@dataclass(frozen=True, slots=True)
class Spell:
    """One occurrence of an alarm, from the raise that was announced to its end."""

    alarm: str
    priority: Priority
    raised_ms: int
    over_ms: int | None
    """When its condition ended, UTC; None: not in the period."""
    answered_ms: int | None
    """When it was acknowledged or shelved, UTC; None: never in the period."""


@dataclass(frozen=True, slots=True)
class Day:
    day: date
    raised: int
    high: int
    stale: int
    """Alarms that had stood for more than 24 h at some time of this day."""


@dataclass(frozen=True, slots=True)
class Report:
    """The quality of the alarms from `start_ms` to `end_ms`, UTC."""

    start_ms: int
    end_ms: int
    days: tuple[Day, ...]
    raised: int
    per_day: float
    by_priority: Mapping[Priority, int]
    most_frequent: tuple[tuple[str, int], ...]
    """Up to ten alarms with their counts, the most frequent first."""
    standing: tuple[str, ...]
    """Alarms that stand at the end, acknowledged or not."""
    chattering: tuple[str, ...]
    """Raised at least three times within a minute."""
    fleeting: tuple[str, ...]
    """Over within a minute, before anybody could answer."""
    stale: tuple[str, ...]
    """Stood for more than 24 h without a break."""
    unanswered: tuple[Spell, ...]
    """High-priority alarms that ended, or still stood at the end of the period, before anybody
    answered."""
    answer_median_ms: float | None
    """Median time from raise to answer, over those that were answered."""
    flood_share: float
    """Share of the time that lies in windows of ten minutes with at least ten raises."""

    @property
    def enough(self) -> bool:
        """Whether there are enough alarms (20) for shares by priority and by alarm to mean
        anything."""
        return self.raised >= 20


def spells(transitions: Iterable[Transition]) -> list[Spell]:
    """Returns the occurrences in `transitions` (in the log's order), in order of their raise.

    A suppressed or shelved alarm counts as an occurrence only once it is announced."""
    found: list[Spell] = []
    open_: dict[str, Spell] = {}
    for t in transitions:
        at = t.moment.utc_ms
        spell = open_.get(t.alarm)
        if kind_of(t) == "raised":
            if spell is not None:
                found.append(spell)
            open_[t.alarm] = Spell(t.alarm, t.priority, at, None, None)
            continue
        if spell is None:
            continue
        over, answered = spell.over_ms, spell.answered_ms
        if not t.active and over is None:
            over = at
        if t.event in (Kind.ACKNOWLEDGE, Kind.SHELVE, Kind.OUT_OF_SERVICE) and answered is None:
            answered = at
        spell = Spell(t.alarm, t.priority, spell.raised_ms, over, answered)
        open_[t.alarm] = spell
        if t.after not in UNANSWERED and not t.active:
            found.append(open_.pop(t.alarm))
    found += open_.values()
    return sorted(found, key=lambda spell: (spell.raised_ms, spell.alarm))


def report(
    transitions: Sequence[Transition],
    start_ms: int,
    end_ms: int,
    zone: ZoneInfo,
    standing_before: Iterable[Transition] = (),
) -> Report:
    """Returns the report on [`start_ms`, `end_ms`), UTC.

    Args:
        transitions: those of the period, in the log's order.
        zone: the time zone whose days are counted.
        standing_before: the newest transition of each alarm before the period, so that what stood
            then counts as standing; it is not counted as raised.
    """
    if end_ms <= start_ms:
        raise ValueError("A report needs a period that ends after it begins.")
    before = [t for t in standing_before if t.active and t.after in _CALLS]
    inside = [t for t in transitions if start_ms <= t.moment.utc_ms < end_ms]
    raises = [t for t in inside if kind_of(t) == "raised"]
    times: dict[str, list[int]] = defaultdict(list)
    for t in raises:
        times[t.alarm].append(t.moment.utc_ms)
    counts = Counter(t.alarm for t in raises)
    occurrences = spells(inside)
    stands = _standing_spans([*before, *inside], end_ms)
    stale = [span for span in stands if span[2] - span[1] > STALE_MS]
    answers = [s.answered_ms - s.raised_ms for s in occurrences if s.answered_ms is not None]
    return Report(
        start_ms=start_ms,
        end_ms=end_ms,
        days=tuple(_days(raises, stale, start_ms, end_ms, zone)),
        raised=len(raises),
        per_day=len(raises) / ((end_ms - start_ms) / 86_400_000),
        by_priority={p: sum(t.priority is p for t in raises) for p in Priority},
        most_frequent=tuple(sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:10]),
        standing=tuple(sorted({alarm for alarm, _, until, open_ in stands if open_})),
        chattering=tuple(sorted(alarm for alarm, at in times.items() if _chatters(at))),
        fleeting=tuple(
            sorted(
                {
                    s.alarm
                    for s in occurrences
                    if s.over_ms is not None
                    and s.over_ms - s.raised_ms < FLEETING_MS
                    and (s.answered_ms is None or s.answered_ms > s.over_ms)
                }
            )
        ),
        stale=tuple(sorted({alarm for alarm, *_ in stale})),
        unanswered=tuple(
            s
            for s in occurrences
            if s.priority is Priority.HIGH
            and (s.answered_ms is None or (s.over_ms is not None and s.answered_ms > s.over_ms))
        ),
        answer_median_ms=median(answers) if answers else None,
        flood_share=_flood_ms([t.moment.utc_ms for t in raises], start_ms, end_ms)
        / (end_ms - start_ms),
    )


_CALLS = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})
"""States that call somebody: not shelved, suppressed or out of service."""


def _standing_spans(
    transitions: Iterable[Transition], end_ms: int
) -> list[tuple[str, int, int, bool]]:
    """Returns (alarm, from, until, whether it still stands at the end) of each unbroken
    standing."""
    began: dict[str, int] = {}
    spans = []
    for t in transitions:
        calls = t.active and t.after in _CALLS
        if calls and t.alarm not in began:
            began[t.alarm] = t.moment.utc_ms
        elif not calls and t.alarm in began:
            spans.append((t.alarm, began.pop(t.alarm), t.moment.utc_ms, False))
    return spans + [(alarm, at, end_ms, True) for alarm, at in began.items()]


def _chatters(times: Sequence[int]) -> bool:
    ordered = sorted(times)
    ahead = ordered[CHATTER_RAISES - 1 :]
    return any(b - a <= CHATTER_WINDOW_MS for a, b in zip(ordered, ahead, strict=False))


def _flood_ms(times: Sequence[int], start_ms: int, end_ms: int) -> int:
    """Returns the time in ms in windows of ten minutes, counted from the start, with at least
    ten raises."""
    windows = Counter((at - start_ms) // FLOOD_WINDOW_MS for at in times)
    return sum(
        min(FLOOD_WINDOW_MS, end_ms - start_ms - number * FLOOD_WINDOW_MS)
        for number, raised in windows.items()
        if raised >= FLOOD_RAISES
    )


def _days(
    raises: Sequence[Transition],
    stale: Sequence[tuple[str, int, int, bool]],
    start_ms: int,
    end_ms: int,
    zone: ZoneInfo,
) -> Iterable[Day]:
    raised = Counter(_day(t.moment.utc_ms, zone) for t in raises)
    high = Counter(_day(t.moment.utc_ms, zone) for t in raises if t.priority is Priority.HIGH)
    lasting: dict[date, set[str]] = defaultdict(set)
    for alarm, began, until, _ in stale:
        for day in _each_day(max(began + STALE_MS, start_ms), until, zone):
            lasting[day].add(alarm)
    for day in _each_day(start_ms, end_ms, zone):
        yield Day(day, raised[day], high[day], len(lasting[day]))


def _day(utc_ms: int, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(zone).date()


def _each_day(start_ms: int, end_ms: int, zone: ZoneInfo) -> Iterable[date]:
    day, last = _day(start_ms, zone), _day(max(start_ms, end_ms - 1), zone)
    while day <= last:
        yield day
        day += timedelta(days=1)
