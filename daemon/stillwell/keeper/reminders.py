"""What is to be done by hand, and when: each task is due once, and a journal entry marks it done or
postpones it.

Due dates are local dates at one time of day, so that a change of the clocks neither doubles nor
drops one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from stillwell.calendar import local_date, utc_ms
from stillwell.entry import Entry
from stillwell.estimate.cycle.stage import next_test_ms
from stillwell.estimate.salt.balance import SaltState
from stillwell.journal import REMINDERS, Kind, standing
from stillwell.journal.refractometer_log import calibrations, is_refractometer
from stillwell.keeper import level_now, photoperiod
from stillwell.keeper.level_now import LevelNow, advice
from stillwell.keeper.photoperiod import Light
from stillwell.observe.balance import Cycle, LastCheck, cycle_of
from stillwell.observe.plan import BookPlan
from stillwell.observe.salt.alarms import CAUTION, NOT_WORTH_ML
from stillwell.units import Dimension, show
from stillwell.water.mixing import batch
from stillwell.water.refractometer import COLD_SAMPLE_WAIT_S, drift_per_day

TOP_UP, WATER_CHANGE, SALINITY, TESTS, REFRACTOMETER, LAMP, DRILL = REMINDERS

_DAY = dt.timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Facts:
    """What the reminders are worked out from."""

    entries: Sequence[Entry]
    """The journal of the last year or so."""
    since_ms: int
    """When this tank's readings began, UTC ms."""
    salt: SaltState | None = None
    check: LastCheck | None = None
    """The last salinity measured, and what it holds for."""
    light: Light = photoperiod.UNKNOWN
    level: LevelNow = level_now.UNKNOWN
    """The present level."""
    drilled: dt.date | None = None
    """The date of the last drill that somebody acknowledged."""


@dataclass(frozen=True, slots=True)
class Task:
    """One thing to do."""

    name: str
    local_date: dt.date
    """The date for which it is due; each pair of name and date is reported once."""
    due_ms: int
    title: str
    text: str
    """What to do, how much, and the caution where a hand goes in."""
    note: str
    """The command that ticks it off."""


def tasks(facts: Facts, plan: BookPlan, now_ms: int) -> list[Task]:
    """Returns the next task of each kind, the soonest first; `due_ms` may be in the future. Tasks
    that make no sense now (tests of a finished cycle, a top-up of a full tank, a water change while
    bacteria settle) are left out."""
    cycle = cycle_of(facts.entries)
    found = [
        _top_up(facts, plan, now_ms),
        _water_change(facts, plan, cycle, now_ms),
        _salinity(facts, plan),
        _tests(facts, plan, cycle),
        _refractometer(facts, plan),
        _lamp(facts, plan, now_ms),
        _drill(facts, plan),
    ]
    return sorted((t for t in found if t is not None), key=lambda t: (t.due_ms, t.name))


def due(facts: Facts, plan: BookPlan, now_ms: int) -> list[Task]:
    """Returns what is to be done now, the longest overdue first."""
    return [task for task in tasks(facts, plan, now_ms) if task.due_ms <= now_ms]


# -- when ----------------------------------------------------------------------------------------


def _last(facts: Facts, *kinds: Kind, also: Callable[[Entry], bool] | None = None) -> int | None:
    found = [
        e.at_ms for e in standing(facts.entries) if e.kind in kinds and (also is None or also(e))
    ]
    return found[-1] if found else None


def _date(at_ms: int, plan: BookPlan) -> dt.date:
    return local_date(at_ms, ZoneInfo(plan.zone))


def _dated(name: str, day: dt.date, facts: Facts, plan: BookPlan, done_ms: int | None) -> dt.date:
    """Returns the day, or the day to which it was postponed since it was last done."""
    for entry in standing(facts.entries):
        asked = entry.kind == Kind.POSTPONED and entry.text == name
        if asked and entry.value is not None and entry.at_ms > (done_ms or 0):
            day = max(day, _date(entry.at_ms + round(entry.value * 1000), plan))
    return day


def _task(
    name: str,
    day: dt.date,
    facts: Facts,
    plan: BookPlan,
    done_ms: int | None,
    words: tuple[str, str, str],
) -> Task:
    when = _dated(name, day, facts, plan, done_ms)
    title, text, note = words
    return Task(name, when, utc_ms(when, plan.remind_at, ZoneInfo(plan.zone)), title, text, note)


# -- what ----------------------------------------------------------------------------------------


def _top_up(facts: Facts, plan: BookPlan, now_ms: int) -> Task | None:
    """Returns a top-up for every day until water is poured, unless the level knows that none is
    missing."""
    level = facts.level
    if not level.alarm and level.missing_ml is not None and level.missing_ml < NOT_WORTH_ML:
        return None
    done = _last(facts, Kind.POUR)
    after = _date(facts.since_ms if done is None else done, plan) + _DAY
    today = _date(now_ms, plan)
    day = max(
        after,
        today if now_ms >= utc_ms(today, plan.remind_at, ZoneInfo(plan.zone)) else today - _DAY,
    )
    how = advice(level, plan.units)
    text = f"{how[0].upper()}{how[1:]}. Dry hands on plugs."
    if not level.alarm:
        text = f"{text} Fresh, not salt: only water evaporates, the salt stays."
    words = ("Look at the level", text, f"stillwell note pour {_typed(500.0, plan)}")
    return _task(TOP_UP, day, facts, plan, done, words)


