"""Whether the forecasts in the heater's alarms are honest: how often the truth lies in their 95 %
interval, and how wide that is.

On tanks with a dead heater, and on tanks with one that does not switch off, the forecast is asked
for at the moment of the alarm and an hour later: when a band of half a kelvin about the learned
setting is left, and when 23 °C or 28 °C is reached, as the probe reads it. The truth is the
model's own water, followed for 36 h, without noise, less what the probe reads too much at the
moment of the asking: its offset and what the chamber is warmer. (In a pause of the pump the chamber
alone may be at 28 °C in minutes, which no forecast is about.) Who is told "not before" without an
end has an interval that is open there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from heater_world import DAY_S, Mind, World, quantile

from stillwell.alarm.rules.forecast import Forecast
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell_drivers.tank_faults import Fault, FaultName
from stillwell_drivers.tank_model import TankParameters

FOLLOWED_S = 36 * 3600.0
LATER_S = 3600.0


@dataclass(frozen=True, slots=True)
class Told:
    """One forecast and what came, hours from when it was told."""

    what: str
    truth: float
    """inf where the water did not get there in 36 h."""
    predicted: float | None
    """None where nothing was said."""
    soonest: float = 0.0
    latest: float = math.inf

    @property
    def held(self) -> bool:
        return self.soonest <= self.truth <= self.latest


@dataclass(slots=True)
class Asked:
    """One forecast until the water is there."""

    what: str
    at_s: float
    target: float
    """Of the water as a whole."""
    found: Forecast | None
    reached_s: float = math.inf

    def told(self) -> Told:
        truth = (self.reached_s - self.at_s) / 3600
        if truth > FOLLOWED_S / 3600:
            truth = math.inf
        found = self.found
        if found is None:
            return Told(self.what, truth, None)
        latest = math.inf if found.latest_s is None else found.latest_s
        return Told(self.what, truth, found.seconds / 3600, found.soonest_s / 3600, latest / 3600)


def told(job: tuple[int, str]) -> list[Told]:
    """Runs one tank; returns its forecasts, none where no alarm came."""
    seed, name = job
    tank = TankParameters.drawn(seed)
    world = World(tank, seed, channels=("water-a", "room"))
    cold = name == FaultName.NOT_HEATING
    condition = Verdict.NOT_HEATING if cold else Verdict.STUCK_ON
    offset = world.offsets["water-a"]
    mind = Mind(tank, room_seen=True)
    begin_s = 3 * DAY_S + (seed % 97) / 97 * DAY_S
    begun = alarm_s = None
    asked: list[Asked] = []
    for look in world.until(7 * DAY_S):
        at, state = look.at_s, look.state
        if alarm_s is not None and at - alarm_s > FOLLOWED_S + LATER_S:
            break
        if alarm_s is None or at <= alarm_s + LATER_S:
            water, room = (reading.value for reading in look.readings)
            assert water is not None
            mind.see(at, water, room)
        if begun is None and at >= begin_s and state.heater_on != cold:
            begun = at
            world.model.inject(Fault(FaultName(name), at))
        if begun is not None and alarm_s is None and condition in mind.standing:
            alarm_s = at
            setting = mind.setting_c
            targets = {"band": setting + (-0.5 if cold else 0.5), "far": 23.0 if cold else 28.0}
        if alarm_s is None:
            continue
        seen = offset + state.chamber_c - state.water_c
        for when, after_s in (("at the alarm", 0.0), ("an hour later", LATER_S)):
            if at == alarm_s + after_s:
                for where, target in targets.items():
                    if (target - seen < state.water_c) == cold:
                        found = mind.forecast(target)
                        asked.append(Asked(f"{where}, {when}", at, target - seen, found))
        for each in asked:
            if (state.water_c <= each.target) if cold else (state.water_c >= each.target):
                each.reached_s = min(each.reached_s, at)
    return [each.told() for each in asked]


def forecasts(seeds: Sequence[int], jobs: int) -> None:
    """Prints the table."""
    print(
        "forecasts, hours; seeds "
        f"{seeds[0]}..{seeds[-1]}; width: (latest - soonest) / predicted, of those with both ends"
    )
    print(
        f"  {'':44}{'n':>5}{'held':>7}{'early':>7}{'late':>6}{'open':>6}{'width':>7}"
        f"{'predicted':>10}{'error':>8}{'silent':>8}{'(it came)':>11}"
    )
    for name in ("not-heating", "heater-stuck-on"):
        with ProcessPoolExecutor(jobs) as pool:
            rows = [row for rows in pool.map(told, [(s, name) for s in seeds]) for row in rows]
        for what in sorted({row.what for row in rows}):
            these = [row for row in rows if row.what == what]
            said = [row for row in these if row.predicted is not None]
            silent = [row for row in these if row.predicted is None]
            if not said:
                continue
            closed = [
                (row.latest - row.soonest) / row.predicted
                for row in said
                if row.predicted and math.isfinite(row.latest)
            ]
            errors = [
                (row.predicted or 0.0) / row.truth - 1 for row in said if math.isfinite(row.truth)
            ]
            print(
                f"  {f'{name}, {what}':44}{len(said):5}"
                f"{sum(row.held for row in said) / len(said):7.0%}"
                f"{sum(row.truth < row.soonest for row in said):7}"
                f"{sum(row.truth > row.latest for row in said):6}"
                f"{len(said) - len(closed):6}"
                f"{quantile(closed, 0.5) if closed else math.nan:7.2f}"
                f"{quantile((row.predicted or 0.0 for row in said), 0.5):10.2f}"
                f"{quantile(errors, 0.5) if errors else math.nan:8.0%}"
                f"{len(silent):8}{sum(math.isfinite(row.truth) for row in silent):11}"
            )
