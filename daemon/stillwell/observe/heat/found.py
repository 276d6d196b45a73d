"""From what the balance of heat says by one probe to facts."""

from __future__ import annotations

import math

from stillwell.alarm.rules.forecast import Forecast
from stillwell.estimate.heat_balance.answers import answers
from stillwell.estimate.heat_balance.forecast import reach
from stillwell.estimate.heat_balance.hypotheses import SHARE, Cause, Level
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.estimate.heat_balance.kalman import Point
from stillwell.estimate.heat_balance.law import FASTEST, SLOWEST
from stillwell.estimate.heat_balance.places import held
from stillwell.estimate.heat_balance.probe import LIMIT_H, ProbeHeat
from stillwell.notice import Facts
from stillwell.observe.heat.facts import (
    AtItsLimit,
    Bears,
    Chances,
    ChillerStuck,
    HeatOver,
    NotCooling,
    NotHeating,
    SettingMoved,
    StuckOn,
    TooWeak,
    WaterSeen,
)
from stillwell.observe.heat.plan import HeatPlan
from stillwell.reading import Moment

_BEARS_WITHIN_K = 8.0
"""What is known less well is not worth telling. A choice of ours."""
_SEEN_S = 6 * 3600.0
"""By so much a dial may have been moved before that is seen: a half cycle. An assumption."""
_WARM_S = 3 * 3600.0
"""The sun shines on a pane for less. An assumption."""
_STEADY_K_H = 0.05
"""The least error of a slope by the balance. A choice of ours."""


def found(
    verdict: Verdict, probe: ProbeHeat, plan: HeatPlan, now: Moment, room: float | None
) -> Facts:
    """Returns the facts of a verdict that stands."""
    water = water_seen(probe, plan, now)
    match verdict:
        case Verdict.NOT_HEATING:
            return NotHeating(water, *_where(probe, 0, 0), _missing(probe))
        case Verdict.STUCK_ON:
            return StuckOn(water, *_where(probe, 0, 1), _goes_on(probe))
        case Verdict.TOO_WEAK:
            return TooWeak(water, _share(probe), _bears(probe, room))
        case Verdict.SETTING_MOVED:
            return SettingMoved(water, *moved(probe))
        case Verdict.NOT_COOLING:
            return NotCooling(water, *_where(probe, 1, 1), Chances(1.0, 0.0, 0.0))
        case Verdict.CHILLER_STUCK:
            return ChillerStuck(water, *_where(probe, 1, 0), Chances(1.0, 0.0, 0.0))


def at_limit(probe: ProbeHeat, plan: HeatPlan, now: Moment, room: float | None) -> AtItsLimit:
    """Returns the facts of a heater that is at its limit while the water holds."""
    lately = probe.day.lately(LIMIT_H)
    on = 1.0 if lately is None else lately.heater
    return AtItsLimit(water_seen(probe, plan, now), on, LIMIT_H * 3600.0, _bears(probe, room))


def over(
    alarm: str, probe: ProbeHeat, plan: HeatPlan, now: Moment, *, limit: bool, moves: bool
) -> HeatOver:
    """Returns the facts of a condition that has ended.

    Args:
        limit: whether the heater was only at its limit.
        moves: whether a dial may have been turned: not while the mains were lost.
    """
    mixture = probe.tank.mixture
    likely = 0.0 if mixture is None or not moves else mixture.causes.get(Cause.MOVED, 0.0)
    dial_k = moved(probe)[1] if likely > 0.5 else 0.0
    return HeatOver(water_seen(probe, plan, now), alarm, dial_k, limit)


def water_seen(probe: ProbeHeat, plan: HeatPlan, now: Moment) -> WaterSeen | None:
    """Returns where the water is and where it goes; None before anything is learned."""
    if not probe.learned or probe.tank.mixture is None:
        return None
    at_c, per_h = probe.tank.mixture.leader.water, probe.slope()
    falling = per_h < 0
    edges = (band.low if falling else band.high for band in plan.bands)
    reached = (ahead(probe, per_h, edge) for edge in edges if (at_c > edge) == falling)
    leaves = min(filter(None, reached), key=lambda forecast: forecast.seconds, default=None)
    harms = ahead(probe, per_h, plan.cold_c if falling else plan.hot_c)
    rests = probe.rests_at(probe.heats())
    return WaterSeen(at_c, per_h, now.utc_ms, rests, harms, leaves)


def ahead(probe: ProbeHeat, per_h: float, target: float) -> Forecast | None:
    """Returns when the water reaches a target, going on as now; None where it does not."""
    tank = probe.tank
    assert tank.mixture is not None
    loss, error = tank.learner.law.loss, tank.learner.error(2)
    slow, fast = max(loss - 1.96 * error, SLOWEST), min(loss + 1.96 * error, FASTEST)
    tau_s = (3600 / loss, 3600 / fast, 3600 / slow)
    at = tank.mixture.leader
    slope_error = max(loss * max(at.ww, 0.0) ** 0.5, _STEADY_K_H)
    value_error = max(at.tt, 0.0) ** 0.5
    return reach(at.water, per_h / 3600, slope_error / 3600, target, tau_s, value_error)


