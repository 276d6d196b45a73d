"""What one probe's trace says of heater and water: learning and judging, reading by reading."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from stillwell.alarm.rules.forecast import Forecast
from stillwell.estimate.heat.dial import Dial
from stillwell.estimate.heat.duty import Duty
from stillwell.estimate.heat.forecast import reach
from stillwell.estimate.heat.jumps import Jumps
from stillwell.estimate.heat.power import BACK_FOR_S, BACK_K, MOSTLY, Power
from stillwell.estimate.heat.relay_filter import LOSS_GAP_SHARE, RelayFilter, Verdict
from stillwell.estimate.heat.sawtooth import BIN_S, LONGEST, Half, Minute, SawTooth
from stillwell.estimate.heat.standing import Condition, Standing
from stillwell.estimate.heat.stories import Knowledge
from stillwell.estimate.heat.tears import SETTLE_S
from stillwell.estimate.heat.thermostat import MOVED_K, Thermostat
from stillwell.estimate.noise import Noise

ALONG = 0.4
"""Heating without end goes on along the heating curve: at this share of its slope at least. What
stands still above the upper point is a chamber whose pump stands, warmed a little too far."""
ASTRAY_S = 900.0
"""Nor within this after the water went otherwise than foretold: a feeding pause is over then."""
WARM_K = 0.5
"""Above the upper switching point with the heater off: the room, and no longer overshoot."""
WARM_FOR_S = 1200.0
WHOLE_S = 3600.0
"""A room warms water slowly: what came by a tear of the trace is no warm room."""
MENDING_S = 1800.0
"""While a tear is measured no fault is believed: it may have been another probe. No longer."""
CALM_S = 3600.0
"""A switch away from its usual point tells of dial or power only when the water has gone as
foretold for so long before it."""
OPPOSED = -3.0
"""Log likelihood ratio at which one probe opposes what another says of the relay."""
WARMS_FOR_S = 900.0
"""A heater that was told dead heats again when the water has gone along the heating curve for so
long: after hours without current it may take hours more up to the lower switching point."""
OFF_FOR_S = 900.0
"""A heater that was told not to switch off has done so when the water has fallen for so long: a
pour of cold water lets it fall for minutes."""
SLEEPS_S = 3600.0
TIP_S = 120.0
"""Between the switch and the turning point."""
USUAL_K = 0.05
"""So near to its switching point the relay has switched where it always does: half of what another
probe, or another setting, moves it by at least."""


@dataclass(frozen=True, slots=True)
class Sight:
    """Where the water is now by the filter, °C and K/s."""

    value: float
    value_error: float
    slope: float
    slope_error: float
    relay: bool | None


def _untold(_from_s: float, _to_s: float) -> float | None:
    return None


class Inference:
    """One probe. `see` once a good reading, in time order; times are monotonic seconds."""

    def __init__(self) -> None:
        self.noise = Noise()
        self.thermostat = Thermostat()
        self.filter: RelayFilter | None = None
        self.duty = Duty()
        self.unmixed_s = -math.inf
        """When the chamber's water was last known not to mix with the tank's; whoever has seen it
        says so."""
        self._missed_c: float | None = None
        """Where the water was, °C, when the pump stopped beside a heater that was told dead."""
        self.lit: Callable[[float, float], float | None] = _untold
        """The part of the time between two instants in which the lamp should burn; None where
        nobody knows its hours."""
        self.lessons = 0
        """Grows whenever something is learned of the thermostat."""
        self._saw = SawTooth()
        self._minute = -1
        self._sum = 0.0
        self._count = 0
        self._rooms: deque[Minute] = deque(maxlen=LONGEST)
        self._at_s = 0.0
        self.jumps = Jumps(self.thermostat, self.noise)
        self._torn_s = -math.inf
        self._astray: deque[float] = deque(maxlen=8)
        """When the water last went otherwise than foretold."""
        self.room_c: float | None = None
        """The room, as last seen; None where nobody knows."""
        self._standing = Standing()
        self.dial = Dial(self._standing)
        self.dial.explained = self.jumps.explain
        self.power = Power(self._standing)

    @property
    def standing(self) -> dict[Condition, float]:
        """What stands, and since when."""
        return self._standing.since

    @property
    def changes(self) -> int:
        """Grows whenever `standing` changes, or what is to be said of it."""
        return self._standing.changes

    @property
    def moved_k(self) -> float:
        """By how much the setting has been moved, as long as that is told."""
        return self.dial.moved_k

    @property
    def learned(self) -> bool:
        return self.thermostat.learned

    # -- a reading -------------------------------------------------------------------------------

    def see(self, t_s: float, value: float, room_c: float | None = None) -> None:
        """Takes one good reading of the probe, and what the room is at."""
        if t_s <= self._at_s:
            return
        if self.jumps.see_gap(self._at_s, t_s, value, self.filter):
            self._know(t_s)
        self._at_s = t_s
        self.noise.add(t_s, value)
        self.room_c = room_c
        minute = int(t_s // BIN_S)
        if minute != self._minute:
            if self._count:
                self._end_minute(t_s)
                if self.filter is not None:
                    self._look(t_s)
            self._minute, self._sum, self._count = minute, 0.0, 0
        self._sum += value
        self._count += 1
        if self.filter is not None:
            self._judge(t_s, value)
        elif self.learned:
            self.filter = RelayFilter(self._knowledge(t_s))
            self.filter.begin(t_s, value, loss_share=LOSS_GAP_SHARE)

    def _end_minute(self, t_s: float) -> None:
        mean = self._sum / self._count
        sigma = self.noise.usual / math.sqrt(self._count)
        at = (self._minute + 0.5) * BIN_S
        if self.room_c is not None:
            self._rooms.append((at, self.room_c))
        self.power.heat.add((at, mean), self.room_c, self.lit(at - BIN_S / 2, at) or 0.0)
        self.jumps.trail.add((at, mean))
        half = self._saw.add((at, mean), sigma, self.thermostat.swing)
        if half is not None:
            self._learn(half, t_s)

    def _learn(self, half: Half, t_s: float) -> None:
        beside = [c for at_s, c in self._rooms if half.start_s <= at_s <= half.end_s]
        room = sum(beside) / len(beside) if beside else None
        if half.start_s < self.jumps.trail.settled_s:
            return  # straight lines on either side of a jump meet anywhere
        if self.power.apart:
            return  # a chamber alone is another tank
        lit = self.lit(half.start_s, half.end_s)
        self.dial.found(self.thermostat.take(half, room, lit), self.thermostat)
        self._know(t_s)

    def _know(self, t_s: float) -> None:
        self.lessons += 1
        if self.filter is not None:
            self.filter.learn(self._knowledge(t_s))

    def _knowledge(self, t_s: float) -> Knowledge:
        thermostat = self.thermostat
        trough, trough_spread = thermostat.trough.ahead(t_s)
        peak, peak_spread = thermostat.peak.ahead(t_s)
        return Knowledge(
            trough,
            trough_spread,
            peak,
            peak_spread,
            thermostat.gain.mean,
            thermostat.loss.mean,
            1.05 * self.noise.usual,
            thermostat.moves(peak=False),
            thermostat.moves(peak=True),
        )

    # -- judging ---------------------------------------------------------------------------------

    def _judge(self, t_s: float, value: float) -> None:
        assert self.filter is not None
        watch = self.filter
        story = watch.best
        course = (story.t, watch.slope) if story else (value, 0.0)
        verdict = watch.step(t_s, value)
        if verdict is Verdict.TORN:
            self._tear_off(t_s)
            return
        if watch.astray_s == t_s:
            self._astray.append(t_s)
            self.power.torn(t_s)
            self.jumps.tear.mark(t_s, torn=False)
        whole = self.jumps.tear.add(t_s, value, course)
        if whole and self.jumps.mend(t_s, watch, self.power.apart):
            self._know(t_s)
        if verdict is Verdict.WAITING or t_s - self._torn_s < SETTLE_S:
            return
        relay = watch.relay
        began = self.jumps.tear.began_s
        if verdict is Verdict.STAYED and began is not None and t_s - began < MENDING_S:
            return
        if verdict is Verdict.SWITCHED:
            self._switched(t_s, watch, bool(relay))
        elif verdict is Verdict.WEAK:
            self.power.grown_weak(t_s, watch, self.thermostat)
        elif relay:
            self._stayed_on(t_s, watch)
        elif t_s - self.unmixed_s < SETTLE_S:
            return  # the heater's warmth stays in the chamber
        elif Condition.NOT_HEATING in self._standing or not self._looked_back(t_s, -1.0):
            self.power.stayed_off(t_s, self._passed_s(t_s, watch), watch, self.thermostat)

    def _tear_off(self, t_s: float) -> None:
        """What the half cycle has said so far is void."""
        self.jumps.tear.mark(t_s, torn=True)
        self._torn_s = t_s
        self._standing.cut()
        self.power.torn(t_s)
        self.duty.turn(t_s, None)

    def unmixed(self) -> None:
        """The pump has stopped: a probe in the tank sees nothing of the heater until it is
        `mixed_again`."""
        self._missed_c = None
        if self.filter is not None and Condition.NOT_HEATING in self.standing:
            best = self.filter.best
            self._missed_c = None if best is None else best.t

    def mixed_again(self) -> None:
        """The pump had paused and runs again: a probe in the tank has seen nothing of the heater
        meanwhile, one in the chamber nothing else."""
        if self.filter is not None and self.filter.best is not None:
            self.filter.begin(self._at_s, self.filter.best.t)
            self._tear_off(self._at_s)

    def _switched(self, t_s: float, watch: RelayFilter, on: bool) -> None:
        """The relay has switched, and heater or thermostat work."""
        self.duty.turn(watch.turned_s, on)
        if Condition.STUCK_ON in self._standing:
            # Cold water that is poured in looks like it for minutes: `_look_at_levels` believes it.
            return
        calm = self._calm(watch)
        missed = on and Condition.NOT_HEATING in self._standing
        self.power.switched(watch, on, self.thermostat, watch.turned_s - self._torn_s > CALM_S)
        self._see_point(t_s, watch, on, calm, missed)

    def _see_point(
        self, t_s: float, watch: RelayFilter, on: bool, calm: bool, missed: bool
    ) -> None:
        """Where the relay has switched: see `Dial.switched`."""
        if watch.turned_s < self.unmixed_s + SETTLE_S:
            return  # the chamber alone was so warm, or so cold
        if abs(self.dial.off(watch, on, self.thermostat)[0]) < USUAL_K:
            self.jumps.trail.usual_s = watch.turned_s
        if self.dial.switched(watch, on, self.thermostat, calm, missed):
            self._know(t_s)

    def _came_on_unmixed(self, t_s: float, watch: RelayFilter) -> None:
        """A heater that was told dead when the pump stopped, and heats once it runs again, has come
        on in between: about where the water was."""
        missed_c, self._missed_c = self._missed_c, None
        if missed_c is None or not watch.relay or self.thermostat.moved_k:
            return
        off = missed_c - self.thermostat.trough.level
        if off < -MOVED_K:
            self.thermostat.suspect_dial(off, watch.began_s, peak=False)
            self._know(t_s)

    def _calm(self, watch: RelayFilter) -> bool:
        """Whether the water had gone as foretold before the relay switched. The switch itself,
        where nobody expected it, may lead the filter astray."""
        before_s = watch.turned_s - TIP_S
        rough = (at for at in (self._torn_s, *self._astray) if at < before_s)
        return before_s - max(rough, default=-math.inf) > CALM_S

    def _stayed_on(self, t_s: float, watch: RelayFilter) -> None:
        """It should have gone off."""
        if t_s - self.unmixed_s < SETTLE_S:
            return  # a heater that was just switched off warms the chamber alone for a while
        if self._along(watch) and t_s - watch.astray_s > ASTRAY_S:
            if Condition.STUCK_ON not in self.standing and self._looked_back(t_s, 1.0):
                return
            self._standing.stand(Condition.STUCK_ON, self._passed_s(t_s, watch))

    @staticmethod
    def _along(watch: RelayFilter) -> bool:
        """Whether the water rises along the heating curve."""
        return watch.slope > ALONG * (watch.known.gain - watch.known.loss)

    def _passed_s(self, t_s: float, watch: RelayFilter) -> float:
        """When the switching point was passed; four hours ago at most."""
        assert watch.best is not None
        on = bool(watch.relay)
        way = watch.best.t - watch.known.peak if on else watch.known.trough - watch.best.t
        speed = watch.slope if on else -watch.slope
        return t_s - (min(14_400.0, max(0.0, way) / speed) if speed > 0 else 0.0)

    def _looked_back(self, t_s: float, way: float) -> bool:
        """Before a fault is believed: see `Jumps.found_behind`."""
        assert self.filter is not None
        if not self.jumps.found_behind(t_s, way, self.filter):
            return False
        self._know(t_s)
        return True

    def interrupt(self) -> None:
        """The machine was off, and nobody knows for how long: what is learned stays, and the half
        cycle that was going on does not."""
        self.filter = None
        self.duty.turn(self._at_s, None)
        self._standing.cut()
        self.power.interrupt()
        self._saw.restart()
        self.jumps.clear()

    def was_alone(self, by_k: float) -> None:
        """The jump of the trace by `by_k` is known not to be water: another probe saw none of
        it. What was taken for the usual pour is none then."""
        if not self.thermostat.moved_k:
            self.thermostat.jump(by_k, self._at_s, alone=True)
            self._know(self._at_s)

    def was_water(self) -> None:
        """The last jump of the trace is known to be water that was poured in, not the probe."""
        self.thermostat.was_water()
        self._know(self._at_s)

    def _look(self, t_s: float) -> None:
        """Once a minute: what time and level alone begin or end."""
        watch = self.filter
        assert watch is not None
        if watch.best is None or t_s - self._torn_s < SETTLE_S:
            return
        if self.duty.state is None and watch.relay is not None:
            self.duty.turn(watch.began_s, watch.relay)
            self._came_on_unmixed(t_s, watch)
        self._look_at_levels(t_s, watch)
        self.dial.look(t_s)
        self._look_for_sleep(t_s, watch)
        self.power.look(t_s, watch, self.thermostat, self.duty)

    def _look_at_levels(self, t_s: float, watch: RelayFilter) -> None:
        """What water that is too warm begins or ends."""
        assert watch.best is not None
        standing, water, peak = self._standing, watch.best.t, watch.known.peak
        relay = watch.relay
        whole = t_s - max(self._torn_s, watch.astray_s) > WHOLE_S
        warm = water > peak + WARM_K and relay is False
        # Only a room that is warmer than the water, or a heater, lifts it so.
        heats = warm and self._along(watch) and (self.room_c is None or self.room_c < water)
        endless = Condition.STUCK_ON in standing
        if standing.lasts("heats", heats and not endless, t_s, WARM_FOR_S):
            standing.stand(Condition.STUCK_ON, standing.began_s("heats"))
            standing.clear(Condition.TOO_WARM)
        warm = whole and warm and not heats and not endless
        if standing.lasts("warm", warm, t_s, WARM_FOR_S):
            standing.stand(Condition.TOO_WARM, standing.began_s("warm"))
        if water < peak + BACK_K or relay:
            standing.clear(Condition.TOO_WARM)
        warms = relay is not False and self._along(watch) and water < peak
        if standing.lasts("warms", warms, t_s, WARMS_FOR_S):
            standing.clear(Condition.NOT_HEATING)
        if standing.lasts("down", water < peak - BACK_K, t_s, BACK_FOR_S):
            standing.clear(Condition.STUCK_ON)
        if standing.lasts("off", endless and relay is False and watch.slope < 0, t_s, OFF_FOR_S):
            standing.clear(Condition.STUCK_ON)
            self._see_point(t_s, watch, False, self._calm(watch), missed=True)

    def _look_for_sleep(self, t_s: float, watch: RelayFilter) -> None:
        """The filter waits for a relay that should have come on. Where the water has risen it has
        missed something and begins anew; where all the heat comes, the relay is on: near its limit
        a heater lifts the water as little as none."""
        due_s = watch.due_s
        if watch.best is None or watch.relay is not False or due_s is None:
            return
        share = self.power.heat.measure(self.thermostat, due_s)
        if share is not None and share.seconds > SLEEPS_S and share.above(MOSTLY):
            watch.begin(t_s, watch.best.t, relay=True)
            watch.best.loss = watch.known.gain - share.slope
            watch.due_s = None
            self.duty.turn(due_s, True)
            return
        risen = watch.best.t > watch.known.trough + BACK_K
        if self._standing.lasts("risen", risen, t_s, SLEEPS_S):
            watch.begin(t_s, watch.best.t, loss_share=LOSS_GAP_SHARE)
            watch.due_s = None
            self.duty.turn(t_s, None)
            self.power.torn(t_s)

    # -- answers ---------------------------------------------------------------------------------

    @property
    def sight(self) -> Sight | None:
        """Where the water is now; None before the thermostat is learned."""
        watch = self.filter
        if watch is None or watch.best is None:
            return None
        stays = Condition.NOT_HEATING in self.standing or Condition.STUCK_ON in self.standing
        value, slope, slope_error = watch.course(stays)
        return Sight(value, watch.errors[0], slope, slope_error, watch.relay)

    def within(self, condition: Condition) -> bool:
        """Whether the water, as this probe sees it, is well within the switching point beyond which
        it would have to be for `condition`, by a quarter of the differential; or on its way there,
        because the relay has switched by its trace as well."""
        sight, swing, watch = self.sight, self.thermostat.swing, self.filter
        if sight is None or swing is None or watch is None:
            return False
        cold = condition is not Condition.STUCK_ON
        if sight.relay is cold or watch.certainty < OPPOSED:
            return True
        if cold:
            return sight.value > self.thermostat.trough.level + swing / 4
        return sight.value < self.thermostat.peak.level - swing / 4

    def forecast(self, target: float) -> Forecast | None:
        """When the water is at `target`, °C as this probe reads it, if all goes on as it goes
        now."""
        sight = self.sight
        if sight is None:
            return None
        tau_s = self.thermostat.room.tau_s()
        return reach(sight.value, sight.slope, sight.slope_error, target, tau_s, sight.value_error)

    # -- across restarts -------------------------------------------------------------------------

    def to_json(self) -> dict[str, Any]:
        """What a restart needs: under 2 kB, whatever the history."""
        return {
            "thermostat": self.thermostat.to_json(),
            "noise": self.noise.to_json(),
            "standing": self._standing.to_json(),
            "moved_k": self.dial.moved_k,
            "supposed_k": self.dial.supposed_k,
            "power": self.power.to_json(),
            "duty": self.duty.to_json(),
        }

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError, KeyError or TypeError for anything else,
        and is then as new."""
        fresh = Inference()
        fresh.thermostat.restore(kept["thermostat"])
        fresh.noise.restore(kept["noise"])
        fresh.duty.restore(kept.get("duty", []))
        fresh._standing.restore(kept["standing"])
        fresh.dial.moved_k = float(kept["moved_k"])
        fresh.dial.supposed_k = float(kept.get("supposed_k", 0.0))
        if "power" in kept:
            fresh.power.restore(kept["power"])
        self.thermostat, self.noise, self.duty = fresh.thermostat, fresh.noise, fresh.duty
        fresh.power.dark = self.power.dark
        self.jumps = fresh.jumps
        self._standing, self.dial, self.power = fresh._standing, fresh.dial, fresh.power
        self.filter = None

    def rezeroed(self, by_k: float) -> Inference:
        """Returns what is known, for a probe whose every word is by so much higher from now on.
        What was under way is left: it is seen once more within hours."""
        fresh = Inference()
        fresh.restore(self.to_json())
        fresh.thermostat.trough.level += by_k
        fresh.thermostat.peak.level += by_k
        return fresh
