"""Which function makes words of which class of facts."""

from __future__ import annotations

from stillwell.words import as_told, bands, cycle, heat, house, lamp, level, probes, salt, sensors
from stillwell.words.figures import Speaking

WORDS: Speaking = {
    **as_told.WORDS,
    **bands.WORDS,
    **cycle.WORDS,
    **heat.WORDS,
    **house.WORDS,
    **lamp.WORDS,
    **level.WORDS,
    **probes.WORDS,
    **salt.WORDS,
    **sensors.WORDS,
}
"""By the class of the facts; the store names each class by its name."""
