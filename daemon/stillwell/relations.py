"""Which alarm follows from which, for the watch: (consequence, cause) pairs, and how long some take
to follow a cause that is over. Pure: made of the plans of what is watched."""

from __future__ import annotations

from stillwell.alarm.plan import Agreement, Band
from stillwell.alarm.rules.discrepancy import Discrepancy
from stillwell.estimate.heat import Condition, HeaterPlan
from stillwell.observe.chamber import rules as level_rules
from stillwell.observe.chamber.gauge_watch import GaugePlan
from stillwell.observe.chamber.plan import LevelPlan
from stillwell.observe.heat.watch import MAINS_LOST, PUMP_RESTS, PUMP_STOPPED
from stillwell.observe.lamp import alarms as lamp_alarms

ROOM = "room"
"""The channel of the room's temperature, by its name."""

SENSOR_PATIENCE_S = 2.5 * 3600.0
"""Of an hour of a float's looks, after two looks of the rules."""
STILL_PATIENCE_S = (level_rules.STILL_WINDOW_H + 2) * 3600.0
POUR_PATIENCE_S = 26 * 3600.0
"""The next pour, a day later at most, shows that a gauge is where it was."""


def heater_alarms(plan: HeaterPlan) -> tuple[str, ...]:
    """The names of the alarms of the heater's watch."""
    probes = (*plan.probes, *((plan.room,) if plan.room else ()))
    return (
        *map(str, Condition),
        MAINS_LOST,
        PUMP_STOPPED,
        *(f"{name}.doubtful" for name in probes),
    )


def by_hand(
    level: LevelPlan | None, heater: HeaterPlan | None, gauge: GaugePlan | None
) -> tuple[str, ...]:
    """For `WatchPlan.by_hand`: which of these alarms a hand in the tank or at a plug causes. A leak
    and a heater that does not switch off ring whoever works there."""
    quiet_level = ("level.top-up", "level.too-high", "level.standstill", "level.disagree")
    rings = (str(Condition.WITHOUT_END), str(Condition.TOO_WARM))
    return (
        *((*quiet_level, *level.alarms()) if level else ()),
        *((alarm for alarm in heater_alarms(heater) if alarm not in rings) if heater else ()),
        *((gauge.alarm,) if gauge else ()),
        *lamp_alarms(),
    )


def doubts_of(level: LevelPlan | None, heater: HeaterPlan | None) -> tuple[tuple[str, str], ...]:
    """(alarm, channel): which alarms say that a channel is not to be believed."""
    doubtful = (name for name in heater_alarms(heater)) if heater else ()
    said = (*(a for a in doubtful if a.endswith(".doubtful")), *(level.alarms() if level else ()))
    return tuple((alarm, alarm.rpartition(".")[0]) for alarm in said)


def doubt_relations(
    bands: tuple[Band, ...],
    discrepancies: tuple[Discrepancy, ...],
    agreements: tuple[Agreement, ...],
    doubts: tuple[tuple[str, str], ...],
) -> tuple[tuple[str, str], ...]:
    """(consequence, cause) for channels that are not believed: what else would be said of the same
    sensor, and of water that is seen through it."""
    pairs = [(f"{name}.stuck", alarm) for alarm, name in doubts]
    pairs += [(alarm, f"{name}.{kind}") for alarm, name in doubts for kind in ("silent", "fault")]
    for band in bands:
        # That nobody sees the water is said by the last of its probes that is not believed.
        pairs += [(f"{band.name}.unseen", alarm) for alarm, name in doubts if name in band.channels]
        if len(band.channels) == 1:
            kinds = ("low", "high", "rate")
            pairs += [
                (f"{band.name}.{k}", a)
                for a, name in doubts
                for k in kinds
                if name in band.channels
            ]
    for state in discrepancies:
        pairs += [(state.name, alarm) for alarm, name in doubts if name == state.channel]
    # The heater's heat stays in the chamber of a pump that stands, and its thermostat with it: what
    # it does there is no habit of the tank's. That it does not switch off is told all the same.
    pairs += [
        (str(condition), PUMP_STOPPED)
        for condition in (Condition.NOT_HEATING, Condition.SHORT_OF_POWER, Condition.SETTING_MOVED)
    ]
    pairs += [
        (f"{b.name}.{k}", PUMP_STOPPED) for b in bands if b.of_water for k in ("high", "rate")
    ]
    # A pump that stands parts the chamber's probe from the tank's for good.
    pairs += [(a, PUMP_STOPPED) for a, n in doubts if a.endswith(".doubtful") and n != ROOM]
    for agreement in agreements:
        pairs.append((f"{agreement.name}.apart", PUMP_STOPPED))
        pairs += [
            (f"{agreement.name}.apart", alarm)
            for alarm, name in doubts
            if name in agreement.channels
        ]
    return tuple(pairs)


def pump_relations(
    level: LevelPlan | None, gauge: GaugePlan | None, discrepancies: tuple[Discrepancy, ...]
) -> tuple[tuple[str, str], ...]:
    """(consequence, cause) for a pump that stands: it lifts the water in the chamber, and whatever
    measures there disagrees with what was before."""
    sensors = (
        *(("level.disagree", *level.alarms()) if level else ()),
        *((gauge.alarm,) if gauge else ()),
    )
    water = (
        *(("level.too-high", "level.standstill") if level else ()),
        *(d.name for d in discrepancies if d.in_chamber and d.wrong_above),
    )
    # Water that stands too high may be the first that is seen of it, and is told.
    return (
        *((alarm, PUMP_RESTS) for alarm in sensors),
        *((alarm, cause) for alarm in (*sensors, *water) for cause in (PUMP_STOPPED, MAINS_LOST)),
    )


def level_patience(
    level: LevelPlan | None, gauge: GaugePlan | None
) -> tuple[tuple[str, float], ...]:
    """(alarm, seconds) for `WatchPlan.patience`: how long what the level shows may take to follow
    a pump that runs again."""
    sensors = ("level.disagree", "level.too-high", *level.alarms()) if level else ()
    return (
        *((alarm, SENSOR_PATIENCE_S) for alarm in sensors),
        ("level.standstill", STILL_PATIENCE_S),
        *(((gauge.alarm, POUR_PATIENCE_S),) if gauge else ()),
    )
