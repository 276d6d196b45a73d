"""Whether the pump stands: the return chamber rises by what runs back, and its water, where the
heater is, no longer mixes with the tank's.

The rise alone is no proof: whoever pours lets the chamber rise as well. It needs the journal's
silence and either the heater's failing at the same time (`observe.heat`) or two probes, one in the
chamber and one in the tank, that part from that moment on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

WINDOW_S = 3 * 3600.0
"""A rise that has lasted for longer, and of which nothing came, is water that was poured."""
POURED_S = 2700.0
"""What happens within so long of a journal entry about water, a rise or a jump of the probes'
trace, is that water."""
PARTED_K = 0.25
"""By so much more than before the rise the probes must differ."""
MIXED_K = 0.12
HOT_S = 900.0
"""Ten times the lag of a heater's body (an assumption of the relay filter too)."""
PARTED_FOR_S = 300.0
"""The probes differ for so long before it counts: one reading is no parting."""
HELD_S = 1800.0
"""The chamber is up for longer than the pump rests while animals are fed or water is changed."""
GAP_LIFE_S = 900.0
SMOOTH_S = 180.0
SMOOTH_SHARE = 0.2
"""Of a reading, in the mean of the last ones."""
COLD_K = 0.05
COLD_FOR_S = 900.0


@dataclass(slots=True)
class Pump:
    """Times are seconds of the watch; levels mm, differences K."""

    rise_mm: float
    """A rise that is worth thinking about."""
    level: float | None = None
    """Where the level usually stands."""
    since_s: float | None = None
    """Since when the chamber has been up."""
    low_s: float | None = None
    """Since when it has been as far down: water is being changed, with the pump off. What is usual
    is not learned from that."""
    stands: bool = False
    """Whether the probes have parted since. It ends when what ran back into the chamber leaves, or
    when the probes have met again and the chamber is not up any more."""
    warmed: bool = False
    """Whether the chamber has grown warmer against the tank again since, later than a heater that
    was just switched off gives its own heat: then it heats, and the mains are there."""
    held: bool = False
    """Whether somebody else has a proof that it stands."""
    gap: float | None = None
    """By how much the first probe reads more than the second while all is mixed."""
    now: float | None = None
    """As `gap`, now."""
    _chamber: float | None = None
    """The chamber's water since it is up, °C, smoothed."""
    _cold_s: float | None = None
    """Since when it has been colder than where the heater comes on."""
    _newest: float | None = None
    _seen_s: float = -math.inf
    _poured_s: float = -math.inf
    """When water was last poured or changed by the journal."""
    _held_s: float | None = None
    _top: float | None = None
    """Where the chamber stands while it is up."""
    _rose: float = 0.0
    """By how much it rose, mm."""
    _least: float = math.inf
    """The smallest gap since the heater is no longer hot."""

    def see_level(self, t_s: float, value: float) -> None:
        """Takes a gauge's value."""
        self._newest = value
        if self.level is None:
            self.level = value
            return
        proven = self.stands or self.held
        if self.since_s is not None and not proven and t_s - self.since_s > WINDOW_S:
            self.over()
            return
        off = value - self.level
        if self.since_s is not None and not proven and off < -self.rise_mm:
            # It was water that was poured, and now water is taken out.
            self.since_s, self._held_s = None, None
        if self.since_s is None and off < -self.rise_mm:
            if self.low_s is None:
                self.low_s = t_s
            if t_s - self.low_s <= WINDOW_S:
                return
            self.level = value
        self.low_s = None
        if self.since_s is None and off > self.rise_mm:
            if abs(t_s - self._poured_s) < POURED_S:
                self.level = value
                return
            self.since_s, self.warmed, self._least = t_s, False, math.inf
            self._top, self._rose = value, off
        elif self.since_s is not None:
            self._follow(value, off)
            return
        if self.since_s is None:
            self.level += 0.05 * off

    def _follow(self, value: float, off: float) -> None:
        """A chamber that is up: what runs back into it leaves at once when the pump runs again. A
        leak or the air take their time, and whoever changes water takes more."""
        if self._top is None:
            self._top, self._rose = value, max(off, self.rise_mm)
        fell = self._top - value
        if abs(fell) < self._rose / 2:
            self._top += 0.05 * (value - self._top)
            if off < -self._rose / 2 and not (self.held or self.stands):
                self.over()
        elif 0 < fell < 1.5 * self._rose:
            self.over()
        else:
            self._top, self._rose = value, max(off, self._rose)

    def see_chamber(self, t_s: float, value: float, comes_on_c: float) -> None:
        """Takes a believed reading of the probe beside the heater, and where that comes on, °C."""
        if self.since_s is None:
            self._chamber = self._cold_s = None
            return
        old = value if self._chamber is None else self._chamber
        self._chamber = old + SMOOTH_SHARE * (value - old)
        if self._chamber > comes_on_c - COLD_K:
            self._cold_s = None
        elif self._cold_s is None:
            self._cold_s = t_s

    def silent(self, t_s: float) -> bool:
        """Whether the heater gives no heat to a chamber that stands still and is colder than where
        it comes on: there it would show within minutes."""
        cold_s = self._cold_s
        return self.stands and not self.warmed and cold_s is not None and t_s - cold_s >= COLD_FOR_S

    def see_gap(self, t_s: float, gap: float) -> None:
        """Takes the difference of two believed probes, the one in the chamber first."""
        dt_s, self._seen_s = min(600.0, t_s - self._seen_s), t_s
        if self.gap is None or self.now is None:
            self.gap = self.now = gap
            return
        self.now += min(1.0, dt_s / SMOOTH_S) * (gap - self.now)
        if self.low_s is not None or self.held:
            return
        if self.since_s is None:
            self.gap += min(1.0, dt_s / GAP_LIFE_S) * (self.now - self.gap)
            return
        if t_s - self.since_s > HOT_S:
            self._least = min(self._least, self.now)
            if self.now - self._least > PARTED_K:
                self.warmed = True
        parted = abs(self.now - self.gap)
        turned = parted < MIXED_K if self.stands else parted > PARTED_K
        if not turned:
            self._held_s = None
        elif self._held_s is None:
            self._held_s = t_s
        elif self.stands and t_s - self._held_s >= HELD_S:
            if not self._up:
                self.over()
        elif (
            not self.stands and t_s - self._held_s >= PARTED_FOR_S and t_s - self.since_s >= HELD_S
        ):
            self.stands, self._held_s = True, None

    @property
    def _up(self) -> bool:
        """Whether the chamber is plainly up. Without heat its water cools to the tank's, and the
        probes meet though nothing is mixed."""
        if self.level is None or self._newest is None:
            return False
        return self._newest - self.level > max(self._rose, self.rise_mm) / 2

    @property
    def usual(self) -> bool:
        """Whether the chamber stands as it usually does."""
        return self.since_s is None and self.low_s is None

    def unmixed(self, t_s: float) -> bool:
        """Whether the chamber has just come to stand otherwise, as in a feeding pause or while
        water is changed: then the pump may stand, and what is in the chamber is not the tank's
        water. No longer than such a pause lasts."""
        begins = [since for since in (self.since_s, self.low_s) if since is not None]
        return bool(begins) and t_s - min(begins) < HELD_S

    def pour(self, at_s: float) -> None:
        """The journal says that water was poured or changed then."""
        self._poured_s = max(self._poured_s, at_s)
        if self.since_s is not None and not self.stands and abs(at_s - self.since_s) < POURED_S:
            self.over()

    def over(self) -> None:
        """The pump runs, or never stood: the level is what it is now."""
        self.level, self.since_s, self._top = self._newest, None, None
        self.stands, self._held_s, self._cold_s = False, None, None

    def to_json(self) -> list[Any]:
        least = None if math.isinf(self._least) else self._least
        return [
            self.level,
            self.since_s,
            self.stands,
            self.gap,
            self.low_s,
            self.warmed,
            least,
            self._cold_s,
        ]

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError or TypeError for anything else."""
        level, since_s, stands, gap, *later = kept
        # Older versions kept less.
        low_s, warmed, least, cold_s = (*later, *(None,) * 4)[:4]
        self.level, self.since_s, self.gap, self.low_s, self._cold_s = (
            None if x is None else float(x) for x in (level, since_s, gap, low_s, cold_s)
        )
        self.warmed, self._least = bool(warmed), math.inf if least is None else float(least)
        self.now, self.stands = self.gap, bool(stands) and self.since_s is not None
