"""The salt balance: what the tank's salinity is between two checks, and how well that is known.

Salt stays and water goes: evaporation raises the salinity until somebody pours fresh water, and
salt water poured in its place raises it for good. So four things are followed: the salinity that
the tank would have when filled to the mark (its salt), the share of its water that is missing, how
fast water evaporates, and how fast salt comes or goes that no entry mentions. All four are one
extended Kalman filter: the interval grows with time and with what is poured, and closes at each
check.

Everything is calculated by mass: a kg of salt water takes its salt along whatever its density.
Salinity is practical salinity. Times are ms on one clock that is never stepped. The balance takes
the journal in order (`replayed` sorts it), so that an entry that comes late gives the same figures
as one that came at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, sqrt

from stillwell.estimate.answer import Basis, Estimate
from stillwell.estimate.gaussian import Gaussian, Row
from stillwell.estimate.salt.told import (
    Check,
    Event,
    Exchange,
    MissingWater,
    SaltParameters,
    TopUp,
    kilograms,
)

_DAY_MS = 86_400_000
_Z = 1.959964
"""The 97.5 % point of the normal distribution."""


@dataclass(frozen=True, slots=True)
class Since:
    """What happened since the last check, and may explain an unexpected one."""

    fresh: float = 0.0
    """Share of the tank's water poured in as fresh water."""
    fresh_pours: int = 0
    salt_pours: int = 0
    exchanged: float = 0.0
    level_ms: int | None = None
    """When the level of the water was last known, whether at the mark or not."""


@dataclass(frozen=True, slots=True)
class SaltState:
    """Everything that the balance remembers."""

    parameters: SaltParameters
    t_ms: int
    mean: tuple[float, ...]
    """The salinity when full; the share of the water that is missing; the share that evaporates
    in a day; the salinity that comes unnoted in a day."""
    spread: tuple[tuple[float, ...], ...]
    """The covariance of `mean`."""
    checks: int = 0
    pours: int = 0
    exchanges: int = 0
    last_check_ms: int | None = None
    last_check_sd: float | None = None
    """The standard deviation of the last check."""
    since: Since = Since()
    courses: tuple[Course, ...] = ()
    """What may have happened instead, at the same time (`salt_pours`): the book's course first,
    then those in which fresh water was salt water. `mean` and `spread` are of all of them
    together. Empty: only one course."""

    @property
    def salted(self) -> float:
        """Returns the probability that what was lately noted as fresh water was salt water."""
        return sum(course.weight for course in self.courses[1:])

    @property
    def salted_ms(self) -> int | None:
        """Returns the time of the check since which it most likely was; None where nothing
        points to it."""
        if len(self.courses) < 2:
            return None
        return max(self.courses[1:], key=lambda course: course.weight).salted_ms

    @property
    def full_kg(self) -> float:
        """Returns the mass of the tank's water at the mark, kg."""
        return kilograms(self.parameters.full_ml, 35.0)

    @property
    def salinity(self) -> float:
        """Returns what a check should read now."""
        return self.mean[0] / (1.0 - self.mean[1])

    @property
    def salinity_sd(self) -> float:
        """Returns the standard deviation of `salinity`."""
        return sqrt(max(0.0, _seen(self)[1]))

    @property
    def missing_ml(self) -> float:
        """Returns how much fresh water is missing to the mark, mL."""
        return self.mean[1] * self.full_kg / kilograms(1.0)


@dataclass(frozen=True, slots=True)
class Course:
    """One way in which things may have gone, and its probability among all of them."""

    weight: float
    state: SaltState
    salted_ms: int | None = None
    """The time of the check since which fresh water was salt water; None where the book is
    right."""


def water_of(state: SaltState) -> Gaussian:
    """Returns the four numbers that are followed, to be changed."""
    return Gaussian([*state.mean], [[*row] for row in state.spread])


def with_water(state: SaltState, water: Gaussian) -> SaltState:
    """Returns the state with these four numbers."""
    return replace(state, mean=tuple(water.x), spread=tuple(map(tuple, water.P)))


def _told(state: SaltState, row: Row, surprise: float, variance: float) -> SaltState:
    """Returns the state after a measurement of ``row · x``, with this error variance, that came
    out `surprise` above what was expected."""
    water = water_of(state)
    _, known, gain = water.project(row)
    total = known + variance
    if known > 0:
        water.revise(gain, known, known / total * surprise, known * variance / total)
    return with_water(state, water)


