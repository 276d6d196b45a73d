"""The facts that the rules about the level look at, from asking the model once, in one passage
through its ledger."""

from __future__ import annotations

from dataclasses import dataclass, replace

from stillwell.estimate.answer import Estimate, NotEnough
from stillwell.estimate.level.cooling import Warmth, for_leak
from stillwell.estimate.level.model import LevelModel
from stillwell.estimate.level.state import LevelState
from stillwell.observe.chamber import rules
from stillwell.observe.chamber.lone import reckoned_hours
from stillwell.observe.chamber.record import LevelRecord

Answer = Estimate | NotEnough

_HOUR_MS = 3_600_000
_THERMAL_OVER_H = 3
_DAY_MS = 86_400_000
_WAITS_MS = 2 * _HOUR_MS
"""A window that lies further back is judged by what was seen until so long after it: all that came
since costs many times as much, and says little more."""
_MARGIN = 6
"""By how many slices around the same hours the day before is looked at."""
_CHANGED_MS = 7 * 86_400_000
"""A rate that differs from the usual for this long becomes the usual (our own choice)."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """How the level stood when the rules were last asked."""

    rate: rules.RateNow | None = None
    bound: rules.Usual | None = None
    seeping: rules.Constant | None = None
    """The part of the loss that does not follow the air, where it is large enough for a slow
    leak."""
    level_said: Answer | None = None
    missing_said: Answer | None = None
    reserve_said: Answer | None = None
    rate_said: Answer | None = None
    odd: tuple[str, ...] = ()
    """The sensors that contradict the rest."""
    leaking: rules.RateNow | None = None
    """The mean rate over the shortest window in which it is high enough for a leak."""
    heat: float = 0.0
    """ln of the odds by which the water's heat speaks for a leak and against evaporation."""
    idle: rules.RateNow | None = None
    """The mean rate over hours, where the rate is low."""

    reckoned_h: float | None = None
    """Hours to the lowest safe level by dead reckoning, where the level is not known."""

    @property
    def far(self) -> bool:
        """Whether the lowest safe level is so far away that the hours to it were not worked out."""
        return self.reserve_said is None and self.level is not None

    dry: bool = False
    """Whether the water stands so low that the chamber may not show what goes."""

    @property
    def level(self) -> Estimate | None:
        return _number(self.level_said)

    @property
    def missing(self) -> Estimate | None:
        return _number(self.missing_said)

    @property
    def reserve(self) -> Estimate | None:
        return _number(self.reserve_said)


def _number(answer: Answer | None) -> Estimate | None:
    return answer if isinstance(answer, Estimate) else None


def gather(record: LevelRecord, state: LevelState, now_ms: int) -> Gathered:
    """Asks the model what the rules need to know about `now_ms`. How long the water will last
    costs as much as all the rest, so it is asked only once an hour, when it is published, and
    each time where it may matter."""
    model = record.model
    facts = Gathered(
        level_said=model.level_now(state, brief=True),
        missing_said=model.to_fill_mark(state, brief=True),
        odd=model.distrusted(state),
    )
    losing, seen = record.losing, facts.level
    if losing is None:
        return facts
    dry = seen is not None and seen.value < record.plan.geometry.lowest_safe_mm
    record.memory.dry |= dry
    facts = replace(facts, dry=dry)
    facts = _with_rate(facts, record, losing, now_ms)
    rate, bound, level = facts.rate, facts.bound, facts.level_said
    assert rate is not None
    assert bound is not None
    if record.added_by is not None or level is None:
        return facts  # a machine holds the level: how long the chamber would last says nothing
    hourly = now_ms - record.memory.published_ms >= _HOUR_MS
    soon = hourly or _soon(record, level, max(bound.allowed, rate.ml_per_h + 2.0 * rate.sd))
    lowest = record.plan.geometry.lowest_safe_mm
    return replace(
        facts,
        reserve_said=model.hours_to(state, lowest, brief=True) if soon else None,
        reckoned_h=reckoned_hours(state, record.plan, model.slice_ms, bound.middle)
        if isinstance(level, NotEnough)
        else None,
    )


def _with_rate(
    facts: Gathered, record: LevelRecord, losing: tuple[LevelModel, LevelState], now_ms: int
) -> Gathered:
    """Returns the facts with what leaves the tank."""
    (model, state), past = losing, record.memory.past
    begin = now_ms - _THERMAL_OVER_H * _HOUR_MS
    thermal = record.swelling_ml(begin, now_ms) / _THERMAL_OVER_H
    rate = rules.RateNow.of(model.rate_view(state), thermal)
    bound = _usual(record, rate, now_ms, rules.LEAK_WINDOWS_H[0])
    steady = rules.steady_part(past)
    slow = rate.ml_per_h < 0.5 * bound.middle
    leaking = _leaking(record, now_ms, rate, bound)
    return replace(
        facts,
        rate=rate,
        bound=bound,
        seeping=steady if rules.seeps(steady, past) else None,
        rate_said=model.rate_now(state, brief=True),
        leaking=leaking[0] if leaking else None,
        heat=leaking[1] if leaking else 0.0,
        idle=_over(record, now_ms, rules.STILL_WINDOW_H, rate) if slow else None,
    )


