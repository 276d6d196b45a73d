"""Whether the return pump has stopped, by all that sees the chamber: what runs back lifts its water
at once, by the same height each time, and when the pump runs again it takes as much away.

What a rise may be is weighed in `chamber_rise`. The gauge sees its height; floats that close one
right after the other see that it was passed. A rise that goes back at once was a stop. Two probes
that part after a rise show that its water no longer mixes with the tank's. Limits that name no
source are our own choice, checked on simulated tanks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from stillwell.estimate.chamber_rise import (
    LONGEST_MS,
    TOLD_MS,
    Came,
    drain_back,
    odds_by_floats,
    odds_by_gauge,
    told_after_ms,
)
from stillwell.estimate.level.geometry import FloatSpec

_MIN_MS, _DAY_MS = 60_000, 86_400_000
_LEAST_MM, _SIGMAS = 4.0, 4.0
DRAIN_BACK_MM = 8.0
"""The chamber's rise that one reading alone may show: well above ripple and daily pours, below what
runs back out of any tank worth the name (an assumption)."""
NEAR_MS = 45 * _MIN_MS
"""A pour that is noted within this time of the rise explains it."""
_USUAL_MS = 3 * 3_600_000
_BEFORE_MS = 40 * _MIN_MS
_LATELY, _AGAIN = 20, 0.7
"""Of so many readings a second rise is seen, by so much of the first."""
_KEPT = 40
SILENT_MS = 30 * _MIN_MS
"""A gauge that is silent for so long says nothing of a stop."""
RESTS_MS = 30 * _MIN_MS
"""The pump rests for no longer while animals are fed or water is changed."""
DOUBTFUL_MS = 3 * 3_600_000
"""A rise that is taken for a pour may for so long turn out to be a stop."""
_TOGETHER_MS, _OPEN_MS = 12 * _MIN_MS, 30 * _MIN_MS
"""Floats that close with one another, each after having been open for so long."""
_BY_FLOAT_MS = 3_600_000
"""The longest pause that floats show: within an hour no evaporation has brought the water down."""
_OPEN, _CLOSED = 0.1, 0.9
_HAND_MS = 4 * _MIN_MS
"""What is up for less may have been a hand in the water, and teaches nothing of pauses."""
_PARTED_K, _PARTED_MS = 0.25, 5 * _MIN_MS
"""By so much more than before the rise the probes differ, for so long: one reading is no
parting."""
_GAP_MS, _SMOOTH_MS = 15 * _MIN_MS, 3 * _MIN_MS


@dataclass(slots=True)
class Contact:
    """A float: since when it is closed or open, and when it was last seen clearly so."""

    closed: bool
    since_ms: int
    heard_ms: int


@dataclass(slots=True)
class Pump:
    """What is known of the pump; times are ms on the line, heights mm, differences K."""

    began_ms: int | None = None
    recent: list[tuple[int, float]] = field(default_factory=list)
    """The gauge's latest readings."""
    usual_mm: float | None = None
    """Where the water stood in the last hours."""
    base_mm: float = 0.0
    """Where the water stood before it rose."""
    since_ms: int | None = None
    """Since when it is up."""
    rise_mm: float | None = None
    """By how much it is up; None where only floats saw it."""
    stands: bool = False
    """Whether the pump has stopped, and for longer than it usually pauses."""
    doubtful_ms: int | None = None
    """Since when the water is up that was taken for poured."""
    quick_ms: int | None = None
    """Since when single readings are far up."""
    low_ms: int | None = None
    """Since when the water is far down: it is being changed, with the pump off."""
    backs: list[float] = field(default_factory=list)
    """By how much the water was up in the latest pauses."""
    pauses: list[tuple[int, int]] = field(default_factory=list)
    """When they began, and how long they lasted."""
    poured_ms: list[int] = field(default_factory=list)
    """When water was poured or changed, by the journal."""
    floats: dict[str, Contact] = field(default_factory=dict)
    risen: list[str] = field(default_factory=list)
    """The floats that closed as the water rose."""
    doses_mm: list[float] = field(default_factory=list)
    """By how much the latest water lifted the chamber that nobody noted."""
    came: dict[str, int] = field(default_factory=dict)
    """By the last of the floats that closed: how often water came that nobody noted."""
    gap_k: float | None = None
    """By how much the chamber's probe reads more than the tank's while all is mixed, and now."""
    gap_now_k: float = 0.0
    gap_ms: int = 0
    parted_ms: int | None = None
    """Since when they have parted."""
    ended: tuple[int, int] | None = None
    """The stop or pause that has just ended, until it is taken."""

    # --- what is known -----------------------------------------------------------------------

    @property
    def up_ms(self) -> int | None:
        """Returns since when the chamber is up, or may be; None where it is not."""
        return self.doubtful_ms if self.since_ms is None else self.since_ms

    def rests(self, t_ms: int) -> bool:
        """Whether the chamber has just come to stand otherwise, as in a feeding pause or while
        water is changed: then the pump may rest, and what is in the chamber is not the tank's
        water. No longer than such a pause lasts."""
        begins = [at for at in (self.since_ms, self.quick_ms, self.low_ms) if at is not None]
        return bool(begins) and t_ms - min(begins) < RESTS_MS

    # --- the gauge ---------------------------------------------------------------------------

    def see_level(self, t_ms: int, mm: float, noise_mm: float, *, by_hand: bool) -> None:
        """Takes the gauge's reading.

        Args:
            noise_mm: the spread of one reading.
            by_hand: whether water is poured into the chamber by hand.
        """
        self._begin(t_ms)
        if self.recent and t_ms - self.recent[-1][0] > SILENT_MS and not self.stands:
            self.recent, self.since_ms, self.quick_ms, self.low_ms = [], None, None, None
        every_ms = t_ms - self.recent[-1][0] if self.recent else 0
        self.recent.append((t_ms, mm))
        self.recent = [each for each in self.recent if each[0] > t_ms - _BEFORE_MS][-60:]
        newest = median([value for _, value in self.recent[-3:]])
        least = max(_LEAST_MM, _SIGMAS * noise_mm)
        if self.since_ms is None:
            self._look_for_a_rise(t_ms, mm, newest, least, every_ms)
            return
        # the water goes on evaporating while it is up: what runs back leaves at once
        rise = least if self.rise_mm is None else self.rise_mm
        up = [value for t, value in self.recent[:-3] if t >= self.since_ms]
        top = median(up) if up else self.base_mm + rise
        if self.stands:
            top = self._pause_above(top, max(least, _AGAIN * rise))
        if newest < top - 0.5 * rise:
            self._back(next(t for t, v in self.recent[-3:] if v < top - 0.5 * rise))
            return
        if up and not self.stands:
            self.rise_mm = rise = max(least, top - self.base_mm)
        if mm < top - 0.5 * rise:
            return  # one reading is not yet the end of a pause
        stop = odds_by_gauge(
            rise, self.base_mm, self.usual_mm, self.back_mm, self._came(t_ms, by_hand=by_hand)
        )
        self._decide(t_ms, stop, every_ms)

    def _pause_above(self, top: float, least: float) -> float:
        """Returns where the water has stood lately, by at least `least` above `top`, and else
        `top`: what has run back does so once, so that a rise that goes again is a pause of a pump
        that was started unseen, as in the minute in which somebody poured."""
        lately = [value for _, value in self.recent[-_LATELY:]]
        peak = max((median(lately[k : k + 3]) for k in range(len(lately) - 2)), default=top)
        return peak if peak > top + least else top

    def _look_for_a_rise(
        self, t_ms: int, mm: float, newest: float, least: float, every_ms: int
    ) -> None:
        usual = mm if self.usual_mm is None else self.usual_mm
        down = mm < usual - DRAIN_BACK_MM and (
            self.low_ms is None or t_ms - self.low_ms <= DOUBTFUL_MS
        )
        self.low_ms = (self.low_ms or t_ms) if down else None
        self.usual_mm = usual + min(1.0, every_ms / _USUAL_MS) * (mm - usual)
        if self.doubtful_ms is not None and t_ms - self.doubtful_ms > DOUBTFUL_MS:
            self.doubtful_ms = None
        before = [value for _, value in self.recent[:-3]]
        earlier = [value for _, value in self.recent[:-1]]
        quick = bool(earlier) and mm - median(earlier[-12:]) > max(least, DRAIN_BACK_MM)
        self.quick_ms = (self.quick_ms or t_ms) if quick and not self._noted(t_ms) else None
        if len(before) < 3:
            return
        base = median(before[-12:])
        if newest - base > least:
            first = next(t for t, v in self.recent[-3:] if v - base > 0.5 * least)
            self.base_mm, self.since_ms, self.rise_mm = base, first, newest - base
            self.doubtful_ms = self.quick_ms = self.low_ms = None
            self.risen = []

    # --- floats ------------------------------------------------------------------------------

    def see_float(
        self, t_ms: int, name: str, share: float, specs: Sequence[FloatSpec], *, by_hand: bool
    ) -> None:
        """Takes a float's reading, the share of looks at which it was closed. Where a gauge is
        heard, floats say nothing more.

        Args:
            specs: all floats in the chamber.
            by_hand: whether water is poured into the chamber by hand.
        """
        self._begin(t_ms)
        known = self.floats.get(name)
        if known is None:
            self.floats[name] = Contact(share >= _CLOSED, t_ms, t_ms)
            return
        gauge = bool(self.recent) and t_ms - self.recent[-1][0] <= SILENT_MS
        if _OPEN < share < _CLOSED:
            return
        closed, at_once = share >= _CLOSED, t_ms - known.heard_ms <= _TOGETHER_MS
        if closed is not known.closed:
            long = t_ms - known.since_ms >= _OPEN_MS
            known.closed, known.since_ms = closed, t_ms
            if closed and long and at_once and not gauge:
                self._closed(t_ms, name)
            if not closed and not gauge and self.risen:
                self._opened(t_ms)
        every_ms, known.heard_ms = t_ms - known.heard_ms, t_ms
        if not gauge and self.doubtful_ms is not None and t_ms - self.doubtful_ms > DOUBTFUL_MS:
            self.doubtful_ms, self.risen = None, []
        if self.since_ms is not None and self.risen and not gauge:
            self._decide(t_ms, self._float_odds(t_ms, specs, by_hand=by_hand), every_ms)

    def _float_odds(self, t_ms: int, specs: Sequence[FloatSpec], *, by_hand: bool) -> float:
        risen = [spec for spec in specs if spec.name in self.risen]
        still = [spec for spec in specs if spec.name in self.floats and spec not in risen]
        closed = [spec for spec in still if self.floats[spec.name].closed]
        came = self._came(t_ms, by_hand=by_hand)
        return odds_by_floats(risen, still, closed, self.back_mm, came)

    def _came(self, t_ms: int, *, by_hand: bool) -> Came:
        times = self.came.get(self.risen[-1], 0) if self.risen else 0
        return Came(by_hand, self._days(t_ms), self.doses_mm, times)

    @property
    def back_mm(self) -> tuple[float, float]:
        """Returns the drain-back height and its spread."""
        return drain_back(self.backs)

    def _closed(self, t_ms: int, name: str) -> None:
        if self.since_ms is None:
            self.since_ms, self.rise_mm, self.risen = t_ms, None, [name]
            self.doubtful_ms = None
        elif name not in self.risen:
            self.risen = [*self.risen, name]

    def _opened(self, t_ms: int) -> None:
        if any(self.floats[name].closed for name in self.risen if name in self.floats):
            return
        since = self.up_ms
        if since is not None and (self.stands or t_ms - since <= _BY_FLOAT_MS):
            if self.since_ms is None:
                self.came[self.risen[-1]] -= 1  # it was no pour after all
            self.since_ms = since
            self._back(t_ms)
        self.since_ms = self.doubtful_ms = None
        self.risen = []

    # --- probes ------------------------------------------------------------------------------

    def see_gap(self, t_ms: int, gap_k: float) -> None:
        """Takes the difference of two believed probes, the one in the chamber first."""
        passed, self.gap_ms = min(10 * _MIN_MS, t_ms - self.gap_ms), t_ms
        if self.gap_k is None:
            self.gap_k = self.gap_now_k = gap_k
            return
        self.gap_now_k += min(1.0, passed / _SMOOTH_MS) * (gap_k - self.gap_now_k)
        since = self.up_ms
        if since is None:
            self.parted_ms = None
            if self.low_ms is None:
                self.gap_k += min(1.0, passed / _GAP_MS) * (self.gap_now_k - self.gap_k)
            return
        if abs(self.gap_now_k - self.gap_k) <= _PARTED_K:
            self.parted_ms = None
            return
        self.parted_ms = self.parted_ms or t_ms
        long = t_ms - self.parted_ms >= _PARTED_MS and t_ms - since >= RESTS_MS
        if long and not self.stands and t_ms - since <= DOUBTFUL_MS:
            self.prove()

    @property
    def parted_k(self) -> float | None:
        """Returns by how much the probes have parted; None where they have not."""
        return None if self.parted_ms is None else self.gap_now_k - (self.gap_k or 0.0)

    def prove(self) -> None:
        """Takes that water which is up has run back: somebody else has a proof of it."""
        if self.up_ms is not None:
            self.since_ms, self.doubtful_ms, self.stands = self.up_ms, None, True

    # --- what becomes of a rise --------------------------------------------------------------

    def _days(self, t_ms: int) -> float:
        return 0.0 if self.began_ms is None else (t_ms - self.began_ms) / _DAY_MS

    def _begin(self, t_ms: int) -> None:
        if self.began_ms is None:
            self.began_ms = t_ms

    def _decide(self, t_ms: int, odds: float, every_ms: int) -> None:
        """Judges a rise that is up for long enough."""
        assert self.since_ms is not None
        after_ms = told_after_ms(self.since_ms, self.pauses, self._days(t_ms), every_ms)
        if self.stands or t_ms - self.since_ms < after_ms:
            return
        if odds > 0.0 and not self._noted(self.since_ms):
            self.stands = True
            return
        # it was poured: the water stands where it is now
        noted = self._noted(self.since_ms)
        if not noted and self.rise_mm is not None:
            self.doses_mm = [*self.doses_mm, self.rise_mm][-_KEPT:]
        if not noted and self.risen:
            self.came[self.risen[-1]] = self.came.get(self.risen[-1], 0) + 1
        self.doubtful_ms = None if noted else self.since_ms
        self.since_ms, self.risen = None, [] if noted else self.risen
        self.recent = [each for each in self.recent if each[0] >= t_ms - TOLD_MS // 2]

    def _back(self, t_ms: int) -> None:
        assert self.since_ms is not None
        lasted = t_ms - self.since_ms
        if lasted >= _HAND_MS and not self._noted(self.since_ms):
            if self.rise_mm is not None:
                self.backs = [*self.backs, self.rise_mm][-_KEPT:]
            if lasted <= LONGEST_MS:
                self.pauses = [*self.pauses, (self.since_ms, lasted)][-_KEPT:]
        self.ended = self.since_ms, t_ms
        self.stands, self.since_ms, self.parted_ms, self.risen = False, None, None, []
        self.recent = self.recent[-3:]

    def _noted(self, at_ms: int) -> bool:
        return any(abs(poured - at_ms) <= NEAR_MS for poured in self.poured_ms)

    def poured(self, at_ms: int) -> None:
        """Takes from the journal that water was poured or changed: a rise at that time was that
        water, also one that was taken for a stop."""
        self.poured_ms = [*self.poured_ms, at_ms][-_KEPT:]
        if self.up_ms is not None and self._noted(self.up_ms):
            self.since_ms = self.doubtful_ms = self.parted_ms = None
            self.stands, self.risen, self.recent = False, [], self.recent[-3:]
