"""What the salt balance has to say: alarms when the salinity leaves its limits, and what an
unexpected check most likely comes from."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import erf, exp, pi, sqrt

from stillwell.estimate.salt import (
    Check,
    SaltState,
    advanced,
    bring_back,
    salinity_estimate,
    surprise,
    unnoted_estimate,
)
from stillwell.finding import Finding
from stillwell.notice import Message, Priority

CAUTION = (
    "Before a hand goes into the water, unplug heater and pump, with dry hands; every cord needs a "
    "drip loop and the circuit an RCD (GFCI)."
)
HIGH, LOW, UNSURE = "salinity.high", "salinity.low", "salinity.unsure"

_DEADBAND = 0.1
"""A salinity alarm goes only when the estimate is so far inside again."""
_LATELY_MS = 86_400_000


class Cause(StrEnum):
    """What makes a check read other than expected."""

    READING = "the reading itself"
    EVAPORATED = "evaporated and not topped up"
    SALT_TOP_UP = "topped up with salt water"
    SALT_LOST = "salt water lost by splash, creep or a leak, and replaced with fresh"
    OVERFILLED = "more fresh water than belongs in"
    INSTRUMENT = "an instrument out of adjustment"


@dataclass(frozen=True, slots=True)
class Likely:
    """One cause, and how likely it is among the causes looked at, 0 to 1."""

    cause: Cause
    probability: float


def _normal(x: float, sd: float) -> float:
    return exp(-0.5 * (x / sd) ** 2) / (sd * sqrt(2 * pi))


def _smeared(x: float, low: float, high: float, sd: float) -> float:
    """The density at `x` of something anywhere from `low` to `high`, read with `sd`."""
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
"""How likely each is before the check is looked at: our own judgement, no published figures."""


def causes(state: SaltState, check: Check) -> tuple[Likely, ...]:
    """Returns what a check speaks for, the likeliest first. `state` is the one before the check.

    Each cause moves the check in its own way: forgotten top-ups by no more than what can be missing
    from the chamber, and not at all when the level was seen lately; salt water poured as fresh by
    no more than the pours since the last check carried; lost salt downwards only.
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
        # A keeper who takes the wrong can takes it every time: all of it is as likely as any part.
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
        "Look for splashes, salt crusts and wet places; replace what was lost with salt water."
    ),
    Cause.OVERFILLED: "Look whether the level stands above the mark.",
    Cause.INSTRUMENT: "Adjust the refractometer with 35 ppt fluid and read again.",
}


def explained(state: SaltState, check: Check) -> str:
    """Returns what to tell the keeper about a check: as expected, or what it likely comes from."""
    above, sd = surprise(state, check)
    if abs(above) < 2.0 * sd:
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
    state: SaltState, now_ms: int, standing: frozenset[str] = frozenset()
) -> tuple[Finding, ...]:
    """Returns the three salinity findings as they stand at a time.

    High and low are about the most likely salinity; unsure is about an interval that reaches beyond
    the limits while the middle is inside: then nothing is wrong but that nobody has looked.

    Args:
        state: the balance.
        now_ms: now, on the state's clock.
        standing: names of those that were active last time, for the deadband.
    """
    now = advanced(state, now_ms)
    answer = salinity_estimate(state, now_ms)
    p = state.parameters
    high = answer.value > p.high - (_DEADBAND if HIGH in standing else 0.0)
    low = answer.value < p.low + (_DEADBAND if LOW in standing else 0.0)
    slack = _DEADBAND if UNSURE in standing else 0.0
    outside = answer.high > p.high - slack or answer.low < p.low + slack
    reckoned = f"Salinity {answer.value:.1f} ({answer.low:.1f} to {answer.high:.1f})"
    if state.last_check_ms is not None:
        days = (now_ms - state.last_check_ms) / 86_400_000
        reckoned += f", reckoned from the check {days:.0f} d ago and what was poured since"
    else:
        reckoned += ", reckoned without any check"
    return (
        Finding(HIGH, high, Priority.MEDIUM, _high(now, reckoned)),
        Finding(LOW, low, Priority.MEDIUM, _low(now, reckoned)),
        Finding(UNSURE, outside and not (high or low), Priority.LOW, _unsure(now, reckoned)),
    )


def _litres(ml: float) -> str:
    return f"{ml / 1000:.1f} L"


def _high(now: SaltState, reckoned: str) -> Message:
    p = now.parameters
    unnoted = unnoted_estimate(now)
    plan = bring_back(now, (p.low + p.high) / 2)
    if now.mean[1] * now.mean[0] > now.salinity - p.high and now.missing_ml > 0:
        likely = f"About {_litres(now.missing_ml)} have evaporated and were not poured back."
    elif unnoted.low > 0:
        likely = (
            f"It rises {unnoted.value:.2f} a day that no entry explains: most likely the top-ups "
            "are salt water."
        )
    elif now.since.salt_pours:
        likely = f"{now.since.salt_pours} pours of salt water are noted since the last check."
    else:
        likely = ""
    do = "Measure it before you do anything."
    if plan.pour_fresh_ml > 1:
        do += f" Then pour {_litres(plan.pour_fresh_ml)} of fresh water, to the mark."
    if plan.swap_ml > 1 and now.mean[0] > (p.low + p.high) / 2:
        do += (
            f" Then swap {_litres(plan.swap_ml)} of tank water for fresh, over {plan.hours:.0f} h "
            "or more."
        )
    return Message(f"{reckoned} is above {p.high:g}.", likely, do, CAUTION)


def _low(now: SaltState, reckoned: str) -> Message:
    p = now.parameters
    plan = bring_back(now, (p.low + p.high) / 2)
    unnoted = unnoted_estimate(now)
    likely, do = "", "Measure it before you do anything."
    if now.mean[0] >= p.low:
        likely = (
            f"The water stands above the mark by {_litres(-now.missing_ml)} of fresh water too "
            "much; it evaporates by itself."
        )
        do += " Then pour no fresh water until the level is back at the mark."
    elif unnoted.high < 0:
        likely = (
            f"It falls {-unnoted.value:.2f} a day that no entry explains: salt water is lost "
            "(splash, salt creep, a leak) and fresh water poured after it."
        )
    if plan.swap_ml > 1 and plan.of_salinity > 0 and now.mean[0] < p.low:
        do += (
            f" Then swap {_litres(plan.swap_ml)} of tank water for salt water of "
            f"{plan.of_salinity:.0f}, over {plan.hours:.0f} h or more."
        )
    return Message(f"{reckoned} is below {p.low:g}.", likely, do, CAUTION)


def _unsure(now: SaltState, reckoned: str) -> Message:
    p = now.parameters
    return Message(
        f"{reckoned}: it may be outside {p.low:g} to {p.high:g}.",
        "Nothing speaks for a fault; it is long since anybody measured.",
        "Measure the salinity and note it.",
    )
