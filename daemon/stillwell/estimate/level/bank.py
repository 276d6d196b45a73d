"""The state space: its prediction and its updates, for several assumptions about how restless the
rate is.

State (one `Gaussian` for each member of the bank)::

    H      level, mm relative to the fill mark
    M      long-run rate over the expected one (random walk)
    D      today's departure from it (Ornstein–Uhlenbeck)
    C, S   the day's course now and a quarter of a day on: lamp, fan, lid, whatever comes each day
    K      relative error of mm per mL (the chamber's area), constant
    G      the gauge's zero, random walk
    R      ln of the true over the stated ripple, nearly constant
    F…     each float's height error, nearly constant
    A      only in a window that is asked for: mm lost since its start

    dH/dt = -shape(t) (M + D + C)      shape in mm/h, from physics or the typical rate
    dA/dt = +shape(t) (M + D + C)
    pour of v mL: H += v mm_per_ml (1 + K)

Loss in mL is A / (mm_per_ml (1 + K)): between two returns to one height A equals the pours' rise, K
cancels, and the loss is what was poured, whatever the chamber's area. A does the smoothing: it
keeps its covariance with everything else, so that evidence after the window goes on sharpening it
(fixed-point smoothing). The members differ in the restlessness of D; their weights follow from how
well each predicted the evidence (Magill, IEEE Trans. Autom. Control 10 (1965) 434; from memory).

A float sees the level divided by the ripple, a product of two unknowns. The ripple is the same
at every float and every day, so it is a coordinate, and its effect on the rate (a larger ripple
takes longer to pass) is a covariance: heights, pours and area separate the two in time."""

from __future__ import annotations

import math

from stillwell.estimate.gaussian import Gaussian
from stillwell.estimate.level.drift import Drift
from stillwell.estimate.level.gauge import Located
from stillwell.estimate.level.ledger import FloatTold, Slice
from stillwell.estimate.level.mixture import Weighed, cut, joined, log_total
from stillwell.estimate.level.physics import C, D, F, G, H, K, M, Physics, R, S
from stillwell.estimate.level.ripple import certain, half_way, throughout
from stillwell.estimate.level.update import (
    GAUGE_UNEXPLAINED,
    Update,
    above_float,
    float_unexplained,
    of_float,
    of_gauge,
)

_FLOAT_CREEP = 0.01
"""mm per sqrt(day): years of agreement fix no float's height beyond what it can hold."""
_RIPPLE_CREEP = 0.1
"""Share of its uncertainty by which the ripple may change in a day: pumps clog, are cleaned."""
_ODDS_RANGE = 6.0
_DRAIN_MM = 60.0
"""Prior mean and spread of an unexplained drain. It goes down as far as somebody empties the
chamber: two sensors that fall by its whole depth are not both at fault."""
_FLOOR = -9.0
"""ln of the least weight of a kind of member."""
_SURPRISE = 8.0
"""How improbable a slice must be to be examined: ln of its probability below that of the best
case."""
_LIKELY = 0.05
_VAGUE_RIPPLES = 0.5
"""The least spread of a vague level, in ripples; see `Bank.predicts`."""
_RATE_BREAK = 3.0
"""The spread of the rate after a sudden change, in typical rates."""


