"""The screen Now: is all well, and if not, what to do. Values for the screen, read once for all
who look."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from statistics import median
from typing import Any

from stillwell.alarm.annunciate.maintenance import MAINTENANCE
from stillwell.cli.status import CALLING, NO_RECIPIENT, QUIET
from stillwell.cli.today import Screen
from stillwell.cli.watch_line import kept_run
from stillwell.cli.water_now import FRESH_MS, water_of
from stillwell.cli.written import seconds_in_words
from stillwell.keeper import photoperiod
from stillwell.keeper.gathered import facts_of
from stillwell.keeper.level_now import LevelNow, advice
from stillwell.morning import days_in_words, level_points
from stillwell.notice import Priority, State, Transition
from stillwell.observe.balance import Ledger
from stillwell.page.drawing import Drawing, Point, drawing
from stillwell.page.seen import Seen
from stillwell.page.site import clock_words
from stillwell.ports import Published, Stream
from stillwell.reading import Flag, Quantity, Reading
from stillwell.review import HEALTHY, BandPlan
from stillwell.store import StoreReader
from stillwell.units import KEPT_IN, Dimension, axis, show, show_kept
from stillwell.watching import AHEAD_MS
from stillwell.words import Reader
from stillwell.words.states import state_in_words

DAY_MS = 86_400_000
_LEVEL_MS = 3 * 3_600_000
_ESTIMATE_OLD_MS = 2 * 3_600_000
"""The age from which an estimate is old; one comes every hour."""


@dataclass(frozen=True, slots=True)
class Age:
    """When a figure was measured, and its age."""

    at: str
    """The time of measurement in RFC 3339, from which the browser counts on."""
    words: str
    old_s: int
    """The age, in s, from which the figure is old."""
    old: bool


@dataclass(frozen=True, slots=True)
class Card:
    """An alarm that rings, or is kept quiet."""

    name: str
    title: str
    do: str
    caution: str
    likely: str
    since: str
    state: str
    priority: str
    answered: bool
    until: str = ""
    """Until when it is kept quiet; empty where it is not."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One large number."""

    name: str
    value: str
    unit: str
    age: Age | None
    wanted: str
    verdict: str
    """What is wrong with it; empty when nothing is."""
    picture: Drawing | None
    """The last day; None where nothing was seen in it."""
    scale: tuple[str, str]
    says: str
    """The picture in words."""


@dataclass(frozen=True, slots=True)
class Now:
    """The whole screen."""

    line: str
    watched: bool
    made_up: bool
    at: str
    now_ms: int
    calling: tuple[Card, ...]
    quiet: tuple[Card, ...]
    working: str
    """The end of the work at the tank; empty when nobody works there."""
    no_recipient: str
    figures: tuple[Figure, ...]
    salinity: tuple[str, ...]
    checked: Age | None
    """When somebody last measured the salinity; None: nobody has, or too long ago to count."""
    more: tuple[str, ...]
    due: tuple[Any, ...]
    """The tasks that are due, with the time since which they are."""
    soon: tuple[tuple[str, str], ...]
    channels: tuple[tuple[str, str, Age | None], ...]


def now(seen: Seen, ledger: Ledger | None = None) -> Now:
    """Returns the screen's values; what the ledger knows already is not worked out again."""
    reader, at_ms = seen.reader, seen.now_ms
    facts = facts_of(reader, seen.book, at_ms, ledger)
    screen = Screen(seen.book, seen.plan, facts, at_ms)
    alarms = list(reader.alarms())
    newest = {r.channel: r for r in reader.latest_readings()}
    water = water_of(reader, seen.plan, at_ms)
    run = kept_run(reader)
    reached = {c.sink for c in reader.cursors() if c.stream is Stream.NOTICES}
    reaches = run is None or any(one.name in reached for one in run.recipients)
    light = photoperiod.words(facts.light)
    shelf = next((t for t in alarms if t.alarm == MAINTENANCE and t.after is State.SHELVED), None)
    return Now(
        line=seen.line,
        watched=not seen.watching.nobody,
        made_up=seen.watching.made_up,
        at=f"{datetime.fromtimestamp(at_ms / 1000, seen.zone):%a %d %b %H:%M}",
        now_ms=at_ms,
        calling=cards([t for t in alarms if t.after in CALLING], seen),
        quiet=cards([t for t in alarms if t.after in QUIET and t is not shelf], seen),
        working="" if shelf is None else _until(shelf, seen),
        no_recipient="" if reaches else NO_RECIPIENT,
        figures=(
            *_water(seen, water, newest, screen),
            *_level(seen, facts.level, newest),
        ),
        salinity=tuple(screen.salinity()),
        checked=None
        if facts.check is None
        else age_of(facts.check.check.t_ms, at_ms, 2 * seen.book.salinity_every_d * DAY_MS),
        more=tuple(filter(None, (*screen.cycle_lines(), *screen.ammonia(water), light))),
        due=tuple((task, screen.since(task)) for task in screen.due),
        soon=tuple(
            (f"{datetime.fromtimestamp(t.due_ms / 1000, seen.zone):%a %d %b}", t.title)
            for t in screen.soon
        ),
        channels=tuple(_channels(seen, newest)),
    )


