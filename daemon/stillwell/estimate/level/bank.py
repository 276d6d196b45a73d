"""The state space: its prediction and its updates, for several opinions on the rate's restlessness.

State (one `Gaussian` a member of the bank)::

    H      level, mm relative to the fill mark
    M      long-run rate over the expected one (random walk)
    D      today's departure from it (Ornstein–Uhlenbeck)
    K      relative error of mm per mL (the chamber's area), constant
    G      the gauge's zero, random walk
    F…     each float's height error, nearly constant
    A      only in a window that is asked for: mm lost since its start

    dH/dt = -shape(t) (M + D)          shape in mm/h, from physics or the typical rate
    dA/dt = +shape(t) (M + D)
    pour of v mL: H += v mm_per_ml (1 + K)

Loss in mL is A / (mm_per_ml (1 + K)): between two returns to one height A equals the pours' rise, K
cancels, and the loss is what was poured, whatever the chamber's area. The smoothing lies in A: it
keeps its covariance with everything else, so that evidence after the window goes on sharpening it
(fixed-point smoothing). The members differ in the restlessness of D and in the ripple; their
weights follow from how well each foretold the evidence (Magill, IEEE Trans. Autom. Control 10
(1965) 434; from memory). The ripple is a matter of members rather than a state: one float sees only
rate over ripple, and a linearised filter would imagine that it can tell the two apart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from stillwell.estimate.level.gauge import Located
from stillwell.estimate.level.gaussian import Gaussian, Row, merged
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry, Habits
from stillwell.estimate.level.ledger import FloatTold, Slice
from stillwell.estimate.level.ripple import Occupancy, certain, occupancy, peak, posterior_moments

H, M, D, K, G, F = 0, 1, 2, 3, 4, 5
_MS_PER_H = 3_600_000.0
_FLOAT_CREEP = 0.01
"""mm per sqrt(day): keeps years of agreement from fixing a float's height beyond what it can
hold."""
_ODDS_RANGE = 6.0
_GAUGE_SPAN_MM = 100.0
_STEP_MM = 30.0
"""Prior mean and spread of an unexplained step of the level."""
_VAGUE_MM = 9.0
_NARROW_MM = 6.0
_APART_MM = 10.0
"""A level vaguer than the first is cut into members as narrow as the second, the third apart."""
_FLOOR = -9.0
"""ln of the least weight of a kind."""
_IMPROBABLE = 14.0
_SURPRISE = 8.0
"""ln of how much less probable than the best case a slice must be to be looked into."""
_OUTER = math.sqrt(1.5)
_WITHIN = 0.7
"""Error of the ripple within a kind, as a share of its uncertainty: the points lie 1.22 apart, that
leaves 0.35, and twice that since the slices of half a crossing share it."""
_RATE_BREAK = 3.0
"""Spread of the rate after a sudden change, in typical rates."""


class Kind(NamedTuple):
    """What a member of the bank takes for given."""

    wander: float
    """Standard deviation of D, as a share of the expected rate."""
    log_ripple: float
    """ln of the true over the stated ripple, the same for all floats."""


@dataclass(frozen=True, slots=True)
class Physics:
    """Everything about a chamber that the bank needs, computed once."""

    geometry: Geometry
    floats: tuple[FloatSpec, ...]
    gauge: GaugeSpec | None
    habits: Habits
    kinds: tuple[Kind, ...]
    laws: dict[float, tuple[Occupancy, ...]]
    """For each log-ripple, the law of each float."""
    places: dict[str, int]

    @classmethod
    def of(
        cls,
        geometry: Geometry,
        floats: tuple[FloatSpec, ...],
        gauge: GaugeSpec | None,
        habits: Habits,
    ) -> Physics:
        sd = max((f.ripple_log_sd for f in floats), default=0.0)
        # three equally probable points with the variance of the normal
        ripples = (-_OUTER * sd, 0.0, _OUTER * sd) if sd > 0 else (0.0,)
        kinds = tuple(Kind(wander, ripple) for wander in habits.wander for ripple in ripples)
        laws = {
            ripple: tuple(
                occupancy(f.differential_mm, f.ripple_mm * math.exp(ripple), f.ripple_tau_s)
                for f in floats
            )
            for ripple in ripples
        }
        places = {f.name: i for i, f in enumerate(floats)}
        return cls(geometry, floats, gauge, habits, kinds, laws, places)

    @property
    def ripple_log_sd(self) -> float:
        """How well the ripple is known before its kinds are told apart."""
        return max((f.ripple_log_sd for f in self.floats), default=0.0)

    @property
    def base_odds(self) -> float:
        return math.log(self.habits.sensor_fault)


class Bank:
    """The members, their weights (as logarithms) and each sensor's log-odds of being at fault."""

    __slots__ = ("counting", "kinds", "members", "odds", "physics", "weights")

    def __init__(
        self,
        physics: Physics,
        members: list[Gaussian],
        kinds: list[Kind],
        weights: list[float],
        odds: list[float],
        counting: bool = False,
    ) -> None:
        self.physics = physics
        self.members = members
        self.kinds = kinds
        self.weights = weights
        self.odds = odds
        self.counting = counting

    @classmethod
    def prior(cls, physics: Physics) -> Bank:
        """Nothing known but the geometry: the level within the chamber, most likely near the
        mark."""
        geometry, habits = physics.geometry, physics.habits
        span = geometry.highest_safe_mm - geometry.lowest_safe_mm
        mean = [geometry.middle_mm, 1.0, 0.0, 0.0, 0.0] + [0.0] * len(physics.floats)
        members = []
        for kind in physics.kinds:
            sd = [
                0.35 * span,
                habits.typical_rel_sd,
                kind.wander,
                geometry.area_rel_sd,
                physics.gauge.offset_sd_mm if physics.gauge else 0.0,
                *(f.height_sd_mm for f in physics.floats),
            ]
            members.append(Gaussian.diagonal(mean, sd))
        n = len(members)
        odds = [physics.base_odds] * (len(physics.floats) + 1)
        bank = cls(physics, members, list(physics.kinds), [-math.log(n)] * n, odds)
        bank._split()
        return bank

    def copy(self) -> Bank:
        return Bank(
            self.physics,
            [g.copy() for g in self.members],
            self.kinds.copy(),
            self.weights.copy(),
            self.odds.copy(),
            self.counting,
        )

    def start_counting(self) -> None:
        for g in self.members:
            g.extend()
        self.counting = True

    def predict(self, dt_ms: float, shape: float) -> None:
        """Moves everything on by `dt_ms` at `shape` mm/h. Two halves give the same as the whole."""
        if dt_ms <= 0:
            return
        habits = self.physics.habits
        t = dt_ms / _MS_PER_H
        days = t / 24.0
        tau = habits.wander_tau_h
        e = math.exp(-t / tau)
        reach = tau * -math.expm1(-t / tau)
        drift = self.physics.gauge.drift_mm_per_sqrt_day if self.physics.gauge else 0.0
        # moments of an OU process and its integral (Gillespie, Phys. Rev. E 54 (1996) 2084; from
        # memory)
        if t / tau < 0.02:
            vii = 2.0 / 3.0 * t**3 / tau * (1.0 - 0.75 * t / tau)
        else:
            vii = tau * tau * (2 * t / tau - 3 + 4 * e - e * e)
        vdi = reach * reach / tau
        vdd = -math.expm1(-2 * t / tau)
        for g, (wander, _) in zip(self.members, self.kinds, strict=True):
            P = g.P  # noqa: N806
            g.mix(H, M, -shape * t)
            g.mix(H, D, -shape * reach)
            w2 = wander * wander
            trend = w2 * habits.trend**2 / 24.0
            qhh = shape * shape * (w2 * vii + trend * t**3 / 3)
            qhd = -shape * w2 * vdi
            qhm = -shape * trend * t * t / 2
            if self.counting:
                a = len(g.x) - 1
                g.mix(a, M, shape * t)
                g.mix(a, D, shape * reach)
            g.scale(D, e)
            if self.counting:
                P[a][a] += qhh
                _cross(P, a, H, -qhh)
                _cross(P, a, D, -qhd)
                _cross(P, a, M, -qhm)
            P[H][H] += qhh
            P[D][D] += w2 * vdd
            P[M][M] += trend * t
            _cross(P, H, D, qhd)
            _cross(P, H, M, qhm)
            P[G][G] += drift * drift * days
            for i in range(len(self.physics.floats)):
                P[F + i][F + i] += _FLOAT_CREEP**2 * days
        self._fade(math.exp(-days / habits.forget_days))

    def _fade(self, keep: float) -> None:
        """Lets the preference among kinds fade, and leaves that within a kind as it is: which level
        is right does not go out of date, how restless the rate is does."""
        if len(self.physics.kinds) == 1:
            return
        sums: dict[Kind, float] = {}
        for weight, kind in zip(self.weights, self.kinds, strict=True):
            sums[kind] = sums.get(kind, 0.0) + math.exp(weight)
        lift = {kind: (keep - 1.0) * math.log(max(v, 1e-300)) for kind, v in sums.items()}
        faded = [w + lift[kind] for w, kind in zip(self.weights, self.kinds, strict=True)]
        total = _log_total(faded)
        self.weights = [w - total for w in faded]

    def pour(self, ml: float, sd_ml: float) -> None:
        per = self.physics.geometry.mm_per_ml
        for g in self.members:
            g.mix(H, K, ml * per)
            g.x[H] += ml * per
            g.P[H][H] += (sd_ml * per) ** 2

    def see_level(self, mm: float, sd: float) -> None:
        """The keeper's word that the level stands at `mm`."""
        self._condition(H, mm, sd * sd)
        self._merge()

    def _condition(self, i: int, value: float, variance: float) -> None:
        """The Kalman update on one coordinate, and what it says of the members."""
        logs: list[float] = []
        for g, weight in zip(self.members, self.weights, strict=True):
            m, v, gain = g.project(((i, 1.0),))
            s = v + variance
            logs.append(weight - 0.5 * (value - m) ** 2 / s - 0.5 * math.log(s))
            g.revise(gain, s, value - m, 0.0)
        self.weights = self._normal(logs)

    def step(self, direction: int) -> None:
        """The level moved by an unknown amount, up (+1) or down (-1)."""
        self._merge(always=True)
        for g in self.members:
            g.x[H] += direction * _STEP_MM
            g.P[H][H] += _STEP_MM**2
        self._split()

    def lose_level(self) -> None:
        """After a water change: the level starts anew within the chamber."""
        geometry = self.physics.geometry
        self._merge(always=True)
        span = geometry.highest_safe_mm - geometry.lowest_safe_mm
        for g in self.members:
            g.renew(H, geometry.middle_mm, (0.35 * span) ** 2)
        self._split()

    def _split(self) -> None:
        """Cuts every member whose level is vague into narrow ones (Gaussian sum, Alspach and
        Sorenson, IEEE Trans. Autom. Control 17 (1972) 439; from memory).

        A float that is closed cuts a distribution off on one side. Of a wide Gaussian that leaves
        nothing like a Gaussian, and cutting it again and again would count the same evidence each
        time."""
        members: list[Gaussian] = []
        kinds: list[Kind] = []
        weights: list[float] = []
        for g, kind, weight in zip(self.members, self.kinds, self.weights, strict=True):
            v = g.P[H][H]
            if v <= _VAGUE_MM**2:
                members.append(g)
                kinds.append(kind)
                weights.append(weight)
                continue
            between = v - _NARROW_MM**2
            reach = math.ceil(3.0 * math.sqrt(between) / _APART_MM)
            shifts = [k * _APART_MM for k in range(-reach, reach + 1)]
            logs = [-0.5 * shift * shift / between for shift in shifts]
            total = _log_total(logs)
            for shift, log_share in zip(shifts, logs, strict=True):
                part = g.copy()
                part.revise(part.P[H].copy(), v, shift, _NARROW_MM**2)
                members.append(part)
                kinds.append(kind)
                weights.append(weight + log_share - total)
        self.members, self.kinds, self.weights = members, kinds, weights

    def _merge(self, always: bool = False) -> None:
        """Drops what has become improbable, and joins members of one kind that agree again."""
        if len(self.members) == len(self.physics.kinds):
            return
        members: list[Gaussian] = []
        kinds: list[Kind] = []
        weights: list[float] = []
        for kind in self.physics.kinds:
            mine = [i for i, w in enumerate(self.kinds) if w == kind]
            total = _log_total([self.weights[i] for i in mine])
            mine = [i for i in mine if self.weights[i] > total - _IMPROBABLE]
            total_kept = _log_total([self.weights[i] for i in mine])
            shares = [math.exp(self.weights[i] - total_kept) for i in mine]
            parts = [self.members[i] for i in mine]
            joint = sum(w * g.x[H] for g, w in zip(parts, shares, strict=True))
            within = sum(w * g.P[H][H] for g, w in zip(parts, shares, strict=True))
            spread = sum(w * (g.x[H] - joint) ** 2 for g, w in zip(parts, shares, strict=True))
            if always or spread < max(0.5 * within, 0.01):
                members.append(parts[0] if len(parts) == 1 else merged(parts, shares))
                kinds.append(kind)
                weights.append(total)
            else:
                members += parts
                kinds += [kind] * len(parts)
                weights += [total + math.log(w) for w in shares]
        self.members, self.kinds, self.weights = members, kinds, weights

    def break_rate(self, shape: float, ago_h: float) -> None:
        """The rate changed suddenly by an unknown amount, `ago_h` ago: it takes a while until a
        level shows that it falls faster."""
        for g in self.members:
            spread: list[tuple[int, float]] = [(D, _RATE_BREAK), (H, -_RATE_BREAK * shape * ago_h)]
            if self.counting:
                spread.append((len(g.x) - 1, _RATE_BREAK * shape * ago_h))
            for i, a in spread:
                for j, b in spread:
                    g.P[i][j] += a * b

    def rescale_rate(self, factor: float) -> None:
        """The shape is now 1/`factor` of what it was: the ratio changes so that the rate does
        not."""
        for g in self.members:
            g.scale(M, factor)
            g.scale(D, factor)

    def distrust(self, sensor: int) -> None:
        """Takes a sensor for faulty until it agrees again for a while."""
        self.odds[sensor] = _ODDS_RANGE

    def expect_ratio(self, rel_sd: float) -> None:
        """Physics' one word on the amount: the long-run rate is the expected one, give or take."""
        self._condition(M, 1.0, rel_sd * rel_sd)

    def absorb(self, piece: Slice, shape: float, middle_ms: float) -> tuple[float, bool]:
        """Takes in one slice's level evidence.

        Returns:
            (ln of how probable it was, whether any trusted sensor was far from what was foretold).
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
        """ln of how probable a slice is that no hypothesis explains."""
        total = sum(_unexplained(told) for told in piece.floats)
        if piece.gauge is not None:
            total += -math.log(_GAUGE_SPAN_MM)
        return total

    def _absorb_float(self, place: int, told: FloatTold) -> tuple[float, bool]:
        spec = self.physics.floats[place]
        middle = spec.height_mm - 0.5 * spec.differential_mm
        sway2 = self.physics.habits.sway_mm**2
        within = _WITHIN * self.physics.ripple_log_sd
        found: list[_Update] = []
        for g, kind in zip(self.members, self.kinds, strict=True):
            inverse = math.exp(-kind.log_ripple) / spec.ripple_mm
            law = self.physics.laws[kind.log_ripple][place]
            mean = (g.x[H] - g.x[F + place] - middle) * inverse
            row: Row = ((H, inverse), (F + place, -inverse))
            _, v, gain = g.project(row)
            v += sway2 * inverse * inverse
            if within > 0.0 and 0.0 < told.told.share < 1.0:
                v += (within * peak(law, told.told)[0]) ** 2
            sd6 = 6.0 * math.sqrt(v)
            if certain(law, mean - sd6, mean + sd6, told.told):
                found.append(_Update(1.0, 1.0, mean, v, mean, v, gain))
            else:
                z, best, m2, v2 = posterior_moments(mean, v, told.told, law)
                found.append(_Update(z, best, mean, v, m2, v2, gain))
        return self._weigh(place, found, _unexplained(told))

    def _absorb_gauge(self, gauge: Located, shape: float, middle_ms: float) -> tuple[float, bool]:
        lag = (gauge.at_ms - middle_ms) / _MS_PER_H
        noise = gauge.variance + self.physics.habits.sway_mm**2
        row: Row = ((H, 1.0), (G, 1.0), (M, -shape * lag), (D, -shape * lag))
        found: list[_Update] = []
        for g in self.members:
            m, v, gain = g.project(row)
            s = v + noise
            best = 1.0 / math.sqrt(2 * math.pi * s)
            z = best * math.exp(-0.5 * min(1400.0, (gauge.mm - m) ** 2 / s))
            # as moments of the observed scalar itself: its variance goes to zero once observed
            found.append(_Update(z, best, m, s, gauge.mm, 0.0, gain))
        return self._weigh(len(self.physics.floats), found, -math.log(_GAUGE_SPAN_MM))

    def _weigh(
        self, sensor: int, found: list[_Update], log_unexplained: float
    ) -> tuple[float, bool]:
        """Mixes "the sensor is well" with "it is at fault and says nothing"; collapses to
        moments."""
        unexplained = math.exp(log_unexplained)
        fault = 1.0 / (1.0 + math.exp(-self.odds[sensor]))
        mean_z = sum(math.exp(w) * u.z for w, u in zip(self.weights, found, strict=True))
        best_z = sum(math.exp(w) * u.best for w, u in zip(self.weights, found, strict=True))
        surprising = mean_z < best_z * math.exp(-_SURPRISE) and fault < 0.5
        logs: list[float] = []
        for g, u, w in zip(self.members, found, self.weights, strict=True):
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
        total = _log_total(logs)
        self.weights = self._normal(logs)
        self.odds[sensor] = _pull(
            self.odds[sensor] + log_unexplained - math.log(max(mean_z, 1e-300)),
            self.physics.base_odds,
        )
        return total, surprising

    def _normal(self, logs: list[float]) -> list[float]:
        """Weights that sum to one, with no kind ever lost for good: the season may turn, the pump
        be cleaned."""
        total = _log_total(logs)
        logs = [value - total for value in logs]
        sums: dict[Kind, float] = {}
        for value, kind in zip(logs, self.kinds, strict=True):
            sums[kind] = sums.get(kind, 0.0) + math.exp(value)
        floor = math.exp(_FLOOR)
        if min(sums.values()) < floor:
            lift = {k: _FLOOR - math.log(max(v, 1e-300)) for k, v in sums.items() if v < floor}
            logs = [v + lift.get(k, 0.0) for v, k in zip(logs, self.kinds, strict=True)]
            total = _log_total(logs)
            logs = [value - total for value in logs]
        return logs


class _Update(NamedTuple):
    """What one sensor says to one member about the scalar that it sees."""

    z: float
    """How probable the slice was."""
    best: float
    """How probable it would have been at the best possible prediction."""
    mean: float
    variance: float
    after_mean: float
    after_variance: float
    gain: list[float]


def _unexplained(told: FloatTold) -> float:
    """ln probability of a slice's share from a float that says nothing about the level, on the
    scale on which the best possible level gives 0: stuck either way, or, seldom, anything
    between."""
    return math.log(0.5) if told.told.share in (0.0, 1.0) else math.log(0.05)


def _pull(odds: float, base: float) -> float:
    return max(base, min(_ODDS_RANGE, odds))


def _cross(rows: list[list[float]], i: int, j: int, q: float) -> None:
    rows[i][j] += q
    rows[j][i] += q


def _log_total(logs: list[float]) -> float:
    top = max(logs)
    return top + math.log(sum(math.exp(value - top) for value in logs))
