"""What has been learned of heater and thermostat from the temperature alone.

Every number comes from whole half cycles (`sawtooth.Half`): the switching points as the probe sees
them (its own offset and the thermostat's included), the two slopes, the duty, and, where there is a
room channel, how the loss follows the room. All of it forgets slowly, so that it follows the
seasons and a new probe, and none of it follows a fault: a run that has no turning point teaches
nothing.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from enum import StrEnum
from statistics import median
from typing import Any

from stillwell.estimate.heat.creep import Creep
from stillwell.estimate.heat.running import Running
from stillwell.estimate.heat.sawtooth import Half
from stillwell.estimate.thermal.room_law import RoomLaw

DAY_S = 86_400.0
FIRST = 2
"""Peaks and troughs each before anything is called learned."""
MOVED_K = 0.10
"""A turning point further off than this, and beyond its spread, is not the old setting's."""
MOVED_TIMES = 4.5
AGREE = 2
"""Troughs and peaks each that must agree on a new place before it is the setting."""
BEND = (0.6, 1.6)
"""The slope's change at a turning point that the relay made, as a share of the usual one."""
FAR_K = 0.25
"""So far off, one of each is enough."""
NEAR_K = 0.1
"""A jump is measured no better than this."""
ALONE = 4
"""So many of one kind that agree, while the others are where they were, are believed as well."""
STAYED = 0.3
"""Nearer to its old place than this share of the move, a point has stayed."""
LAG_ERROR_S = 80.0
"""Between the relay and the turning point of the water, of either sign (standard deviation): the
lag of heater and probe against the warm stream from the heater to a probe near it."""
GAIN_ERROR = 0.025
"""Share by which curved flanks and what changes at the turning points shift every bend alike
(checked by the coverage bench)."""
WILD_K = 0.5
"""A larger jump is not another probe's zero: a pump stands, and the chamber alone grows warm."""
POUR_K = 0.2
"""A pour of cold water that may come daily lets the water fall by less than this."""
USUAL_POURS = 2.0
"""So many jumps that were water tell what a pour looks like in this tank."""
_PARTS = ("trough", "peak", "gain", "loss", "room")


def _slopes() -> Running:
    return Running(half_life_s=2 * DAY_S, floor=5e-6, most=60.0)


class Cause(StrEnum):
    """Why both switching points may have moved."""

    TRACE = "trace"
    """The trace has jumped: by another probe (they move along) or by water that was poured in."""
    DIAL = "dial"
    """The relay has switched beyond its usual point: the dial was turned, or it had no current."""


@dataclass(frozen=True, slots=True)
class Moved:
    """The switching points have moved, both of them, at once."""

    by_k: float
    at_s: float
    jumped: bool
    """Whether the trace itself had jumped by as much before: then it is the probe that changed."""


_Lesson = tuple[Half, float | None, float | None]
"""A half cycle, the room beside it, °C, and the part of it in the lamp's hours."""