def _water_change(facts: Facts, plan: BookPlan, cycle: Cycle, now_ms: int) -> Task | None:
    if cycle.running:
        return None
    done = _last(facts, Kind.WATER_CHANGE)
    anchors = (facts.since_ms, done or 0, cycle.verdict.finished_ms or 0)
    day = _date(max(anchors), plan) + plan.change_every_d * _DAY
    volume = show(plan.change_ml, Dimension.VOLUME, plan.units)
    text = (
        f"{volume} out and as much new salt water in, at {plan.salinity_target:.3g} ppt and "
        f"{show(plan.target_c, Dimension.TEMPERATURE, plan.units)}: "
        f"{_dry_mix(plan)}"
        f"mixed the day before (stillwell mix). Fill up to the mark with fresh water first. "
        f"{CAUTION} Plug in again when the chamber is full."
    )
    typed = f"{_typed(plan.change_ml, plan)} at {plan.salinity_target:.3g} ppt"
    words = ("Water change", text, f"stillwell note water-change {typed}")
    return _task(WATER_CHANGE, day, facts, plan, done, words)


def _typed(ml: float, plan: BookPlan) -> str:
    """A volume as the keeper would type it."""
    return show(ml, Dimension.VOLUME, plan.units).replace("fl oz", "floz").replace(".0 ", " ")


def _dry_mix(plan: BookPlan) -> str:
    """Returns how much salt to weigh."""
    recipe = batch(plan.change_ml, plan.salinity_target, plan.target_c)
    return f"about {show(recipe.dry_g, Dimension.MASS, plan.units)} of dry mix, "


def _salinity(facts: Facts, plan: BookPlan) -> Task:
    done = _last(facts, Kind.SALINITY)
    if done is None:
        day = _date(facts.since_ms, plan) + _DAY
    else:
        day = _date(done, plan) + plan.salinity_every_d * _DAY
    text = (
        "Rinse the prism with fresh water and dry it; give the sample "
        f"{COLD_SAMPLE_WAIT_S:.0f} s on it; read it against the light. Rinse again."
    )
    if facts.salt is not None and facts.salt.checks:
        text = f"{facts.salt.salinity:.1f} ppt is expected. {text}"
    words = ("Measure the salinity", text, "stillwell note salinity 35.0 ppt")
    return _task(SALINITY, day, facts, plan, done, words)


def _tests(facts: Facts, plan: BookPlan, cycle: Cycle) -> Task | None:
    if not cycle.running or cycle.begun_ms is None:
        return None
    at = next_test_ms(cycle.tests, cycle.begun_ms)
    if at is None:
        return None
    done = _last(facts, Kind.AMMONIA, Kind.NITRITE)
    missing = cycle.verdict.missing
    text = (
        f"Ammonia and nitrite, both, by daylight. {missing[0] if missing else ''} Keep test "
        "reagents away from children and out of the tank."
    )
    words = ("Test ammonia and nitrite", text, "stillwell note ammonia 0.5 mg/L N")
    return _task(TESTS, _date(at, plan), facts, plan, done, words)


def _refractometer(facts: Facts, plan: BookPlan) -> Task | None:
    """Returns a task only if somebody measures salinity."""
    first = next((e.at_ms for e in standing(facts.entries) if e.kind == Kind.SALINITY), None)
    done = _last(facts, Kind.CALIBRATION, also=is_refractometer)
    if done is not None:
        day = _date(done, plan) + plan.refractometer_every_d * _DAY
    elif first is not None:
        day = _date(first, plan) + _DAY  # not at once: who notes at night gets no notice then
    else:
        return None
    text = (
        f"Put 35 ppt fluid on the clean prism, wait {COLD_SAMPLE_WAIT_S:.0f} s, note what it "
        "shows, and turn the screw until it shows 35. Pure water is no substitute: it checks the "
        "other end of the scale."
    )
    text = " ".join(filter(None, (scale_in_words(facts.entries, plan.zone), text)))
    note = 'stillwell note calibration 35.5 ppt --text "refractometer, 35 ppt fluid"'
    words = ("Calibrate the refractometer", text, note)
    return _task(REFRACTOMETER, day, facts, plan, done, words)


def scale_in_words(entries: Sequence[Entry], zone: str) -> str:
    """Returns when the refractometer was last set, what it showed then, and how it drifts; empty
    when nobody noted it."""
    looks = calibrations(standing(entries))
    if not looks:
        return ""
    last = looks[-1]
    at = dt.datetime.fromtimestamp(last.at_ms / 1000, ZoneInfo(zone))
    off = last.offset
    found = "right" if abs(off) < 0.05 else f"{abs(off):.1f} {'high' if off > 0 else 'low'}"
    said = f"Refractometer: set on {at:%a %d %b}, found {found} then"
    drift = drift_per_day(looks)
    if drift is not None and abs(drift) >= 0.001:
        said += f"; it wanders {30 * drift:+.1f} in a month"
    return f"{said}."


def _lamp(facts: Facts, plan: BookPlan, now_ms: int) -> Task | None:
    """Returns a task on the day after one with other hours than wanted."""
    if not facts.light.off_h:
        return None
    done = _last(facts, Kind.LAMP_HOURS)
    today = _date(now_ms, plan)
    if done is not None and _date(done, plan) >= today:
        return None
    note = f"stillwell note lamp-hours {facts.light.wanted_h:g} h"
    words = ("Look at the lamp's timer", photoperiod.words(facts.light), note)
    return _task(LAMP, today, facts, plan, done, words)


def _drill(facts: Facts, plan: BookPlan) -> Task:
    last = facts.drilled or _date(facts.since_ms, plan)
    done = utc_ms(last, dt.time(0), ZoneInfo(plan.zone))
    text = "Let an alarm ring on purpose, so that you know that it reaches you at night."
    words = ("Drill the alarm", text, "stillwell drill")
    return _task(DRILL, last + plan.drill_every_d * _DAY, facts, plan, done, words)
