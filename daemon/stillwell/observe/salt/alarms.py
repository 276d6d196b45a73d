"""The alarms of the salt balance when the salinity leaves its limits, and the most likely cause
of an unexpected check."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import erf, exp, pi, sqrt

from stillwell.alarm.catalogue import priority_of
from stillwell.estimate.salt.balance import (
    SaltState,
    advanced,
    salinity_estimate,
    surprise,
    unnoted_estimate,
)
from stillwell.estimate.salt.mending import FASTEST_PER_DAY, bring_back
from stillwell.estimate.salt.told import Check
from stillwell.finding import Finding
from stillwell.observe.salt.facts import Cause, Mend, Salinity, Why

CAUTION = (
    "Before a hand goes into the water, unplug heater and pump, with dry hands; every cord needs a "
    "drip loop and the circuit an RCD (GFCI)."
)
HIGH, LOW, UNSURE = "salinity.high", "salinity.low", "salinity.unsure"

_SURE = 0.67
"""How many standard deviations outside the limits the estimate must be to be reported: odds of
three to one (our own choice). One check that reads high does not yet mean salt in the water."""
_DEADBAND = 0.1
"""How far inside the limits the estimate must be before a salinity alarm clears (our own
choice)."""
_DAY_MS = 86_400_000
_LATELY_MS = _DAY_MS
_GRACE_D = 1.0
"""The keeper has this long beyond the day when a check is due (our own choice)."""
_WORN = 1.5
"""When the estimate is this many times as uncertain as the check was, the check is worn out (our
own choice)."""
_STILL_WORN = 1.4
"""The same limit while the alarm stands."""
_WORTH_A_WORD = 0.2
"""From this probability on, salt water poured as fresh is mentioned (our own choice)."""
NOT_WORTH_ML = 20.0
"""Volumes below this, a few spoonfuls, are not worth a walk (our own choice)."""


@dataclass(frozen=True, slots=True)
class Likely:
    """One cause, and its probability among the causes looked at, 0 to 1."""

    cause: Cause
    probability: float


def _normal(x: float, sd: float) -> float:
    return exp(-0.5 * (x / sd) ** 2) / (sd * sqrt(2 * pi))


def _smeared(x: float, low: float, high: float, sd: float) -> float:
    """Returns the density at `x` of a value anywhere from `low` to `high`, read with `sd`."""
    if high - low < 1e-9:
        return _normal(x - low, sd)
    inside = erf((x - low) / (sd * sqrt(2))) - erf((x - high) / (sd * sqrt(2)))
    return max(inside / 2 / (high - low), 1e-300)


_BEFORE: dict[Cause, float] = {
    Cause.READING: 0.90,
    Cause.EVAPORATED: 0.03,
    Cause.SALT_TOP_UP: 0.02,
    Cause.SALT_LOST: 0.02,
    Cause.OVERFILLED: 0.01,
    Cause.INSTRUMENT: 0.02,
}
"""The probability of each cause before the check is looked at: our own judgement, no published
figures."""


def causes(state: SaltState, check: Check) -> tuple[Likely, ...]:
    """Returns the possible causes of a check, the likeliest first. `state` is the one before the
    check.

    Each cause moves the check in its own way: forgotten top-ups by at most what can be missing
    from the chamber, and not at all when the level was seen lately; salt water poured as fresh
    by at most what the pours since the last check carried; lost salt only downwards. The most
    that each moves it is our own judgement.
    """
    above, sd = surprise(state, check)
    now = advanced(state, check.t_ms)
    s = now.mean[0]
    since = state.since
    seen = since.level_ms is not None and check.t_ms - since.level_ms < _LATELY_MS
    density = {
        Cause.READING: _normal(above, sd),
        Cause.INSTRUMENT: _normal(above, sqrt(sd**2 + 1.0)),
        Cause.SALT_LOST: _smeared(above, -3.0, 0.0, sd),
    }
    if not seen:
        density[Cause.EVAPORATED] = _smeared(above, 0.0, 0.08 * s, sd)
        density[Cause.OVERFILLED] = _smeared(above, -0.04 * s, 0.0, sd)
    if since.fresh_pours:
        # A keeper who takes the wrong can does so every time: all of it is as likely as any part.
        most = since.fresh * s
        all_of_it = _normal(above - most, sd)
        density[Cause.SALT_TOP_UP] = (all_of_it + _smeared(above, 0.0, most, sd)) / 2
    weights = {cause: _BEFORE[cause] * d for cause, d in density.items()}
    total = sum(weights.values())
    if total <= 0:
        return (Likely(Cause.INSTRUMENT, 1.0),)
    found = [Likely(cause, weight / total) for cause, weight in weights.items()]
    return tuple(sorted(found, key=lambda likely: -likely.probability))


_ADVICE: dict[Cause, str] = {
    Cause.READING: "Wipe the prism, take a second sample, and read it again.",
    Cause.EVAPORATED: "Look at the level and fill up to the mark with fresh water.",
    Cause.SALT_TOP_UP: "Taste or measure what is in the top-up can: it must be fresh water.",
    Cause.SALT_LOST: (
        "Look for splashes, salt crusts and wet places (dry hands on plugs; unplug heater and pump "
        "before you reach in); replace what was lost with salt water."
    ),
    Cause.OVERFILLED: "Look whether the level stands above the mark.",
    Cause.INSTRUMENT: "Adjust the refractometer with 35 ppt fluid and read again.",
}


_UNEXPECTED = 2.0
"""In standard deviations: by chance one check in twenty is this far off."""


def is_unexpected(state: SaltState, check: Check) -> bool:
    """Returns whether a check is further from the prediction of the entries than chance
    explains. `state` is the one before the check."""
    above, sd = surprise(state, check)
    return abs(above) >= _UNEXPECTED * sd


def explained(state: SaltState, check: Check) -> str:
    """Returns what to tell the keeper about a check: that it is as expected, or what it likely
    comes from."""
    above, sd = surprise(state, check)
    if abs(above) < _UNEXPECTED * sd:
        return f"As expected: {check.salinity - above:.1f} was predicted."
    found = causes(state, check)
    first = found[0]
    text = (
        f"The check reads {abs(above):.1f} {'more' if above > 0 else 'less'} than the entries "
        f"explain ({check.salinity - above:.1f} ± {2 * sd:.1f} was expected). "
        f"Most likely: {first.cause} ({100 * first.probability:.0f} %)."
    )
    if len(found) > 1 and found[1].probability > 0.15:
        text += f" Or: {found[1].cause} ({100 * found[1].probability:.0f} %)."
    return f"{text} {_ADVICE[first.cause]}"


def findings(
    state: SaltState,
    now_ms: int,
    standing: frozenset[str] = frozenset(),
    last: Likely | None = None,
) -> tuple[Finding, ...]:
    """Returns the three salinity findings as they stand at a time.

    High and low are raised at odds of three to one, and stand until the most likely salinity is
    well inside. Unsure means that the interval reaches beyond the limits without such odds: nothing
    is wrong except that nobody has measured. A check made in time asks for no other, however wide
    its own interval is: a refractometer's is as wide as usual limits (±1 ppt). So unsure waits
    until a check is overdue, or until events since have made it far less certain. That another
    course drifts away from the book's does not count.

    Args:
        state: the balance.
        now_ms: now, on the state's clock.
        standing: names of those that were active last time, for the deadband.
        last: the likely cause of the last check, where it was unexpected.
    """
    now = advanced(state, now_ms)
    answer = salinity_estimate(state, now_ms)
    p = state.parameters
    sure = _SURE * now.salinity_sd
    high = answer.value > p.high + (-_DEADBAND if HIGH in standing else sure)
    low = answer.value < p.low - (-_DEADBAND if LOW in standing else sure)
    slack = _DEADBAND if UNSURE in standing else 0.0
    outside = answer.high > p.high - slack or answer.low < p.low + slack
    checked = None if state.last_check_ms is None else now_ms - state.last_check_ms
    seen = Salinity(answer.value, answer.low, answer.high, p.low, p.high, checked)
    overdue = _overdue(now)
    unsure = outside and not (high or low) and (overdue or _worn(now, UNSURE in standing))
    return (
        _finding(HIGH, high, _high(now, seen, last) if high else seen),
        _finding(LOW, low, _low(now, seen, last) if low else seen),
        _finding(UNSURE, unsure, _unsure(now, seen, overdue) if unsure else seen),
    )


def _finding(name: str, active: bool, facts: Salinity) -> Finding:
    return Finding(name, active, priority_of(name), facts)


def _overdue(now: SaltState) -> bool:
    """Whether more time has passed since the last measurement than the keeper was asked for."""
    if now.last_check_ms is None:
        return True
    return now.t_ms - now.last_check_ms > (now.parameters.check_every_d + _GRACE_D) * _DAY_MS


def _worn(now: SaltState, already: bool) -> bool:
    """Whether events since the last check, by the book, have left it of little use."""
    limit = _STILL_WORN if already else _WORN
    book = advanced(now.courses[0].state, now.t_ms) if now.courses else now
    return now.last_check_sd is not None and book.salinity_sd > limit * now.last_check_sd


def mend_of(now: SaltState) -> Mend | None:
    """Returns how to bring the salinity back to the middle of the limits; None where only
    waiting helps. The water that is missing to the mark is replaced with fresh water."""
    p = now.parameters
    target, full = (p.low + p.high) / 2, now.mean[0]
    plan = bring_back(now, target)
    pour_ml = plan.pour_fresh_ml if plan.pour_fresh_ml > NOT_WORTH_ML else 0.0
    outside = not p.low + _DEADBAND <= full <= p.high - _DEADBAND
    swap_ml = plan.swap_ml if plan.swap_ml > NOT_WORTH_ML and outside else 0.0
    moved = abs(now.salinity - full) if pour_ml else 0.0
    moved += abs(full - target) if swap_ml else 0.0
    if not (pour_ml or swap_ml):
        return None
    return Mend(pour_ml, swap_ml, plan.of_salinity, moved / FASTEST_PER_DAY)


def _high(now: SaltState, seen: Salinity, last: Likely | None) -> Salinity:
    unnoted, pours = unnoted_estimate(now), now.since.salt_pours
    seen = replace(seen, mend=mend_of(now))
    if now.salted > 0.5 and now.salted_ms is not None:
        ago_ms = now.t_ms - now.salted_ms
        return replace(seen, why=Why.SALTED, share=now.salted, salted_ms=ago_ms)
    if now.mean[1] * now.mean[0] > now.salinity - now.parameters.high and now.missing_ml > 0:
        return replace(seen, why=Why.EVAPORATED, amount=now.missing_ml)
    if last is not None:
        return replace(seen, why=Why.CHECK, cause=last.cause, share=last.probability)
    if unnoted.low > 0:
        return replace(seen, why=Why.DRIFTS, amount=unnoted.value)
    return replace(seen, why=Why.SALT_POURS, amount=float(pours)) if pours else seen


def _low(now: SaltState, seen: Salinity, last: Likely | None) -> Salinity:
    unnoted = unnoted_estimate(now)
    if now.mean[0] >= now.parameters.low and now.missing_ml < 0:
        return replace(seen, why=Why.OVERFULL, amount=-now.missing_ml)
    seen = replace(seen, mend=mend_of(now))
    if last is not None:
        return replace(seen, why=Why.CHECK, cause=last.cause, share=last.probability)
    return replace(seen, why=Why.DRIFTS, amount=unnoted.value) if unnoted.high < 0 else seen


def _unsure(now: SaltState, seen: Salinity, overdue: bool) -> Salinity:
    seen = replace(seen, why=Why.OVERDUE if overdue else Why.WORN)
    if now.salted > _WORTH_A_WORD and now.salted_ms is not None:
        return replace(seen, share=now.salted, salted_ms=now.t_ms - now.salted_ms)
    return seen
