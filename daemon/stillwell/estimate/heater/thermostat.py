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
from statistics import median
from typing import Any

from stillwell.estimate.heater.creep import Creep
from stillwell.estimate.heater.room_law import RoomLaw
from stillwell.estimate.heater.running import Running
from stillwell.estimate.heater.sawtooth import Half

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
_PARTS = ("trough", "peak", "gain", "loss", "on_s", "duty", "room")


def _slopes() -> Running:
    return Running(half_life_s=2 * DAY_S, floor=5e-6, most=60.0)


@dataclass(frozen=True, slots=True)
class Moved:
    """The switching points have moved, both of them, at once."""

    by_k: float
    at_s: float
    jumped: bool
    """Whether the trace itself had jumped by as much before: then it is the probe that changed."""


@dataclass(slots=True)
class Thermostat:
    """Learned numbers; temperatures as the probe reads them, slopes in K/s, times in s."""

    trough: Creep = field(default_factory=Creep)
    peak: Creep = field(default_factory=Creep)
    gain: Running = field(default_factory=_slopes)
    """By how much the slope differs with the heater on: its power over the heat capacity."""
    loss: Running = field(default_factory=_slopes)
    """Cooling with the heater off (positive: falling), lamp and room as they come."""
    on_s: Running = field(default_factory=lambda: Running(5 * DAY_S, 20.0, 60.0))
    duty: Running = field(default_factory=lambda: Running(DAY_S, 0.005, 60.0))
    room: RoomLaw = field(default_factory=RoomLaw)
    jump_k: float = 0.0
    """By how much the trace has jumped for good, not yet explained: by water that was poured in
    (the switching points stay) or by another probe (they move along)."""
    jump_s: float = -math.inf
    _jumped: bool | None = None
    """Which of the two has been seen where the jump puts it: True the peak, False the trough."""
    _first: deque[tuple[Half, float | None]] = field(default_factory=lambda: deque(maxlen=8))
    _last: Half | None = None
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

    def take(self, half: Half, room_c: float | None) -> Moved | None:
        """Takes a half cycle that is over; returns the move when the setting has been moved."""
        last, self._last = self._last, half
        if not half.clean:
            return None
        before = last if last is not None and _follow(last, half) else None
        if not self.learned:
            self._begin(half, room_c)
            return None
        if not BEND[0] < half.bend / self.gain.mean < BEND[1]:
            return None
        which = self.peak if half.rising else self.trough
        level, spread = which.ahead(half.end_s)
        spread = math.hypot(spread, half.hinge_error)
        off = half.hinge_c - level
        far = max(MOVED_K, MOVED_TIMES * spread)
        jump = self.jump_k if half.end_s > self.jump_s else 0.0
        if jump and abs(off) > 3 * spread and abs(off - jump) < 0.5 * abs(jump):
            # Seen where the jump has put it: the probe's zero has changed, not the water. The other
            # switching point is believed to have moved when it too has been seen there.
            which.shift(off, 0.02)
            self._learn(half, before, room_c)
            if self._jumped not in (None, half.rising):
                self._forget_jump()
                return Moved(off, half.end_s, jumped=True)
            self._jumped = half.rising
            return None
        if abs(off) > far:
            (self._peaks_off if half.rising else self._troughs_off).append(off)
            return self._moved(half)
        if jump and self._jumped is None:
            self._forget_jump()
        self._peaks_off.clear()
        self._troughs_off.clear()
        self._learn(half, before, room_c)
        return None

    def jump(self, by_k: float, at_s: float) -> None:
        """The trace has jumped for good."""
        self.jump_k += by_k
        self.jump_s = at_s
        self._jumped = None

    def _forget_jump(self) -> None:
        self.jump_k, self._jumped = 0.0, None

    def _begin(self, half: Half, room_c: float | None) -> None:
        """Collects the first half cycles and takes those that agree."""
        self._first.append((half, room_c))
        bends = sorted(h.bend for h, _ in self._first)
        usual = bends[int(0.6 * len(bends))]
        kept = [h for h, _ in self._first if BEND[0] < h.bend / usual < BEND[1]]
        peaks = [h.hinge_c for h in kept if h.rising]
        troughs = [h.hinge_c for h in kept if not h.rising]
        if min(len(peaks), len(troughs)) < FIRST:
            return
        high, low = median(peaks), median(troughs)
        near = max(0.05, 0.15 * (high - low))
        good = [
            (h, room)
            for h, room in self._first
            if h in kept and abs(h.hinge_c - (high if h.rising else low)) < near
        ]
        rising = sum(h.rising for h, _ in good)
        if high <= low or min(rising, len(good) - rising) < FIRST:
            return
        before: Half | None = None
        for each, room in good:
            follows = before is not None and _follow(before, each)
            self._learn(each, before if follows else None, room)
            before = each
        self._first.clear()

    def _learn(self, half: Half, last: Half | None, room_c: float | None) -> None:
        at = half.end_s
        (self.peak if half.rising else self.trough).add(half.hinge_c, at, half.hinge_error)
        if half.rising:
            self.on_s.add(half.end_s - half.start_s, at)
        else:
            self.loss.add(-half.slope, at)
            if room_c is not None and half.end_s - half.start_s > 900.0:
                self.room.add(half.mean_c - room_c, -half.slope, half.slope_error, at)
        self.gain.add(half.bend, at)
        if last is None:
            return
        on, off = (half, last) if half.rising else (last, half)
        on_s, off_s = on.end_s - on.start_s, off.end_s - off.start_s
        if on_s > 0 and off_s > 0:
            self.duty.add(on_s / (on_s + off_s), at)

    def _moved(self, half: Half) -> Moved | None:
        """Whether peaks and troughs agree on a new place."""
        peaks, troughs = self._peaks_off[-AGREE:], self._troughs_off[-AGREE:]
        together = [*peaks, *troughs]
        least = min(map(abs, together))
        if min(len(peaks), len(troughs)) < (1 if least > FAR_K else AGREE):
            return None
        by, width = median(together), max(together) - min(together)
        self._peaks_off.clear()
        self._troughs_off.clear()
        if width > 0.3 * (self.swing or 0.0) + 0.06:
            return None
        jumped = bool(self.jump_k) and abs(by - self.jump_k) < 0.5 * abs(by)
        self._forget_jump()
        self.shift(by)
        return Moved(by, half.end_s, jumped)

    def shift(self, by_k: float) -> None:
        """Moves what is known of the switching points: the setting or the probe has changed."""
        for which in (self.peak, self.trough):
            which.shift(by_k, 0.03)

    def duty_at(self, room_c: float) -> float | None:
        """The share of the time that the heater is on in a room of `room_c`; None if not known."""
        if not self.learned:
            return None
        loss = self.room.loss(self.setting_c - room_c)
        return None if loss is None else max(0.0, loss / self.gain.mean)

    def holds_down_to(self) -> tuple[float, float, float] | None:
        """The room temperature below which the heater cannot hold the setting: value and 95 %
        interval; None without a room channel or before its law is known."""
        if not self.learned:
            return None
        found = self.room.reaches(self.gain.mean, self.gain.error)
        if found is None:
            return None
        room = self.setting_c - found[0]
        return room, room - 2 * found[1], room + 2 * found[1]

    @property
    def creep_per_day(self) -> tuple[float, float]:
        """How fast both switching points creep as the probe sees them, K/day, and its standard
        error."""
        return (
            (self.trough.rate + self.peak.rate) / 2,
            max(self.trough.rate_error, self.peak.rate_error),
        )

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name).to_json() for name in _PARTS}

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError, KeyError or TypeError for anything
        else."""
        for name in _PARTS:
            getattr(self, name).restore(kept[name])


def _follow(last: Half, half: Half) -> bool:
    return last.clean and last.rising != half.rising and abs(half.start_s - last.end_s) < 900.0