def _usual(record: LevelRecord, rate: rules.RateNow, end_ms: int, hours: int) -> rules.Usual:
    """Returns what is usual in the hours before a time."""
    span = range(end_ms - hours * _HOUR_MS, end_ms)
    return rules.usual(rate, record.memory.past, record.plan.surface.tank_rel_sd, span)


def _soon(record: LevelRecord, level: Answer, ml_per_h: float) -> bool:
    """Whether the lowest safe level may be near: within reach, at twice `ml_per_h`, in the hours
    during which a top-up is asked for."""
    if isinstance(level, NotEnough):
        return True
    geometry = record.plan.geometry
    left_ml = (level.low - geometry.lowest_safe_mm) / geometry.mm_per_ml
    return left_ml < rules.TOP_UP_CLEAR_H * 2.0 * ml_per_h


def _leaking(
    record: LevelRecord, now_ms: int, rate: rules.RateNow, bound: rules.Usual
) -> tuple[rules.RateNow, float] | None:
    """Returns the rate over the shortest window in which it is high enough for a leak, or of which
    the water's heat says whether it leaks, and ln of the odds by which it does."""
    if not rules.suspicious(rate, bound):
        return None
    high = None
    for hours in rules.LEAK_WINDOWS_H:
        over = _over(record, now_ms, hours, rate)
        if over is None:
            continue
        bound = _usual(record, over, now_ms, hours)
        if not rules.stands_out(over, bound):
            continue
        heat = _by_heat(record, now_ms, over, hours)
        if rules.leaks_by_heat(heat) or rules.evaporates(heat):
            return over, heat
        if high is None and rules.leaks(over, bound):
            high = over, heat
    return high


def _by_heat(record: LevelRecord, now_ms: int, over: rules.RateNow, hours: int) -> float:
    """Returns ln of the odds for a leak, by how the water cools in the last hours and cooled at the
    same hours of the day before."""
    before = _over(record, now_ms - _DAY_MS, hours, over)
    if before is None or not rules.more_than(over, before):
        return 0.0
    memory, slice_ms = record.memory, record.model.slice_ms
    rooms = dict(memory.rooms)
    slices = {at: Warmth(water, rooms.get(at)) for at, water in memory.temperatures}
    end, day = now_ms // slice_ms, _DAY_MS // slice_ms
    begin = end - hours * _HOUR_MS // slice_ms
    return for_leak(
        slices,
        range(begin, end),
        range(begin - day - _MARGIN, end - day + _MARGIN),
        slice_ms / _HOUR_MS,
        record.plan.volume_ml / 1000.0,
        over.ml_per_h - before.ml_per_h,
    )


def _over(
    record: LevelRecord, now_ms: int, hours: int, rate: rules.RateNow
) -> rules.RateNow | None:
    """Returns the mean rate over the last hours; None where not all of them were seen."""
    begin = now_ms - hours * _HOUR_MS
    losing = record.losing
    if losing is None or begin < losing[1].checkpoints[0].t_ms:
        return None
    model, state = losing
    if now_ms + _WAITS_MS < state.now_ms:
        state = replace(state, now_ms=now_ms + _WAITS_MS)
    ml, sd = model.expected_loss(state, begin, now_ms)
    thermal = record.swelling_ml(begin, now_ms) / hours
    expected = record.expected(begin, now_ms) if rate.from_physics else None
    return replace(
        rate,
        ml_per_h=ml / hours - thermal,
        sd=sd / hours,
        expected=expected or rate.expected,
        thermal=thermal,
    )


def keep_window(record: LevelRecord, end_ms: int) -> None:
    """Keeps the six hours up to `end_ms` as a window of the tank's own past."""
    memory = record.memory
    memory.windows_ms = end_ms
    begin = end_ms - rules.WINDOW_MS
    losing, dry = record.losing, memory.dry
    memory.dry = False
    if losing is None or dry:
        return
    try:
        ml, sd = losing[0].expected_loss(losing[1], begin, end_ms)
    except ValueError:
        return
    hours = rules.WINDOW_MS // _HOUR_MS
    ml -= record.swelling_ml(begin, end_ms)
    expected = record.expected(begin, end_ms)
    scale, physics = expected or rules.TYPICAL_ML_PER_H, expected is not None
    rate = rules.RateNow(ml / hours, sd / hours, scale, physics, 0.0)
    newest = max((w.end_ms for w in memory.past if not w.odd), default=0)
    odd = rules.unlike(rate, _usual(record, rate, end_ms, hours))
    odd = odd and end_ms - newest < _CHANGED_MS
    if not odd:
        # what has ended by itself was no leak, and what has lasted for a week is the usual
        memory.past = [replace(window, odd=False) for window in memory.past]
    memory.past.append(rules.PastWindow(end_ms, rate.ml_per_h, rate.sd, expected, odd))
    del memory.past[: -rules.MOST_WINDOWS]