def _reading_of(state: SaltState) -> Row:
    """Returns how a check depends on each part of the state."""
    there = 1.0 - state.mean[1]
    return (0, 1.0 / there), (1, state.mean[0] / there**2)


def _seen(state: SaltState) -> tuple[float, float]:
    """Returns what a check should read, and the variance of that."""
    return state.salinity, water_of(state).project(_reading_of(state))[1]


# -- time ----------------------------------------------------------------------------------------


def begun(
    parameters: SaltParameters, t_ms: int, salinity: float = 35.0, sd: float = 2.0
) -> SaltState:
    """Returns the state of a tank of which little is known: about `salinity`, about full."""
    full = kilograms(parameters.full_ml, 35.0)
    rate = kilograms(parameters.evaporation_ml_d) / full
    mark = kilograms(parameters.mark_sd_ml) / full
    state = SaltState(parameters, t_ms, (), ())
    sds = sd, 2 * mark, rate * parameters.evaporation_rel_sd, parameters.unnoted_per_day
    return with_water(state, Gaussian.diagonal((salinity, 0.0, rate, 0.0), sds))


def advanced(state: SaltState, t_ms: int) -> SaltState:
    """Returns the state at a later time, with no event in between. Raises ValueError for an
    earlier time."""
    if t_ms < state.t_ms:
        raise ValueError("The salt balance can't go back in time: tell it the journal in order.")
    left = (t_ms - state.t_ms) / _DAY_MS
    water, p = water_of(state), state.parameters
    usual = kilograms(p.evaporation_ml_d) / state.full_kg
    while left > 0:
        days = min(left, 1.0)
        left -= days
        stays = exp(-days / p.evaporation_memory_d)
        # For a rate that returns to the usual one, the mean of its course over the step.
        path = p.evaporation_memory_d * (1.0 - stays)
        water.mix(0, 3, days)
        water.mix(1, 2, path)
        water.scale(2, stays)
        x = water.x
        x[0] = max(0.0, x[0])
        # Beyond a third the keeper poured without noting it: a tank does not dry up in a balance.
        x[1] = min(x[1] + usual * (days - path), 1 / 3)
        x[2] += usual * (1.0 - stays)
        sd = usual * p.evaporation_rel_sd
        water.widen(
            p.wander_per_root_day**2 * days,
            (0.1 * usual * days) ** 2,
            sd * sd * (1.0 - stays * stays),
            (0.02 * p.unnoted_per_day) ** 2 * days,
        )
    return with_water(replace(state, t_ms=t_ms), water)


# -- events --------------------------------------------------------------------------------------


def updated(state: SaltState, event: Event) -> SaltState:
    """Returns the state after an event. Raises ValueError for one before the state's time.
    Continues one course only; the others are left behind (`salt_pours` holds them)."""
    state = replace(advanced(state, event.t_ms), courses=())
    match event:
        case Check():
            return _checked(state, event)
        case TopUp():
            return _topped_up(state, event)
        case Exchange():
            return _exchanged(state, event)
        case MissingWater():
            share = kilograms(event.ml) / state.full_kg
            sd = kilograms(event.sd_ml) / state.full_kg
            sd = sqrt(sd**2 + (share * state.parameters.full_rel_sd) ** 2)
            told = _told(state, ((1, 1.0),), share - state.mean[1], sd**2)
            return replace(told, since=replace(told.since, level_ms=event.t_ms))


def surprise(state: SaltState, check: Check) -> tuple[float, float]:
    """Returns by how much a check reads above what is expected at its time, and the standard
    deviation that this difference should have."""
    now = advanced(state, check.t_ms)
    expected, variance = _seen(now)
    return check.salinity - expected, sqrt(variance + check.sd**2)


_UNEXPECTED = 3.3
"""In standard deviations (once in a thousand): beyond this the book lacks an entry."""


def _checked(state: SaltState, check: Check) -> SaltState:
    above, sd = surprise(state, check)
    if abs(above) > _UNEXPECTED * sd:
        # Something happened that no entry mentions. The salt is then less well known: the check
        # counts as if the difference had been a likely one.
        water = water_of(state)
        water.widen((above / 2) ** 2 - sd**2)
        state = with_water(state, water)
    told = _told(state, _reading_of(state), above, check.sd**2)
    return replace(
        told,
        checks=state.checks + 1,
        last_check_ms=check.t_ms,
        last_check_sd=check.sd,
        since=Since(level_ms=state.since.level_ms),
    )