@dataclass(slots=True)
class Thermostat:
    """Learned numbers; temperatures as the probe reads them, slopes in K/s, times in s."""

    trough: Creep = field(default_factory=Creep)
    peak: Creep = field(default_factory=Creep)
    gain: Running = field(default_factory=_slopes)
    """By how much the slope differs with the heater on: its power over the heat capacity."""
    loss: Running = field(default_factory=_slopes)
    """Cooling with the heater off (positive: falling), lamp and room as they come."""
    room: RoomLaw = field(default_factory=RoomLaw)
    pours: Running = field(default_factory=lambda: Running(30 * DAY_S, 0.02, 30.0))
    """Jumps of the trace that turned out to be water, K."""
    moved_k: float = 0.0
    """By how much both switching points may have moved, not yet decided."""
    moved_s: float = -math.inf
    moved_by: Cause = Cause.TRACE
    first_peak: bool = False
    """By the dial: which of them was first seen elsewhere."""
    _seen: bool | None = None
    """Which of the two has been seen where it may have moved to: True the peak, False the
    trough."""
    _shifted_k: float = 0.0
    """By how much that one has been moved for it."""
    _wild_k: float = 0.0
    """The last jump, where it was too large for another probe's zero."""
    _first: deque[_Lesson] = field(default_factory=lambda: deque(maxlen=8))
    _peaks_off: list[float] = field(default_factory=list)
    _troughs_off: list[float] = field(default_factory=list)

    @property
    def learned(self) -> bool:
        return min(self.trough.count, self.peak.count) >= FIRST and self.gain.weight > 0

    @property
    def swing(self) -> float | None:
        return self.peak.level - self.trough.level if self.learned else None

    @property
    def setting_c(self) -> float:
        """The middle between the switching points, as the probe reads it."""
        return (self.peak.level + self.trough.level) / 2

    def take(
        self, half: Half, room_c: float | None, lit_share: float | None = None
    ) -> Moved | None:
        """Takes a half cycle that is over; returns the move when the setting has been moved.

        Args:
            lit_share: the part of it in the lamp's hours; None where nobody knows them.
        """
        if not half.clean:
            return None
        if not self.learned:
            self._begin(half, room_c, lit_share)
            return None
        if not BEND[0] < half.bend / self.gain.mean < BEND[1]:
            return None
        which = self.peak if half.rising else self.trough
        level, spread = which.ahead(half.end_s)
        spread = math.hypot(spread, half.hinge_error)
        off = half.hinge_c - level
        far = max(MOVED_K, MOVED_TIMES * spread)
        if self._pending(half.end_s) and abs(off) > 3 * spread and self._there(off):
            # The other switching point is believed to have moved when it too has been seen there.
            which.shift(off, 0.02)
            self._shifted_k = off
            self._learn(half, room_c, lit_share)
            if self._seen not in (None, half.rising):
                by_trace = self.moved_by is Cause.TRACE
                self._decided()
                return Moved(off, half.end_s, by_trace)
            self._seen = half.rising
            return None
        if abs(off) > far:
            aside, others = self._peaks_off, self._troughs_off
            if not half.rising:
                aside, others = others, aside
            aside.append(off)
            if len(aside) >= ALONE and not others and max(aside) - min(aside) < MOVED_K:
                # Only one of them is elsewhere, cycle after cycle: it was learned wrongly.
                which.shift(median(aside), 0.02)
                aside.clear()
            return self._moved(half)
        if self._pending(half.end_s):
            # Seen where it always was.
            if self._seen is None and self.moved_by is Cause.TRACE:
                self.was_water()
            elif self._seen is not half.rising:
                self.stayed()
        (self._peaks_off if half.rising else self._troughs_off).clear()
        self._learn(half, room_c, lit_share)
        return None

    def jump(self, by_k: float, at_s: float, again: bool = False, alone: bool = False) -> None:
        """The trace has jumped for good: water was poured in and the switching points stay, or it
        is another probe and they move along. What is as large as the usual pour is one.

        Args:
            again: it is the last jump, which was so much larger than was thought at first.
            alone: another probe in the same water has seen none of it.
        """
        usual = self.pours
        poured = -POUR_K < by_k < 0 and usual.weight >= USUAL_POURS
        if poured and not alone and abs(by_k - usual.mean) < 2 * min(usual.spread, POUR_K / 4):
            return
        if self.moved_by is Cause.DIAL:
            self._decided()
        wild = self._wild_k
        if again:
            by_k += wild or self.moved_k
        if 0 < abs(self.moved_k) <= WILD_K < abs(by_k):
            # A pump rests, while it is still open whether the probe is another: it stays open.
            self._wild_k = by_k
            return
        self._wild_k = 0.0
        grows = again and not wild
        if not grows and (self.moved_k > 0 > by_k or abs(by_k) < abs(self.moved_k)):
            # Of several jumps one at most was the probe: the largest, or the one that went up,
            # since nobody pours warm water.
            return
        self.moved_k, self._seen = by_k, None
        self.moved_s, self.moved_by = at_s, Cause.TRACE

    def was_water(self) -> None:
        """The last jump of the trace is known to be water."""
        if self.moved_k and self.moved_by is Cause.TRACE and self._seen is None:
            if -POUR_K < self.moved_k < 0:
                self.pours.add(self.moved_k, self.moved_s)
            self._decided()

    def suspect_dial(self, by_k: float, at_s: float, peak: bool) -> None:
        """The relay has gone off (else come on) so much beyond its usual point."""
        self.moved_k, self.moved_s, self.moved_by, self._seen = by_k, at_s, Cause.DIAL, None
        self.first_peak = peak

    def sight(self, peak: bool, off: float, far: float, at_s: float) -> Moved | None:
        """Takes where the relay has just switched, `off` from its usual point by the filter, which
        is far when more than `far`; returns the move when both points have been seen there."""
        if not self.moved_k or self._seen is peak:
            return None
        if self.moved_by is Cause.DIAL:
            if peak is self.first_peak:
                return None
            if self._there(off):
                self.settle(off)
                return Moved(off, at_s, jumped=False)
            if abs(off) < far:
                self.stayed()
            return None
        if abs(self.moved_k) > WILD_K:
            return None
        which = self.peak if peak else self.trough
        if self._there(off):
            which.shift(off, 0.03)
            self._shifted_k = off
            if self._seen is not None:
                self._decided()
                return Moved(off, at_s, jumped=True)
            self._seen = peak
        elif abs(off) < min(far, STAYED * abs(self.moved_k)) and self._seen is not None:
            self.stayed()
        return None

    def settle(self, by_k: float) -> None:
        """What may have moved has: by `by_k`. What has been seen there already is there."""
        if self._seen is not True:
            self.peak.shift(by_k, 0.03)
        if self._seen is not False:
            self.trough.shift(by_k, 0.03)
        self._decided()

    def stayed(self) -> None:
        """What may have moved has not."""
        if self._seen is not None:
            (self.peak if self._seen else self.trough).shift(-self._shifted_k, 0.03)
        self._decided()

    @property
    def dial_k(self) -> float:
        """By how much the dial may have been moved, K, as long as that is open; else 0."""
        return self.moved_k if self.moved_by is Cause.DIAL else 0.0

    def moves(self, peak: bool) -> float:
        """By how much the peak (else the trough) may be elsewhere than its level says, K."""
        wild = self.moved_by is Cause.TRACE and abs(self.moved_k) > WILD_K
        return 0.0 if wild or self._seen is peak else self.moved_k

    def _pending(self, at_s: float) -> bool:
        return self.moved_k != 0.0 and at_s > self.moved_s

    def _there(self, off: float) -> bool:
        """Whether a point so far from its old place is where it may have moved to: about there,
        and nearer to it than to the old one."""
        moved = abs(self.moved_k)
        # Half the swing at most: the water of a bucket goes no further than one point.
        near = max(NEAR_K, 0.5 * min(moved, self.swing or math.inf))
        return off * self.moved_k > 0 and abs(off) > 0.5 * moved and abs(off - self.moved_k) < near

    def _decided(self) -> None:
        self.moved_k, self._seen = 0.0, None

    def _begin(self, half: Half, room_c: float | None, lit_share: float | None) -> None:
        """Collects the first half cycles and takes those that agree."""
        self._first.append((half, room_c, lit_share))
        bends = sorted(h.bend for h, *_ in self._first)
        usual = bends[int(0.6 * len(bends))]
        kept = [h for h, *_ in self._first if BEND[0] < h.bend / usual < BEND[1]]
        peaks = [h.hinge_c for h in kept if h.rising]
        troughs = [h.hinge_c for h in kept if not h.rising]
        if min(len(peaks), len(troughs)) < FIRST:
            return
        high, low = median(peaks), median(troughs)
        near = max(0.05, 0.15 * (high - low))
        good = [
            (h, room, lit)
            for h, room, lit in self._first
            if h in kept and abs(h.hinge_c - (high if h.rising else low)) < near
        ]
        rising = sum(h.rising for h, *_ in good)
        if high <= low or min(rising, len(good) - rising) < FIRST:
            return
        for each, room, lit in good:
            self._learn(each, room, lit)
        self._first.clear()

    def _learn(self, half: Half, room_c: float | None, lit_share: float | None) -> None:
        at = half.end_s
        (self.peak if half.rising else self.trough).add(half.hinge_c, at, half.hinge_error)
        if not half.rising:
            self.loss.add(-half.slope, at)
            if room_c is not None and half.end_s - half.start_s > 900.0:
                warmer_k, lit = half.mean_c - room_c, lit_share or 0.0
                self.room.add(warmer_k, -half.slope, half.slope_error, at, lit)
        self.gain.add(half.bend, at)

    def _moved(self, half: Half) -> Moved | None:
        """Whether peaks and troughs agree on a new place."""
        peaks, troughs = self._peaks_off[-AGREE:], self._troughs_off[-AGREE:]
        together = [*peaks, *troughs]
        least = min(map(abs, together), default=0.0)
        if min(len(peaks), len(troughs)) < (1 if least > FAR_K else AGREE):
            return None
        by, width = median(together), max(together) - min(together)
        self._peaks_off.clear()
        self._troughs_off.clear()
        if width > 0.3 * (self.swing or 0.0) + 0.06:
            return None
        jumped = self.moved_k != 0.0 and self.moved_by is Cause.TRACE and self._there(by)
        self.settle(by)
        return Moved(by, half.end_s, jumped)

    def duty_per_k(self) -> tuple[float, float] | None:
        """By how much the share of time that the heater is on grows with each kelvin that the room
        is colder, and its standard error; None without a room channel or before it is known."""
        found = self.room.per_k()
        if not self.learned or found is None:
            return None
        share = found[0] / self.gain.mean
        return share, math.hypot(
            found[1] / self.gain.mean, share * self.gain_error / self.gain.mean
        )

    def holds_down_to(self) -> tuple[float, float, float] | None:
        """The room temperature below which the heater cannot hold the setting: value and 95 %
        interval; None without a room channel or before its law is known."""
        if not self.learned:
            return None
        found = self.room.reaches(self.gain.mean, self.gain_error)
        if found is None:
            return None
        room = self.setting_c - found[0]
        return room, room - 2 * found[1], room + 2 * found[1]

    @property
    def gain_error(self) -> float:
        """Standard error of the heater's effect, K/s."""
        return math.hypot(self.gain.error, GAIN_ERROR * self.gain.mean)

    def points(self) -> dict[str, tuple[float, float]]:
        """Where the heater switches on and off, the setting midway (°C) and the differential (K),
        each with its standard error. The learned turning points hold the lags of heater, chamber
        and probe, of which only the size is known: the relay has switched that much before or
        after."""
        on, off = self.trough, self.peak
        gain, loss = self.gain.mean, self.loss.mean
        both = math.hypot(on.error, off.error)
        return {
            "switches-on": (on.level, math.hypot(on.error, loss * LAG_ERROR_S)),
            "switches-off": (off.level, math.hypot(off.error, (gain - loss) * LAG_ERROR_S)),
            "setting": (
                self.setting_c,
                math.hypot(both / 2, (gain / 2 - loss) * LAG_ERROR_S),
            ),
            "differential": (off.level - on.level, math.hypot(both, gain * LAG_ERROR_S)),
        }

    def to_json(self) -> dict[str, Any]:
        moved = [
            self.moved_k,
            max(-1e12, self.moved_s),
            str(self.moved_by),
            self._seen,
            self.first_peak,
            self._shifted_k,
        ]
        parts = {name: getattr(self, name).to_json() for name in _PARTS}
        return parts | {"pours": self.pours.to_json(), "moved": moved}

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError, KeyError or TypeError for anything
        else."""
        for name in _PARTS:
            getattr(self, name).restore(kept[name])
        if "moved" in kept:
            self.pours.restore(kept["pours"])
            by_k, at_s, cause, seen, first, *shifted = kept["moved"]
            self.moved_k, self.moved_s, self.moved_by = float(by_k), float(at_s), Cause(cause)
            self._seen, self.first_peak = None if seen is None else bool(seen), bool(first)
            # An older version has moved it by all of it.
            self._shifted_k = float(shifted[0]) if shifted else self.moved_k
