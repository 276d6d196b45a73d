"""What one probe's trace says of heater and water: learning and judging, reading by reading."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from stillwell.alarm.forecast import Forecast
from stillwell.estimate.heater.forecast import reach
from stillwell.estimate.heater.relay_filter import LOSS_GAP_SHARE, Knowledge, RelayFilter, Verdict
from stillwell.estimate.heater.sawtooth import BIN_S, Half, SawTooth
from stillwell.estimate.heater.thermostat import Moved, Thermostat
from stillwell.estimate.noise import Noise

SETTLE_S = 300.0
"""After the trace was torn nothing is judged for so long."""
JUMP_K = 0.05
"""A lasting jump of the trace that is worth keeping in mind."""
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
LEAST_SHARE = 0.2
"""So little heat may be the lamp's that has come on since: then the heater gives none."""
BACK_K = 0.10
BACK_FOR_S = 1800.0
MOVED_FOR_S = 86_400.0
"""How long a moved setting is told: then it is the setting."""


class Condition(StrEnum):
    """What can be wrong with heat, as the alarms are called."""

    NOT_HEATING = "heater.not-heating"
    WITHOUT_END = "heater.without-end"
    SHORT_OF_POWER = "heater.short-of-power"
    SETTING_MOVED = "heater.setting-moved"
    TOO_WARM = "room.too-warm"


@dataclass(frozen=True, slots=True)
class Sight:
    """Where the water is now by the filter, °C and K/s."""

    value: float
    slope: float
    slope_error: float
    relay: bool | None