def _to_mark(state: SaltState) -> SaltState:
    """Returns the state with nothing missing; what was known about the missing water no longer
    counts."""
    water = water_of(state)
    water.renew(1, 0.0, (kilograms(state.parameters.mark_sd_ml) / state.full_kg) ** 2)
    return with_water(replace(state, since=replace(state.since, level_ms=state.t_ms)), water)


def _topped_up(state: SaltState, pour: TopUp) -> SaltState:
    p = state.parameters
    if pour.ml is None and not pour.to_mark:
        raise ValueError("A pour needs a volume, or that it filled up to the mark.")
    share = None if pour.ml is None else kilograms(pour.ml, pour.salinity) / state.full_kg
    if share is not None and pour.to_mark:
        mark = kilograms(p.mark_sd_ml) / state.full_kg
        sd = sqrt((share * p.pour_rel_sd) ** 2 + (share * p.full_rel_sd) ** 2 + mark**2)
        state = _told(state, ((1, 1.0),), share - state.mean[1], sd**2)
    water = water_of(state)
    poured = max(0.0, water.x[1]) if share is None else share
    if pour.salinity > 0:
        relative = p.pour_rel_sd if share is not None else 0.0
        salt_sd = sqrt((pour.salinity * relative) ** 2 + p.batch_sd**2) * poured
        salinity = water.x[0] + poured * pour.salinity
        if share is None:
            # Not measured: as much salt as water was missing, and as uncertain.
            water.mix(0, 1, pour.salinity)
        water.x[0] = salinity
        water.widen(salt_sd**2)
    if not pour.to_mark:
        water.x[1] -= poured
        water.widen(0.0, poured**2 * (p.pour_rel_sd**2 + p.full_rel_sd**2))
    state = with_water(state, water)
    if pour.to_mark:
        state = _to_mark(state)
    fresh = pour.salinity <= 0
    since = replace(
        state.since,
        fresh=state.since.fresh + (poured if fresh else 0.0),
        fresh_pours=state.since.fresh_pours + fresh,
        salt_pours=state.since.salt_pours + (not fresh),
    )
    return replace(state, pours=state.pours + 1, since=since)


def _exchanged(state: SaltState, change: Exchange) -> SaltState:
    p = state.parameters
    meant = (p.low + p.high) / 2
    new = meant if change.salinity is None else change.salinity
    new_sd = sqrt(p.batch_sd**2 + (1.0 if change.salinity is None else 0.0))
    water = water_of(state)
    s, u = water.x[:2]
    here = state.salinity
    out = min(kilograms(change.ml, here) / state.full_kg, 0.99 * (1.0 - u))
    left = 1.0 - out / (1.0 - u)
    # Salt goes out at the tank's salinity. The water that goes out lowers the level, and the new
    # water restores it.
    water.scale(0, left)
    water.mix(0, 1, -out * s / (1.0 - u) ** 2)
    came = kilograms(change.ml, new) / state.full_kg
    if change.to_mark:
        # Filled up with salt water: what was missing came as salt water too.
        came = max(0.0, out + u)
        water.mix(0, 1, new)
    water.x[:2] = s * left + came * new, u + out - came
    relative = sqrt(p.pour_rel_sd**2 + p.full_rel_sd**2)
    water.widen((came * new_sd) ** 2 + (out * relative * (new - here)) ** 2)
    since = replace(state.since, exchanged=state.since.exchanged + out)
    state = with_water(replace(state, exchanges=state.exchanges + 1, since=since), water)
    return _to_mark(state) if change.to_mark else state


# -- answers -------------------------------------------------------------------------------------


def salinity_estimate(state: SaltState, now_ms: int) -> Estimate:
    """Returns the tank's salinity with its 95 % interval."""
    now = advanced(state, now_ms)
    half = _Z * now.salinity_sd
    return Estimate(
        now.salinity,
        max(0.0, now.salinity - half),
        now.salinity + half,
        "PSU",
        tuple(
            Basis(kind, count)
            for kind, count in (
                ("salinity checks", state.checks),
                ("pours", state.pours),
                ("water changes", state.exchanges),
            )
            if count
        ),
        (now_ms, now_ms),
    )


def unnoted_estimate(state: SaltState) -> Estimate:
    """Returns by how much the salinity rises in a day (falls, when negative) without an entry
    that says why. An interval above 0 points to top-ups with salt water, one below 0 to
    splashes, salt creep or a leak that is made up with fresh water."""
    half = _Z * sqrt(state.spread[3][3])
    rate = state.mean[3]
    basis = (Basis("salinity checks", state.checks),)
    return Estimate(rate, rate - half, rate + half, "PSU/d", basis, (state.t_ms, state.t_ms))