def too_warm(probe: ProbeHeat, edge_c: float, at_s: float, *, told: bool) -> float | None:
    """Returns since when the water has been warmer than where the heater goes off although that
    gives nothing, s. Told once it surely leaves its band at `edge_c` within as long again as that
    has lasted, and until it is back in there and goes to the heater's own range."""
    since_s, tank = probe.held.warm_s, probe.tank
    if since_s is None:
        return None
    assert tank.mixture is not None
    water, per_h = tank.mixture.leader.water, probe.slope()
    if told:
        stays = water > edge_c or probe.rests_at(0.0) > tank.pair()[1].at
        return since_s if stays else None
    lasted_s = at_s - since_s
    leaves = ahead(probe, per_h, edge_c)
    latest_s = math.inf if leaves is None or leaves.latest_s is None else leaves.latest_s
    soon = latest_s < lasted_s or (water > edge_c and per_h > 0)
    return since_s if soon and lasted_s >= _WARM_S else None


def _where(probe: ProbeHeat, which: int, end: int) -> tuple[float, int]:
    """Returns where a device's heat begins (`end` 0) or ends as the water rises, and how often it
    did; 0 times for what holds the water at its setting."""
    tank = probe.tank
    if tank.known.proportional and which == 0:
        return held(tank.known)[0], 0
    pair: tuple[Point, Point] | None = tank.pair() if which == 0 else tank.known.pairs[1]
    turns = tank.known.turns[which]
    at_c = pair[end].at if pair is not None else tank.known.base
    return at_c, len(turns.peaks if end else turns.troughs)


def _missing(probe: ProbeHeat) -> Chances:
    assert probe.tank.mixture is not None
    causes = probe.tank.mixture.causes
    weak = causes.get(Cause.WEAK, 0.0) + causes.get(Cause.FAINT, 0.0)
    dial = causes.get(Cause.MOVED_DOWN, 0.0) + causes.get(Cause.MOVED, 0.0)
    return _chances(causes.get(Cause.DEAD, 0.0), weak, dial)


def _goes_on(probe: ProbeHeat) -> Chances:
    assert probe.tank.mixture is not None
    causes = probe.tank.mixture.causes
    dial = causes.get(Cause.MOVED_UP, 0.0) + causes.get(Cause.MOVED, 0.0)
    return _chances(causes.get(Cause.STUCK, 0.0), 0.0, dial)


def _chances(broken: float, weak: float, dial: float) -> Chances:
    total = broken + weak + dial
    if not total > 0:
        return Chances(1.0, 0.0, 0.0)
    return Chances(broken / total, weak / total, dial / total)


def _share(probe: ProbeHeat) -> float | None:
    mixture = probe.tank.mixture
    assert mixture is not None
    causes = mixture.causes
    weak, faint = (causes.get(c, 0.0) for c in (Cause.WEAK, Cause.FAINT))
    if weak + faint < 0.5:
        return None
    return (weak * SHARE[Level.WEAK] + faint * SHARE[Level.FAINT]) / (weak + faint)


def moved(probe: ProbeHeat) -> tuple[tuple[float, ...], float]:
    """Returns where a device whose dial was moved switches or holds the water, °C, and by how much
    that is higher than before, K."""
    tank = probe.tank
    assert tank.mixture is not None
    leader, (low, high) = tank.mixture.leader, tank.pair()
    if tank.known.proportional:
        return (leader.water,), leader.water - low.at
    turns = tank.known.moved_turns
    if not (turns.troughs and turns.peaks):
        # Seen by one switching alone: the other is as far from it as before.
        on = probe.heats() > 0.5
        by_k = leader.low - low.at if on else leader.high - high.at
        return (low.at + by_k, high.at + by_k), by_k
    on_c, off_c = turns.troughs[-1].water + tank.shift, turns.peaks[-1].water + tank.shift
    return (on_c, off_c), (on_c + off_c - low.at - high.at) / 2


def adopted(probe: ProbeHeat, at_c: tuple[float, ...], by_k: float, since_s: float) -> bool:
    """Returns whether the points to which a dial was moved are known as the device's own."""
    known = probe.tank.known
    if known.proportional:
        return abs(held(probe.tank.known)[0] - at_c[0]) < abs(by_k) / 2
    peaks = known.turns[0].peaks
    return bool(peaks) and peaks[0].at_h * 3600 > since_s - _SEEN_S


def _bears(probe: ProbeHeat, room: float | None) -> Bears | None:
    for answer in answers(probe.tank, probe.day):
        if answer.name == "heater.holds-down-to" and answer.high - answer.low <= _BEARS_WITHIN_K:
            return Bears((answer.value, answer.low, answer.high), room)
    return None
