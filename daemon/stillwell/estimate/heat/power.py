"""Whether the heater gives enough: no heat, too little of it, or hardly enough for the room.

The relay is not seen. Below the lower switching point it should be on; then the heat that comes
(`heat_share`) tells a dead heater from a weak one. Between the points it tells them apart where the
water has stopped rising short of the upper one: a relay that had gone off would leave no heat at
all. And the share of its time that a sound heater is on says how near it is to the coldest room it
can bear.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from stillwell.estimate.heat.duty import Duty
from stillwell.estimate.heat.heat_share import SURE, HeatShare, Share
from stillwell.estimate.heat.relay_filter import RESOLVED, RelayFilter
from stillwell.estimate.heat.standing import Condition, Standing
from stillwell.estimate.heat.thermostat import MOVED_K, MOVED_TIMES, Thermostat

SOME = 0.05
"""So little of the heater's heat may be the lamp's or a warmer room's."""
LITTLE = 0.1
"""A heater that gives no more than this is next to dead."""
LAMPS = 0.2
"""Once it was told dead it takes more than a lamp's heat to call it weak."""
LITTLE_AT_MOST = 0.15
"""And one that was weak is dead when it gives less than this, beyond doubt."""
WEAK_S = 1200.0
"""What came on weakly is measured for so long, after the lag."""
HOVERS_S = 3600.0
"""Water that stands still about its lower point for so long is held there by a little heat."""
NEARLY_ALL = 0.75
"""So much of it is a sound heater's."""
RISES = 0.05
"""Of the slope that the heater's whole heat makes: what rises no faster does not get there."""
CUT_S = 3000.0
"""A heater is called weak between its switching points after the heat was measured for so long."""
NONE_S = 2400.0
"""Where no heat was measured for so long, well below the lower point, the heater is dead."""
TELLING_S = 2700.0
"""For so long at most a heater that may be weak is waited for before it is called dead."""
MADE_UP = 0.35
"""Of what the water usually loses, the share that the heat makes up at which a weak heater is worth
waiting for, since a dead one makes up nothing."""
SOME_SHARE = 0.7
"""Of what the water usually loses, the heat that comes makes up so much: a part of the heater's
still comes, or the lamp's is enough for now."""
HELD_SHARE = 0.9
"""A heater that was told dead is called weak only when the water all but holds: a lamp that is lit
makes up much of what a calm tank loses, and a dead heater must not be played down for it."""
LIFTED_SHARE = 1.1
"""More lifts the water, which a heater that is too weak does not: the lamp does."""
REFUTED = -3.0
"""Log likelihood ratio at which a weak heater is out of the question."""
NO_SHARE = 0.5
"""So little may be the lamp's alone."""
APART_K = 0.1
"""A chamber whose water is not mixed cools faster than was learned, and so its heater comes on a
little further down than its probe has shown so far."""
BACK_K = 0.10
BACK_FOR_S = 1800.0
"""So far, and for so long, the water is back within a switching point before what was beyond it is
over."""
LIT_K = 0.15
"""How far below its lower point the water is when it should surely have come on."""
OVER_FOR_S = 300.0
"""Water that was above where the heater switches off for so long misses none of its heat, also just
after it was changed."""
TOP_K = 0.05
"""So near to where it switches off the water has got there."""
LIMIT_S = 3600.0
LIMIT = 0.93
"""Where so much of the heat, measured for `LIMIT_S`, only makes good what is lost, there is hardly
any to spare."""
LATELY_S = 3 * 3600.0
EASY = 0.85
"""A heater that was on for less of `LATELY_S` has time to spare."""
USUAL_TAU_S = (20 * 3600.0, 8 * 3600.0, 60 * 3600.0)
"""Time constants of small tanks: usual, short, long; common practice."""
MOSTLY = 0.5
"""Where less comes the relay is hardly on with a sound heater: a lamp holds the water."""


def _never(_at_s: float) -> bool:
    return False


