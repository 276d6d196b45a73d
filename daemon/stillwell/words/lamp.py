"""Words for the lamp."""

from __future__ import annotations

from stillwell.notice import Said
from stillwell.observe.facts import LampAsNow, LampOdd
from stillwell.words.cautions import UNPLUG
from stillwell.words.figures import Figures


def odd(facts: LampOdd, figures: Figures) -> Said:
    """Returns the words for a lamp that is not on in its hours, or not off outside them."""
    dark = figures.alarm.endswith("not-on")
    warms = figures.difference(facts.warms_k_per_h)
    hours = (
        f"Its hours are {facts.hours}. If you have changed them, write them under [tank.lamp] in "
        "the settings; in three days what is so now counts as usual."
    )
    if dark:
        return Said(
            f"Lamp not on {figures.from_then()}?",
            f"Look at the lamp and its timer, with dry hands. {hours}",
            f"The water gets none of the {warms} an hour that the lamp gives.",
            "The water loses heat as it does in the dark. Or something cools it as much as the "
            "lamp warms it.",
            UNPLUG,
        )
    return Said(
        f"Lamp still on {figures.from_then()}?",
        f"Look at the lamp and its timer, with dry hands: animals need the dark. {hours}",
        f"The water still gets the {warms} an hour that the lamp gives.",
        "The water loses less heat than it does in the dark. Or something else warms it as much.",
        UNPLUG,
    )


def as_now(facts: LampAsNow, figures: Figures) -> Said:
    return Said("The lamp's heat counts as usual as it is now.")