def age_of(at_ms: int, now_ms: int, old_ms: int = FRESH_MS) -> Age:
    """Returns how old a figure is, in words."""
    s = (now_ms - at_ms) / 1000
    if s < -AHEAD_MS / 1000:
        words = f"{seconds_in_words(-s)} ahead of the clock"
    elif s < 90:
        words = "just now"
    else:
        words = f"{seconds_in_words(s)} ago"
    at = datetime.fromtimestamp(at_ms / 1000, UTC)
    old = not -AHEAD_MS <= now_ms - at_ms <= old_ms
    return Age(f"{at:%Y-%m-%dT%H:%M:%SZ}", words, old_ms // 1000, old)


def cards(alarms: Sequence[Transition], seen: Seen) -> tuple[Card, ...]:
    """Returns the alarms as cards, the most urgent first; unanswered ones before the others."""
    order = list(Priority)

    def urgency(t: Transition) -> tuple[int, int, int]:
        return (t.after is not State.UNACKNOWLEDGED, order.index(t.priority), t.since.utc_ms)

    return tuple(_card(t, seen) for t in sorted(alarms, key=urgency))


def _card(t: Transition, seen: Seen) -> Card:
    said = Reader(seen.plan.zone, seen.plan.units).alarm(t)
    return Card(
        name=t.alarm,
        title=said.title,
        do=said.do,
        caution=said.caution,
        likely=" ".join(filter(None, (said.seen, said.why))),
        since=clock_words(t.since.utc_ms, seen.zone, seen.now_ms),
        state=state_in_words(t.after),
        priority=str(t.priority),
        answered=t.after not in (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED),
        until=_until(t, seen) if t.after is State.SHELVED else "",
    )


def _until(t: Transition, seen: Seen) -> str:
    return clock_words(t.moment.utc_ms + t.shelved_for_ms, seen.zone, seen.now_ms)


def _water(
    seen: Seen, water: Sequence[Any], newest: dict[str, Reading], screen: Screen
) -> list[Figure]:
    found = []
    for band, (_, fresh, unit, low, high, rate) in zip(seen.plan.bands, water, strict=True):
        good = [
            r
            for name in band.channels
            if (r := newest.get(name)) is not None and r.value is not None and r.flag in HEALTHY
        ]
        at_ms = max((r.moment.utc_ms for r in good), default=None)
        last = median(r.value for r in good if r.value is not None) if good else None
        value = last if fresh is None else fresh  # the last value that was seen is shown as old
        units = seen.plan.units
        number, _, shown_unit = show_kept(value, unit, units).partition(" ")
        wanted = f"{show_kept(low, unit, units)} to {show_kept(high, unit, units)}"
        verdict = ""
        if value is not None and not low <= value <= high:
            side = "below" if value < low else "above"
            verdict = f"{side} what is wanted{screen.course(value, unit, low, high, rate)}"
        points = day_of(seen.reader, band, seen.now_ms - DAY_MS, seen.now_ms)
        found.append(
            Figure(
                band.name.capitalize(),
                number if value is not None else "–",
                shown_unit if value is not None else "",
                None if at_ms is None else age_of(at_ms, seen.now_ms),
                wanted,
                verdict if value is not None else "never measured",
                *_pictured(points, unit, seen, wanted=(low, high)),
            )
        )
    return found


def _pictured(
    points: Sequence[Point], unit: str, seen: Seen, **how: Any
) -> tuple[Drawing | None, tuple[str, str], str]:
    """Returns the last day as a picture, the values at its top and bottom, and the day in words."""
    picture = drawing(points, seen.now_ms - DAY_MS, seen.now_ms, seen.zone, **how)
    if picture is None:
        return None, ("", ""), ""
    _, to = axis(0.0, KEPT_IN.get(unit, Dimension.PLAIN), seen.plan.units)
    scale = f"{to(picture.high):.1f}", f"{to(picture.low):.1f}"
    low, high = min(v for _, v in points), max(v for _, v in points)

    def said(value: float) -> str:
        if unit != "mm":
            return show_kept(value, unit, seen.plan.units)
        side = "below" if value < 0 else "above"
        return f"{show_kept(abs(value), unit, seen.plan.units)} {side} the mark"

    return picture, scale, f"In the last day {said(low)} to {said(high)}."


def day_of(
    reader: StoreReader, band: BandPlan, start_ms: int, end_ms: int
) -> list[tuple[int, float]]:
    """Returns the ten-minute means of a measurand, the median of its channels."""
    by_start: dict[int, list[float]] = {}
    for name in band.channels:
        for cell in reader.ten_minutes(name, start_ms, end_ms):
            if cell.mean is not None:
                by_start.setdefault(cell.start_ms + 300_000, []).append(cell.mean)
    return [(at_ms, median(values)) for at_ms, values in sorted(by_start.items())]


def _level(seen: Seen, level_now: LevelNow, newest: dict[str, Reading]) -> list[Figure]:
    """Returns the level, where anything measures it."""
    reader, units, at_ms = seen.reader, seen.plan.units, seen.now_ms
    latest: dict[str, Published] = {
        row.name: row
        for row in reader.estimates(None, at_ms - _LEVEL_MS, at_ms + 1)
        if row.name.startswith("level.") and row.value is not None
    }
    stands = _height(seen, latest.get("level.now"), newest)
    if seen.book.chamber is None or stands is None:
        return []
    mm, age = stands
    number, _, unit = show(abs(mm), Dimension.LENGTH, units).partition(" ")
    side = "below" if mm < 0 else "above"
    wanted = advice(level_now, units)
    reserve = latest.get("level.reserve")
    verdict = ""
    if reserve is not None and reserve.value is not None:
        soonest = reserve.value if reserve.low is None else reserve.low
        verdict = (
            f"{days_in_words(reserve.value)} to the lowest safe level "
            f"(not before {days_in_words(soonest)})"
        )
    points = level_points(reader, seen.plan, at_ms - DAY_MS, at_ms)
    return [
        Figure(
            "Level",
            number,
            f"{unit} {side} the mark",
            age,
            wanted,
            verdict,
            *_pictured(points, "mm", seen, longest_ms=2 * 3_600_000),
        )
    ]


def _height(
    seen: Seen, estimate: Published | None, newest: dict[str, Reading]
) -> tuple[float, Age] | None:
    """Returns how high the water is, mm: by the gauge, or by the hourly estimate."""
    for name, quantity in seen.plan.channels.items():
        reading = newest.get(name)
        of_level = quantity is Quantity.LEVEL and name not in seen.plan.elsewhere
        if of_level and reading is not None and reading.value is not None:
            age = age_of(reading.moment.utc_ms, seen.now_ms)
            if reading.flag in HEALTHY and not (age.old and estimate):
                return reading.value, age
    if estimate is None or estimate.value is None:
        return None
    return estimate.value, age_of(estimate.time_ms, seen.now_ms, _ESTIMATE_OLD_MS)


def _channels(seen: Seen, newest: dict[str, Reading]) -> list[tuple[str, str, Age | None]]:
    from stillwell.cli.checks.readings import SAYS, value_shown

    rows: list[tuple[str, str, Age | None]] = []
    for name, quantity in seen.plan.channels.items():
        reading = newest.get(name)
        if reading is None:
            rows.append((name, "never read", None))
            continue
        shown = value_shown(reading.value, quantity, seen.plan.units).partition(":")[0]
        if reading.flag not in (Flag.PASS, Flag.NOT_EVALUATED):
            test = reading.tests.partition(",")[0]
            shown += f" ({SAYS.get(test, test)})"
        rows.append((name, shown, age_of(reading.moment.utc_ms, seen.now_ms)))
    return rows
