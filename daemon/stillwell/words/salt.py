"""Words for the salinity."""

from __future__ import annotations

from math import ceil

from stillwell.notice import Said
from stillwell.observe.salt.facts import Mend, Salinity, Why
from stillwell.units import Dimension, System, show
from stillwell.words.cautions import PROBE
from stillwell.words.figures import Figures

_DAY_MS = 86_400_000
_SLOWLY_D = 0.1


def salinity(facts: Salinity, figures: Figures) -> Said:
    limits = f"{facts.limit_low:.3g} to {facts.limit_high:.3g}"
    seen = f"{facts.value:.1f} ppt ({facts.low:.1f} to {facts.high:.1f}); wanted: {limits}. "
    if facts.checked_ms is None:
        seen += "It was never measured."
    else:
        seen += f"Reckoned from the check {_ago(facts.checked_ms)} and what was poured since."
    if not figures.active:
        inside = facts.limit_low <= facts.value <= facts.limit_high
        title = "Salinity is within its limits" if inside else "Salinity: not sure that it is off"
        return Said(f"{title}: {facts.value:.1f} ppt.", seen=seen)
    why = _why(facts, figures)
    if figures.alarm == "salinity.unsure":
        can = " Taste or measure what is in the can." if facts.salted_ms is not None else ""
        do = f"Measure the salinity and note it.{can}"
        return Said("Salinity unsure: measure it.", do, seen, why)
    high = figures.alarm == "salinity.high"
    return Said(
        f"Salinity too {'high' if high else 'low'}: {facts.value:.1f} ppt.",
        _do(facts, figures.units),
        seen,
        why,
        PROBE,
    )


def _do(facts: Salinity, units: System) -> str:
    first = "Measure it before you do anything."
    if facts.why is Why.OVERFULL:
        return f"{first} Then pour no fresh water until the level is back at the mark."
    how = mended(facts.mend, units)
    can = " Taste or measure what is in the can." if facts.why is Why.SALTED else ""
    return f"{first}{f' Then {how}.' if how else ''}{can}"


def mended(mend: Mend | None, units: System) -> str:
    """Returns how to bring the salinity back: how much, over how many hours; empty where only
    waiting helps."""
    if mend is None:
        return ""
    steps = []
    if mend.pour_ml:
        amount = show(mend.pour_ml, Dimension.VOLUME, units)
        steps.append(f"pour {amount} of fresh water, to the mark")
    if mend.swap_ml:
        amount = show(mend.swap_ml, Dimension.VOLUME, units)
        salt = mend.of_salinity
        new = "fresh" if salt == 0 else f"salt water of {salt:.0f} ppt"
        steps.append(f"swap {amount} of tank water for {new}")
    if mend.days < _SLOWLY_D:
        return f"{', then '.join(steps)}, slowly"
    parts = f", in {ceil(mend.days)} parts a day apart" if mend.days > 1 else ""
    hours = f"{24 * mend.days:.0f} h or more{parts}"
    return f"{', then '.join(steps)}, over {hours} (common practice)"


def _why(facts: Salinity, figures: Figures) -> str:
    amount = facts.amount
    match facts.why:
        case Why.SALTED:
            return (
                f"What was poured as fresh water since the check {_ago(facts.salted_ms or 0)} was "
                f"most likely salt water ({100 * facts.share:.0f} %)."
            )
        case Why.EVAPORATED:
            gone = figures.show(amount, Dimension.VOLUME)
            return f"About {gone} have evaporated and were not poured back."
        case Why.CHECK:
            return f"Most likely {facts.cause} ({100 * facts.share:.0f} %), by the last check."
        case Why.DRIFTS if amount > 0:
            return (
                f"It rises {amount:.2f} a day that no entry explains: most likely the top-ups are "
                "salt water."
            )
        case Why.DRIFTS:
            return (
                f"It falls {-amount:.2f} a day that no entry explains: salt water is lost (splash, "
                "salt creep, a leak) and fresh water poured after it."
            )
        case Why.SALT_POURS:
            return f"{amount:.0f} pours of salt water are noted since the last check."
        case Why.OVERFULL:
            over = figures.show(amount, Dimension.VOLUME)
            return f"{over} of fresh water are too much in it; they evaporate by themselves."
        case Why.NOTHING:
            return ""
        case _:
            long = facts.why is Why.OVERDUE
            unsure = (
                "it is long since anybody measured."
                if long
                else "what came and went since that check is too little known."
            )
            if facts.salted_ms is None:
                return f"Nothing speaks for a fault; {unsure}"
            return (
                f"What was poured as fresh water since the check {_ago(facts.salted_ms)} may have "
                f"been salt water ({100 * facts.share:.0f} %); {unsure}"
            )


def _ago(ms: int) -> str:
    hours = ms / 3_600_000
    if hours >= 36:
        return f"{ms / _DAY_MS:.0f} days ago"
    return f"{hours:.0f} h ago" if hours >= 1 else "just now"