class Bank:
    """The members, their weights (as logarithms) and each sensor's log-odds of being at fault."""

    __slots__ = ("_drift", "_members", "_weights", "counting", "kinds", "odds", "physics")

    def __init__(
        self,
        physics: Physics,
        members: list[Gaussian],
        kinds: list[float],
        weights: list[float],
        odds: list[float],
        counting: bool = False,
    ) -> None:
        self.physics = physics
        self._members = members
        self.kinds = kinds
        self._weights = weights
        self.odds = odds
        self.counting = counting
        self._drift = Drift()

    @classmethod
    def prior(cls, physics: Physics) -> Bank:
        """Returns a bank that knows only the geometry: the level is within the chamber, most
        likely near the mark."""
        geometry, habits = physics.geometry, physics.habits
        span = geometry.highest_safe_mm - geometry.lowest_safe_mm
        mean = [geometry.middle_mm, 1.0] + [0.0] * (F - 2 + len(physics.floats))
        members = []
        for kind in physics.kinds:
            sd = [
                0.35 * span,
                habits.typical_rel_sd,
                kind,
                *(habits.daily_rel_sd,) * 2,
                geometry.area_rel_sd,
                physics.gauge.offset_sd_mm if physics.gauge else 0.0,
                physics.ripple_log_sd,
                *(f.height_sd_mm for f in physics.floats),
            ]
            members.append(Gaussian.diagonal(mean, sd))
        n = len(members)
        odds = [physics.base_odds] * (len(physics.floats) + 1)
        bank = cls(physics, members, list(physics.kinds), [-math.log(n)] * n, odds)
        bank._split()
        return bank

    def copy(self) -> Bank:
        other = Bank(
            self.physics,
            [g.copy() for g in self._members],
            self.kinds.copy(),
            self._weights.copy(),
            self.odds.copy(),
            self.counting,
        )
        other._drift = self._drift.copy()
        return other

    @property
    def members(self) -> list[Gaussian]:
        """Returns the members as of now; pending predictions are carried out first."""
        if self._drift.hours > 0:
            self._carry_out()
        return self._members

    @property
    def weights(self) -> list[float]:
        """Returns the logarithms of the members' weights; their exponentials sum to one."""
        if self._drift.hours > 0:
            self._carry_out()
        return self._weights

    def start_counting(self) -> None:
        for g in self.members:
            g.extend()
        self.counting = True

    def stop_counting(self) -> None:
        """Stops counting, and leaves what was counted as it is."""
        if self._drift.hours > 0:
            self._carry_out()
        self.counting = False

    def predict(self, dt_ms: float, shape: float) -> None:
        """Moves everything on by `dt_ms` at `shape` mm/h. Two halves give the same as the whole."""
        if dt_ms > 0:
            habits = self.physics.habits
            trend, course = habits.trend**2 / 24.0, habits.course_trend**2 / 24.0
            self._drift.further(dt_ms, shape, habits.wander_tau_h, trend, course)

    def _carry_out(self) -> None:
        drift, self._drift = self._drift, Drift()
        days = drift.hours / 24.0
        physics = self.physics
        zero = physics.gauge.drift_mm_per_sqrt_day**2 * days if physics.gauge else 0.0
        ripple = (_RIPPLE_CREEP * physics.ripple_log_sd) ** 2 * days
        creep = _FLOAT_CREEP**2 * days
        for g, wander in zip(self._members, self.kinds, strict=True):
            drift.carry(g, wander, counting=self.counting)
            g.P[G][G] += zero
            g.P[R][R] += ripple
            for i in range(F, F + len(physics.floats)):
                g.P[i][i] += creep
        self._discount(math.exp(-days / physics.habits.forget_days))

    def _discount(self, keep: float) -> None:
        """Lets the preference among kinds fade, and leaves that within a kind as it is: which
        level is right does not go out of date, but how restless the rate is does."""
        if len(self.physics.kinds) == 1:
            return
        sums: dict[float, float] = {}
        for weight, kind in zip(self._weights, self.kinds, strict=True):
            sums[kind] = sums.get(kind, 0.0) + math.exp(weight)
        lift = {kind: (keep - 1.0) * math.log(max(v, 1e-300)) for kind, v in sums.items()}
        discounted = [w + lift[kind] for w, kind in zip(self._weights, self.kinds, strict=True)]
        total = log_total(discounted)
        self._weights = [w - total for w in discounted]

    def pour(self, ml: float, sd_ml: float) -> None:
        per = self.physics.geometry.mm_per_ml
        for g in self.members:
            g.mix(H, K, ml * per)
            g.x[H] += ml * per
            g.P[H][H] += (sd_ml * per) ** 2

    def see_level(self, mm: float, sd: float) -> None:
        """Takes the keeper's word that the level is at `mm`."""
        self._condition(H, mm, sd * sd)
        self._merge()

    def _condition(self, i: int, value: float, variance: float) -> None:
        """Applies the Kalman update to one coordinate, and updates the members' weights by it."""
        logs: list[float] = []
        for g, weight in zip(self.members, self.weights, strict=True):
            m, v, gain = g.project(((i, 1.0),))
            s = v + variance
            logs.append(weight - 0.5 * (value - m) ** 2 / s - 0.5 * math.log(s))
            g.revise(gain, s, value - m, 0.0)
        self._weights = self._normal(logs)

    def step(self, direction: int) -> None:
        """Takes a move of the level by an unknown amount, up (+1) or down (-1)."""
        self._merge(always=True)
        lowest, rise = self.physics.geometry.lowest_safe_mm, self.physics.geometry.rise_mm
        for g in self.members:
            mean = sd = rise if direction > 0 else max(rise, _DRAIN_MM)
            if direction > 0 and g.x[H] < lowest:
                # a chamber that was emptied is filled again, to the mark or short of it
                mean, sd = max(rise, -g.x[H]), max(rise, -0.5 * g.x[H])
            g.x[H] += direction * mean
            g.P[H][H] += sd**2
        self._split()

    def lose_level(self) -> None:
        """Starts the level anew within the chamber, after a water change."""
        geometry = self.physics.geometry
        self._merge(always=True)
        span = geometry.highest_safe_mm - geometry.lowest_safe_mm
        for g in self.members:
            g.renew(H, geometry.middle_mm, (0.35 * span) ** 2)
        self._split()

    def _split(self) -> None:
        """Cuts every member whose level is vague into narrow ones."""
        every = list(zip(self.members, self.kinds, self.weights, strict=True))
        self._set([(part, kind) for g, kind, weight in every for part in cut(g, weight)])

    def _merge(self, always: bool = False) -> None:
        """Drops what has become improbable, and joins members of one kind that agree again."""
        if len(self._members) == len(self.physics.kinds):
            return
        every = list(zip(self.members, self.kinds, self.weights, strict=True))
        out: list[tuple[Weighed, float]] = []
        for kind in self.physics.kinds:
            mine = [(g, weight) for g, its, weight in every if its == kind]
            out += [(part, kind) for part in joined(mine, always)]
        self._set(out)

    def _set(self, parts: list[tuple[Weighed, float]]) -> None:
        self._members = [g for (g, _), _ in parts]
        self._weights = [weight for (_, weight), _ in parts]
        self.kinds = [kind for _, kind in parts]

    def break_rate(self, shape: float, ago_h: float) -> None:
        """Takes the rate to have changed suddenly by an unknown amount, `ago_h` ago: it takes a
        while until a level shows that it falls faster."""
        for g in self.members:
            spread: list[tuple[int, float]] = [(D, _RATE_BREAK), (H, -_RATE_BREAK * shape * ago_h)]
            if self.counting:
                spread.append((len(g.x) - 1, _RATE_BREAK * shape * ago_h))
            for i, a in spread:
                for j, b in spread:
                    g.P[i][j] += a * b

    def rescale_rate(self, factor: float) -> None:
        """Changes the ratio so that the rate stays the same when the shape becomes 1/`factor` of
        what it was."""
        for g in self.members:
            for i in (M, D, C, S):
                g.scale(i, factor)

    def distrust(self, sensor: int) -> None:
        """Takes a sensor to be faulty until it agrees again for a while."""
        self.odds[sensor] = _ODDS_RANGE

    def expect_ratio(self, rel_sd: float) -> None:
        """Uses the amount that physics expects, once: the long-run rate is the expected one with
        this relative standard deviation."""
        self._condition(M, 1.0, rel_sd * rel_sd)

    def absorb(self, piece: Slice, shape: float, middle_ms: float) -> tuple[float, bool]:
        """Takes in one slice's level evidence.

        Returns:
            (ln of how probable it was, whether any trusted sensor was far from what was predicted).
        """
        total = 0.0
        surprising = False
        # the gauge first: it leaves few members, and those narrow, for the floats' quadrature
        if piece.gauge is not None and self.physics.gauge is not None:
            log_e, odd = self._absorb_gauge(piece.gauge, shape, middle_ms)
            total += log_e
            surprising = odd
            self._merge()
        for told in piece.floats:
            place = self.physics.places.get(told.name)
            if place is not None:
                log_e, odd = self._absorb_float(place, told)
                total += log_e
                surprising = surprising or odd
        self._merge()
        return total, surprising

    def ignored(self, piece: Slice) -> float:
        """Returns ln of the probability of a slice that no hypothesis explains."""
        total = sum(float_unexplained(told) for told in piece.floats)
        if piece.gauge is not None:
            total += GAUGE_UNEXPLAINED
        return total

    def predicts(self, place: int, told: FloatTold, goes_on: bool) -> bool:
        """Whether a float's slice, all closed or all open, may be passed over.

        It may where it says nothing new, because every member is sure of it. It also may where
        it `goes_on` unchanged in the slices beside it and the level is vague: while the water
        falls, a float that is still closed must have been closed before, and cutting a vague
        Gaussian off again and again would count that one fact many times. What is improbable is
        never passed over, nor is anything of a float in doubt."""
        if self.odds[place] > self.physics.base_odds:
            return False
        closed, sure, probable, spread = throughout(told.told), True, 0.0, 0.0
        for g, wander, weight in zip(self._members, self.kinds, self._weights, strict=True):
            mean, sd, law = above_float(g, self.physics, place, self._drift, wander)
            sure = sure and certain(law, mean - 6.0 * sd, mean + 6.0 * sd, told.told)
            if not sure and not goes_on:
                return False
            w = math.exp(weight)
            beyond = (mean - half_way(law, told.told)) / sd * (-1.0 if closed else 1.0)
            probable += w * 0.5 * math.erfc(beyond / math.sqrt(2.0))
            spread += w * sd
            if not sure and probable > _LIKELY and spread > _VAGUE_RIPPLES:
                return True
        return sure

    def _absorb_float(self, place: int, told: FloatTold) -> tuple[float, bool]:
        found = [of_float(g, self.physics, place, told) for g in self.members]
        return self._weigh(place, found, float_unexplained(told))

    def _absorb_gauge(self, gauge: Located, shape: float, middle_ms: float) -> tuple[float, bool]:
        found = [of_gauge(g, self.physics, gauge, shape, middle_ms) for g in self.members]
        return self._weigh(len(self.physics.floats), found, GAUGE_UNEXPLAINED)

    def _weigh(
        self, sensor: int, found: list[Update], log_unexplained: float
    ) -> tuple[float, bool]:
        """Mixes the two cases that the sensor is well and that it is at fault and says nothing;
        reduces the mixture to its moments."""
        weights = self.weights
        unexplained = math.exp(log_unexplained)
        fault = 1.0 / (1.0 + math.exp(-self.odds[sensor]))
        shares = [math.exp(w) for w in weights]
        mean_z = sum(share * u.z for share, u in zip(shares, found, strict=True))
        best_z = sum(share * u.best for share, u in zip(shares, found, strict=True))
        surprising = mean_z < best_z * math.exp(-_SURPRISE) and fault < 0.5
        logs: list[float] = []
        for g, u, w in zip(self._members, found, weights, strict=True):
            well = (1.0 - fault) * u.z
            whole = well + fault * unexplained
            logs.append(w + math.log(max(whole, 1e-300)))
            trust = well / max(whole, 1e-300)
            if trust > 0.98:
                # no mixing while nothing speaks for a fault: more evidence then never widens
                if u.after_mean != u.mean or u.after_variance != u.variance:
                    g.revise(u.gain, u.variance, u.after_mean - u.mean, u.after_variance)
            elif trust > 1e-9:
                off = u.after_mean - u.mean
                kept = (
                    trust * u.after_variance
                    + (1 - trust) * u.variance
                    + trust * (1 - trust) * off * off
                )
                g.revise(u.gain, u.variance, trust * off, min(kept, 4.0 * u.variance))
        total = log_total(logs)
        self._weights = self._normal(logs)
        self.odds[sensor] = _pull(
            self.odds[sensor] + log_unexplained - math.log(max(mean_z, 1e-300)),
            self.physics.base_odds,
        )
        return total, surprising

    def _normal(self, logs: list[float]) -> list[float]:
        """Returns weights that sum to one. No kind is ever lost for good, because the season may
        turn or the pump be cleaned."""
        total = log_total(logs)
        logs = [value - total for value in logs]
        sums: dict[float, float] = {}
        for value, kind in zip(logs, self.kinds, strict=True):
            sums[kind] = sums.get(kind, 0.0) + math.exp(value)
        floor = math.exp(_FLOOR)
        if min(sums.values()) < floor:
            lift = {k: _FLOOR - math.log(max(v, 1e-300)) for k, v in sums.items() if v < floor}
            logs = [v + lift.get(k, 0.0) for v, k in zip(logs, self.kinds, strict=True)]
            total = log_total(logs)
            logs = [value - total for value in logs]
        return logs


def _pull(odds: float, base: float) -> float:
    return max(base, min(_ODDS_RANGE, odds))
