"""Words for tests of ammonia and nitrite."""

from __future__ import annotations

from stillwell.notice import Said
from stillwell.observe.facts import TestShows
from stillwell.water.ammonia import Ph, nh3_between, nh3_share
from stillwell.words.cautions import PROBE
from stillwell.words.figures import Figures, capital


def shows(facts: TestShows, figures: Figures) -> Said:
    seen = "The newest test of a tank with animals. Put no more in until none is seen."
    if facts.kind == "ammonia":
        seen += _toxic(facts, figures)
    return Said(
        f"{capital(facts.kind)} seen: {facts.mg_per_l:.2g} mg/L as N.",
        "Test again. Change 10 to 20 % of the water, feed nothing today, look for anything dead, "
        "and test tomorrow (common practice). An animal that looks ill is for a vet or the shop.",
        seen,
        "Too much food, something dead, or bacteria that have not grown along.",
        PROBE,
    )


def _toxic(facts: TestShows, figures: Figures) -> str:
    """Returns how much of it harms."""
    ph = Ph(facts.ph, facts.ph_scale)
    try:
        share = nh3_share(ph, facts.target_c, facts.salinity)
        low, high = nh3_between(ph, facts.target_c, facts.salinity)
    except ValueError:
        return ""
    of = facts.mg_per_l
    return (
        f" About {of * share:.2g} mg/L of it is toxic NH3 ({of * low:.2g} to {of * high:.2g}), at "
        f"pH {facts.ph:.1f} and {figures.temperature(facts.target_c)}."
    )
