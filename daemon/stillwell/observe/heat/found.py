"""From what the inference of one probe says to facts."""

from __future__ import annotations

from stillwell.alarm.rules.forecast import Forecast
from stillwell.estimate.heat.inference import Inference
from stillwell.estimate.heat.plan import HeaterPlan
from stillwell.estimate.heat.power import NEARLY_ALL
from stillwell.estimate.heat.standing import Condition
from stillwell.notice import Facts
from stillwell.observe.heat.facts import (
    AtItsLimit,
    Bears,
    Kind,
    NotHeating,
    RoomTooWarm,
    SettingMoved,
    SettingSupposed,
    StuckOn,
    TooWeak,
    WaterSeen,
)
from stillwell.reading import Moment

_BEARS_WITHIN_K = 8.0
"""What is known less well is not worth telling. A choice of ours."""


def found(
    condition: Condition, kind: Kind, mind: Inference, plan: HeaterPlan, now: Moment
) -> Facts:
    """Returns the facts of a condition that stands."""
    learned = mind.thermostat
    water = water_seen(mind, plan, now)
    on_c, off_c = learned.trough.level, learned.peak.level
    if kind is Kind.HOLDS:
        on, over_s = mind.power.lately
        return AtItsLimit(water, on, over_s, _bears(mind))
    if kind is Kind.SUPPOSED:
        by_k = mind.dial.supposed_k
        return SettingSupposed(water, off_c + by_k, by_k)
    match condition:
        case Condition.NOT_HEATING:
            return NotHeating(water, on_c, int(learned.trough.count))
        case Condition.STUCK_ON:
            return StuckOn(water, off_c, int(learned.peak.count))
        case Condition.TOO_WEAK:
            return TooWeak(water, _share(mind), _bears(mind))
        case Condition.SETTING_MOVED:
            return SettingMoved(water, on_c, off_c, mind.moved_k)
        case Condition.TOO_WARM:
            return RoomTooWarm(water, off_c)


def water_seen(mind: Inference, plan: HeaterPlan, now: Moment) -> WaterSeen | None:
    """Returns where the water is and where it goes; None before the thermostat is learned."""
    sight = mind.sight
    if sight is None:
        return None
    falling = sight.slope < 0
    return WaterSeen(
        sight.value,
        sight.slope * 3600,
        now.utc_ms,
        mind.forecast(plan.cold_c if falling else plan.hot_c),
        _leaves(mind, plan, sight.value, falling),
    )


def _leaves(mind: Inference, plan: HeaterPlan, value: float, falling: bool) -> Forecast | None:
    edges = (band.low if falling else band.high for band in plan.bands)
    reached = (mind.forecast(edge) for edge in edges if (value > edge) == falling)
    return min(filter(None, reached), key=lambda forecast: forecast.seconds, default=None)


def _share(mind: Inference) -> tuple[float, float, float] | None:
    share = mind.power.share
    if share is None or not share.below(NEARLY_ALL) or share.value <= 0:
        return None
    return share.value, share.value - share.spread, share.value + share.spread


def _bears(mind: Inference) -> Bears | None:
    room = mind.room_c
    now = None if room is None else mind.power.bears(mind.thermostat, room)
    holds = now or mind.thermostat.holds_down_to()
    if holds is None or holds[2] - holds[1] > _BEARS_WITHIN_K:
        return None
    return Bears(holds, room, now is not None)