class Inference:
    """One probe. `see` once a good reading, in time order; times are monotonic seconds."""

    def __init__(self) -> None:
        self.noise = Noise()
        self.thermostat = Thermostat()
        self.standing: dict[Condition, float] = {}
        """What stands, and since when."""
        self.moved_k = 0.0
        """By how much the setting has been moved, as long as that is told."""
        self.replaced: Moved | None = None
        """The last jump that turned out to be the probe's own."""
        self.filter: RelayFilter | None = None
        self._saw = SawTooth()
        self._minute = -1
        self._sum = 0.0
        self._count = 0
        self._room_sum = 0.0
        self._room_count = 0
        self._at_s = 0.0
        self._tear: tuple[float, float, float] | None = None
        """While the trace is torn: when that began, the value before, and its slope."""
        self._torn_s = -math.inf
        self._past: deque[tuple[float, float, float]] = deque(maxlen=8)
        """Time, temperature and slope while the trace is whole."""
        self._after: list[tuple[float, float]] = []
        """Readings since it was last torn."""
        self._held_since: dict[str, float] = {}

    @property
    def learned(self) -> bool:
        return self.thermostat.learned

    # -- a reading -------------------------------------------------------------------------------

    def see(self, t_s: float, value: float, room_c: float | None = None) -> None:
        """Takes one good reading of the probe, and what the room is at."""
        if t_s <= self._at_s:
            return
        self._at_s = t_s
        self.noise.add(t_s, value)
        if room_c is not None:
            self._room_sum += room_c
            self._room_count += 1
        minute = int(t_s // BIN_S)
        if minute != self._minute:
            if self._count:
                self._end_minute(t_s)
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
        half = self._saw.add((at, mean), sigma, self.thermostat.swing)
        if half is not None:
            self._learn(half, t_s)

    def _learn(self, half: Half, t_s: float) -> None:
        room = self._room_sum / self._room_count if self._room_count else None
        self._room_sum, self._room_count = 0.0, 0
        moved = self.thermostat.take(half, room)
        if moved is not None:
            if moved.jumped:
                self.replaced = moved
            else:
                self._tell_moved(moved)
        if self.filter is not None:
            self.filter.learn(self._knowledge(t_s))

    def _tell_moved(self, moved: Moved) -> None:
        total = self.moved_k + moved.by_k
        if abs(total) < 0.1:
            self._clear(Condition.SETTING_MOVED)
            self.moved_k = 0.0
            return
        self.moved_k = total
        self.standing[Condition.SETTING_MOVED] = moved.at_s

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
            thermostat.jump_k,
        )

    # -- judging ---------------------------------------------------------------------------------

    def _judge(self, t_s: float, value: float) -> None:
        assert self.filter is not None
        watch = self.filter
        before = self.sight
        verdict = watch.step(t_s, value)
        if verdict is Verdict.TORN:
            self._mark(t_s)
            self._torn_s = t_s
            self._held_since.clear()
            return
        if watch.astray_s == t_s:
            self._mark(t_s)
        if self._tear is None:
            self._past.append((t_s, before.value, before.slope) if before else (t_s, value, 0.0))
        else:
            since_s = t_s - max(self._torn_s, watch.astray_s)
            if since_s > SETTLE_S / 4:
                self._after.append((t_s, value))
            if since_s >= SETTLE_S:
                self._mend()
        if t_s - self._torn_s < SETTLE_S:
            return
        sight = self.sight
        if sight is None:
            return
        trough, peak = watch.known.trough, watch.known.peak
        match verdict:
            case Verdict.SWITCHED if sight.relay:
                self._clear(Condition.NOT_HEATING)
            case Verdict.SWITCHED:
                self._clear(Condition.WITHOUT_END)
                if sight.value > (trough + peak) / 2:
                    self._clear(Condition.SHORT_OF_POWER)
            case Verdict.WEAK if self._share(sight) < LEAST_SHARE:
                since = t_s - _passed(trough - sight.value, -sight.slope)
                self._stand(Condition.NOT_HEATING, since)
            case Verdict.WEAK:
                self._clear(Condition.NOT_HEATING)
                self._stand(Condition.SHORT_OF_POWER, watch.began_s)
            case Verdict.STAYED if not sight.relay:
                self._clear(Condition.SHORT_OF_POWER)
                since = t_s - _passed(trough - sight.value, -sight.slope)
                self._stand(Condition.NOT_HEATING, since)
            case Verdict.STAYED:
                along = sight.slope > ALONG * (watch.known.gain - watch.known.loss)
                if along and t_s - watch.astray_s > ASTRAY_S:
                    since = t_s - _passed(sight.value - peak, sight.slope)
                    self._stand(Condition.WITHOUT_END, since)
        self._watch_levels(t_s, sight, trough, peak)
        self._watch_power(t_s, sight)

    def _mark(self, t_s: float) -> None:
        """The trace has gone where it was not foretold to go: from where is kept, for `_mend`."""
        self._after.clear()
        if self._tear is None and self._past:
            self._tear = self._past[0]

    def _mend(self) -> None:
        """The trace is whole again: by how much it has jumped for good is kept in mind."""
        assert self.filter is not None
        assert self._tear is not None
        began, value, slope = self._tear
        self._tear = None
        self._past.clear()
        if not self._after:
            return
        count = len(self._after)
        at = sum(t for t, _ in self._after) / count
        mean = sum(value for _, value in self._after) / count
        self._after.clear()
        if at - began > 7200.0:
            return
        jump = mean - value - slope * min(at - began, 900.0)
        # A relay that has switched meanwhile has bent the course as well.
        flipped = self.filter.began_s > began or self.filter.relay is None
        unsure = 0.5 * self.filter.known.gain * min(at - began, 900.0) if flipped else 0.0
        if abs(jump) > JUMP_K + unsure:
            self.thermostat.jump(jump, self._at_s)
            self.filter.learn(self._knowledge(self._at_s))

    def _watch_levels(self, t_s: float, sight: Sight, trough: float, peak: float) -> None:
        """Conditions that the level alone begins or ends."""
        assert self.filter is not None
        whole = t_s - max(self._torn_s, self.filter.astray_s) > WHOLE_S
        warm = whole and sight.value > peak + WARM_K and sight.relay is False
        if self._for("warm", warm and Condition.WITHOUT_END not in self.standing, t_s, WARM_FOR_S):
            self._stand(Condition.TOO_WARM, self._held_since["warm"])
        if sight.value < peak + BACK_K or sight.relay:
            self._clear(Condition.TOO_WARM)
        if self._for("up", sight.value > trough + BACK_K, t_s, BACK_FOR_S):
            self._clear(Condition.NOT_HEATING)
        if self._for("down", sight.value < peak - BACK_K, t_s, BACK_FOR_S):
            self._clear(Condition.WITHOUT_END)
        moved = self.standing.get(Condition.SETTING_MOVED)
        if moved is not None and t_s - moved > MOVED_FOR_S:
            self._clear(Condition.SETTING_MOVED)
            self.moved_k = 0.0

    def _watch_power(self, t_s: float, sight: Sight) -> None:
        """The heater is on and on, and the water does not rise."""
        assert self.filter is not None
        known = self.filter.known
        weak = (
            sight.relay is True
            and sight.slope < 0.03 * known.gain
            and sight.value < known.trough - max(0.05, 3 * known.trough_spread)
        )
        if not self._for("power", weak, t_s, BACK_FOR_S):
            return
        if self._share(sight) < LEAST_SHARE:
            self._clear(Condition.SHORT_OF_POWER)
            self._stand(Condition.NOT_HEATING, self._held_since["power"])
        elif Condition.NOT_HEATING not in self.standing:
            self._stand(Condition.SHORT_OF_POWER, self._held_since["power"])

    def _share(self, sight: Sight) -> float:
        """How much of the heater's usual heat seems to come now."""
        thermostat = self.thermostat
        return (sight.slope + thermostat.loss.mean) / thermostat.gain.mean

    def _for(self, name: str, holds: bool, t_s: float, long_s: float) -> bool:
        if not holds:
            self._held_since.pop(name, None)
            return False
        return t_s - self._held_since.setdefault(name, t_s) >= long_s

    def _stand(self, condition: Condition, since_s: float) -> None:
        self.standing.setdefault(condition, since_s)

    def _clear(self, condition: Condition) -> None:
        self.standing.pop(condition, None)

    # -- answers ---------------------------------------------------------------------------------

    @property
    def sight(self) -> Sight | None:
        """Where the water is now; None before the thermostat is learned."""
        if self.filter is None:
            return None
        story = self.filter.best
        if story is None:
            return None
        slope = self.filter.known.gain * story.share * story.w - story.loss
        return Sight(story.t, slope, self.filter.errors[1], self.filter.relay)

    def forecast(self, target: float) -> Forecast | None:
        """When the water is at `target`, °C as this probe reads it, if all goes on as it goes
        now."""
        sight = self.sight
        if sight is None:
            return None
        return reach(
            sight.value, sight.slope, sight.slope_error, target, self.thermostat.room.tau_s()
        )

    # -- across restarts -------------------------------------------------------------------------

    def to_json(self) -> dict[str, Any]:
        """What a restart needs: under 2 kB, whatever the history."""
        return {
            "thermostat": self.thermostat.to_json(),
            "noise": self.noise.to_json(),
            "standing": {str(name): since for name, since in self.standing.items()},
            "moved_k": self.moved_k,
            "jump_k": self.thermostat.jump_k,
            "jump_s": max(-1e12, self.thermostat.jump_s),
        }

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError, KeyError or TypeError for anything else,
        and is then as new."""
        fresh = Inference()
        fresh.thermostat.restore(kept["thermostat"])
        fresh.noise.restore(kept["noise"])
        fresh.standing = {Condition(name): float(since) for name, since in kept["standing"].items()}
        self.thermostat, self.noise, self.standing = fresh.thermostat, fresh.noise, fresh.standing
        self.moved_k = float(kept["moved_k"])
        self.thermostat.jump(float(kept["jump_k"]), float(kept["jump_s"]))
        self.filter = None


def _passed(way: float, speed: float) -> float:
    """How long ago a point `way` K behind was passed at `speed` K/s; four hours at most."""
    return min(14_400.0, max(0.0, way) / speed) if speed > 0 else 0.0