class Power:
    """One heater. Times are seconds of the watch."""

    def __init__(self, standing: Standing) -> None:
        self.standing = standing
        self.heat = HeatShare()
        self.limit_s: float | None = None
        """Since when the heater has been near its limit; the water holds still."""
        self.dark: Callable[[float], bool] = _never
        """Whether the lamp surely burnt neither at a time of the watch nor in the next hours."""
        self.apart = False
        """Whether the pump may stand; whoever has seen it says so."""
        self.share: Share | None = None
        """What comes of the heat now."""
        self.lately = (0.0, LATELY_S)
        """The share of the last seconds, and of how many, that the heater was on."""
        self._weak_s: float | None = None
        """When the relay came on, with little heat, and it is not settled how much."""
        self._hovers = False
        """Whether that is concluded only from water that stands still."""
        self._stopped_s: float | None = None
        """When the water stopped rising short of the upper switching point."""
        self.half_way = False
        """Whether that is why it is called short of power."""

    # -- what the relay does ---------------------------------------------------------------------

    def switched(self, watch: RelayFilter, on: bool, thermostat: Thermostat, whole: bool) -> None:
        """The relay has switched, as the filter takes it. `whole` says that the trace has not been
        torn for long enough before."""
        if on:
            self.heat.idled(thermostat, watch.turned_s)
        self.heat.begin(watch.turned_s)
        standing, known = self.standing, watch.known
        if on:
            standing.clear(Condition.NOT_HEATING)
            if self.half_way:
                standing.clear(Condition.TOO_WEAK)
            self._stopped_s, self.half_way, self._weak_s = None, False, None
            return
        level, spread = thermostat.peak.ahead(watch.turned_s)
        short = level - watch.turned_c
        far = max(MOVED_K, MOVED_TIMES * math.hypot(spread, watch.errors[0]))
        self._stopped_s = (
            watch.turned_s if short > far and whole and self.dark(watch.turned_s) else None
        )
        if watch.best is not None and watch.best.t > (known.trough + known.peak) / 2:
            standing.clear(Condition.TOO_WEAK)

    def torn(self, t_s: float) -> None:
        """The trace was torn: that the water stopped rising may have been what tore it."""
        self.heat.begin(t_s)
        self._stopped_s = None

    def interrupt(self) -> None:
        """The machine was off, nobody knows for how long."""
        self.heat = HeatShare()
        self._stopped_s = self._weak_s = None

    def grown_weak(self, t_s: float, watch: RelayFilter, thermostat: Thermostat) -> None:
        """It has come on and only a share of the heat comes."""
        self.heat.idled(thermostat, watch.turned_s)
        self.heat.begin(watch.turned_s)
        self._weak_s, self._hovers = watch.turned_s, False
        enough = self._made_up(watch, thermostat) > SOME_SHARE
        if Condition.NOT_HEATING not in self.standing and enough:
            self.lacks(t_s, watch.turned_s, watch, thermostat)

    def stayed_off(
        self, t_s: float, since_s: float, watch: RelayFilter, thermostat: Thermostat
    ) -> None:
        """It should have come on. While a weak heater explains it as well, what comes is waited
        for."""
        waits = watch.due_s is not None and t_s - watch.due_s < TELLING_S
        likely = watch.weak_led > REFUTED and self._made_up(watch, thermostat) > MADE_UP
        if not (waits and likely) or Condition.NOT_HEATING in self.standing:
            refuted = watch.weak_led < REFUTED
            self.lacks(t_s, since_s, watch, thermostat, refuted=refuted)

    def lacks(
        self,
        t_s: float,
        since_s: float,
        watch: RelayFilter,
        thermostat: Thermostat,
        refuted: bool = False,
    ) -> None:
        """Heat is missing below the lower point: all of it, or a part."""
        standing = self.standing
        assert watch.best is not None
        if self.apart and not standing.since and watch.known.trough - watch.best.t < APART_K:
            return
        made_up = self._made_up(watch, thermostat)
        share = self.heat.measure(thermostat, -math.inf if watch.due_s is None else watch.due_s)
        comes = share is not None and share.above(SOME)
        # Before it was due nothing should have come; what came all the same comes still.
        came = self.share is not None and self.share.above(LAMPS)
        none = share is not None and share.below(LITTLE_AT_MOST)
        # That it came on was seen by its whole heat; only that being gone is against it.
        seen = watch.relay is True and self._weak_s is None
        seen = seen and share is not None and not none
        comes = comes or came or seen
        if Condition.TOO_WEAK in standing:
            gone = made_up < NO_SHARE and none
            if standing.lasts("falls", gone, t_s, BACK_FOR_S):
                standing.clear(Condition.TOO_WEAK)
                standing.stand(Condition.NOT_HEATING, since_s)
        elif Condition.NOT_HEATING in standing:
            if standing.lasts("hovers", HELD_SHARE < made_up < LIFTED_SHARE, t_s, BACK_FOR_S):
                standing.clear(Condition.NOT_HEATING)
                standing.stand(Condition.TOO_WEAK, since_s)
        elif comes or (made_up > SOME_SHARE and not (refuted or none)):
            standing.stand(Condition.TOO_WEAK, since_s)
        else:
            standing.stand(Condition.NOT_HEATING, since_s)

    # -- once a minute ---------------------------------------------------------------------------

    def look(self, t_s: float, watch: RelayFilter, thermostat: Thermostat, duty: Duty) -> None:
        """What time and level alone begin or end."""
        assert watch.best is not None
        self.share = self.heat.measure(thermostat)
        self._look_at_stop(t_s, watch)
        self._look_at_hover(t_s, watch, thermostat)
        self._look_at_weak(t_s, watch)
        self._look_for_end(t_s, watch)
        self._look_below(t_s, watch, thermostat)
        self._look_for_none(t_s, watch, thermostat)
        self._look_at_limit(t_s, watch, thermostat, duty)

    def _look_below(self, t_s: float, watch: RelayFilter, thermostat: Thermostat) -> None:
        """Below its lower point the heater is on and on, and the water does not rise."""
        known, share = watch.known, self.share
        assert watch.best is not None
        trough = _lowest(watch)
        below = watch.best.t < trough - max(0.05, 3 * known.trough_spread)
        if share is not None and not share.above(LAMPS) and not self.dark(t_s):
            # A lamp that is lit gives as much, and the relay may not have come on yet.
            below = watch.best.t < trough - LIT_K
        on = below and watch.relay is True
        still = on and watch.slope < 0.03 * known.gain
        if self.standing.lasts("power", still, t_s, BACK_FOR_S):
            self.lacks(t_s, self.standing.began_s("power"), watch, thermostat)
            return
        if share is None or share.seconds < BACK_FOR_S:
            return
        if on and share.slope < RISES * known.gain:
            self.lacks(t_s, t_s - share.seconds, watch, thermostat)

    def _look_for_none(self, t_s: float, watch: RelayFilter, thermostat: Thermostat) -> None:
        """Well below its lower point, long after it should have come on, none of its heat is there,
        beyond doubt: whatever loss the filter still takes for possible."""
        due_s, best = watch.due_s, watch.best
        if Condition.NOT_HEATING in self.standing or self.apart or due_s is None or best is None:
            return
        if watch.relay is not False or best.t > _lowest(watch) - LIT_K:
            return
        share = self.heat.measure(thermostat, due_s)
        if share is not None and share.seconds > NONE_S and share.below(LITTLE_AT_MOST):
            self.lacks(t_s, due_s, watch, thermostat, refuted=True)

    def _look_at_stop(self, t_s: float, watch: RelayFilter) -> None:
        """Between its points the water has stopped rising: with some heat still coming the relay is
        on and the heater weak."""
        share = self.share
        assert watch.best is not None
        if self._stopped_s is None or share is None or share.seconds < CUT_S:
            return
        if watch.best.t > watch.known.peak or share.value < LITTLE:
            # No heat comes, or lamp or room have lifted it so far: the relay is off.
            self._stopped_s = None
            return
        stopped = share.above(SOME) and share.slope < RISES * watch.known.gain
        if stopped and Condition.NOT_HEATING not in self.standing:
            self.half_way = self.half_way or Condition.TOO_WEAK not in self.standing
            self.standing.stand(Condition.TOO_WEAK, self._stopped_s)

    def _look_at_hover(self, t_s: float, watch: RelayFilter, thermostat: Thermostat) -> None:
        """About its lower point the water has stopped falling, and rises no more."""
        due_s = watch.due_s
        if self._weak_s is not None or watch.relay or due_s is None or t_s - due_s < HOVERS_S:
            return
        if not self.dark(due_s):
            return  # a lamp that is lit just then may hold the water there
        if watch.weak_led > RESOLVED and self._made_up(watch, thermostat) > HELD_SHARE:
            self.heat.idled(thermostat, due_s)
            self.heat.begin(due_s)
            self._weak_s, self._hovers = due_s, True

    def _look_at_weak(self, t_s: float, watch: RelayFilter) -> None:
        """Since it came on there was time to measure what comes: it is weak, or next to dead."""
        share, standing = self.share, self.standing
        if self._weak_s is None or share is None:
            return
        if share.slope > RISES * watch.known.gain:
            return
        dead = Condition.NOT_HEATING in standing
        least, long_s = (LAMPS, TELLING_S) if dead else (LITTLE, WEAK_S)
        if share.above(SOME) and share.value > least and share.seconds > long_s:
            standing.clear(Condition.NOT_HEATING)
            standing.stand(Condition.TOO_WEAK, self._weak_s)
            self._weak_s = None
        elif (
            share.seconds > WEAK_S
            and t_s - self._weak_s > TELLING_S
            and Condition.TOO_WEAK not in standing
            and not self._hovers
        ):
            standing.stand(Condition.NOT_HEATING, self._weak_s)

    def _look_for_end(self, t_s: float, watch: RelayFilter) -> None:
        assert watch.best is not None
        water, trough, peak = watch.best.t, watch.known.trough, watch.known.peak
        standing = self.standing
        up = standing.lasts("up", water > trough + BACK_K, t_s, BACK_FOR_S)
        up = standing.lasts("over", water > peak, t_s, OVER_FOR_S) or up
        if up:
            standing.clear(Condition.NOT_HEATING)
            self._weak_s = None
        if self.half_way:
            share = self.share
            all_comes = share is not None and share.above(NEARLY_ALL)
            top = standing.lasts("top", water > peak - TOP_K, t_s, BACK_FOR_S)
            if top or all_comes:
                standing.clear(Condition.TOO_WEAK)
                self.half_way, self._stopped_s = False, None
        elif up:
            standing.clear(Condition.TOO_WEAK)

    def _look_at_limit(
        self, t_s: float, watch: RelayFilter, thermostat: Thermostat, duty: Duty
    ) -> None:
        """Whether the heater has hardly any heat to spare, while the water still holds: it is on
        and on, its heat comes, and lifts the water hardly any more."""
        found, share = duty.share(t_s, LATELY_S, 0.8 * LATELY_S), self.share
        if found is None:
            return
        self.lately = (found[0], LATELY_S)
        if self.limit_s is not None:
            if found[0] < EASY:
                self.limit_s = None
                self.standing.changes += 1
            return
        if share is None or share.seconds < LIMIT_S or found[0] < EASY:
            return
        lifts = share.slope > (1.0 - LIMIT) * thermostat.gain.mean
        if watch.relay and share.value > MOSTLY and not lifts:
            self.limit_s = t_s
            self.standing.changes += 1

    def bears(self, thermostat: Thermostat, room_c: float) -> tuple[float, float, float] | None:
        """The room in which the heater, on without a pause, just holds the water where it is, °C,
        with its interval: as it lifts the water now in a room of `room_c`. None without a
        measurement near the limit."""
        share = self.share
        if self.limit_s is None or share is None:
            return None
        taus = thermostat.room.tau_s() or USUAL_TAU_S
        off = SURE * share.slope_error
        ends = [room_c - (share.slope + by) * tau for by in (-off, off) for tau in taus]
        return room_c - share.slope * taus[0], min(ends), max(ends)

    def _made_up(self, watch: RelayFilter, thermostat: Thermostat) -> float:
        """Of what the water usually loses, the share that is made up now. Colder water loses
        less."""
        assert watch.best is not None
        loses = max(0.3 * thermostat.loss.mean, self.heat.loss(thermostat, watch.best.t))
        return 1.0 + watch.slope / max(1e-6, loses)

    # -- across restarts -------------------------------------------------------------------------

    def to_json(self) -> list[Any]:
        return [self.limit_s, self.half_way]

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError or TypeError for anything else."""
        limit_s, half_way = kept
        self.limit_s = None if limit_s is None else float(limit_s)
        self.half_way = bool(half_way)


def _lowest(watch: RelayFilter) -> float:
    """Where the heater comes on at the latest, °C: where its point may have moved down, by another
    probe or by the dial, it is not missed before that place."""
    return watch.known.trough + min(0.0, watch.known.trough_moves)
