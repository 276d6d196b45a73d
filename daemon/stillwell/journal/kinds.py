"""The kinds of entries: their unit, which values are possible, and which are usual."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from enum import StrEnum

from stillwell.units import Dimension


class Kind(StrEnum):
    """What the keeper did or measured."""

    POUR = "pour"
    SALT_POUR = "salt-pour"
    WATER_CHANGE = "water-change"
    SALINITY = "salinity"
    TEMPERATURE = "temperature"
    AMMONIA = "ammonia"
    NITRITE = "nitrite"
    NITRATE = "nitrate"
    PH = "ph"
    HEATER_TRIM = "heater-trim"
    LAMP_HOURS = "lamp-hours"
    CALIBRATION = "calibration"
    CLEANING = "cleaning"
    FED = "fed"
    ANIMALS_IN = "animals-in"
    ANIMALS_OUT = "animals-out"
    SEEDED = "seeded"
    CYCLE_START = "cycle-start"
    POSTPONED = "postponed"
    NOTE = "note"


class Takes(StrEnum):
    """What a kind takes beside its name."""

    VALUE = "a value"
    MAYBE = "a value or none"
    NOTHING = "no value"


Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Rule:
    """What is accepted for a kind. Spans are inclusive, in the unit that is kept, volumes as shares
    of the tank's; they are our own allowances, not published figures."""

    kind: Kind
    says: str
    """What it is, for a list of kinds."""
    takes: Takes
    example: str
    dimension: Dimension | None = None
    """The dimension of a plain physical value; None where the unit has a grammar of its own."""
    possible: Span | None = None
    usual: Span | None = None

    @property
    def unit(self) -> str:
        """The unit in which plain physical values are kept."""
        return _UNITS[self.dimension] if self.dimension else ""

    @property
    def of_tank(self) -> bool:
        """Whether spans are shares of the tank's volume."""
        return self.dimension is Dimension.VOLUME

    @property
    def needs_text(self) -> bool:
        return self.kind in (Kind.CALIBRATION, Kind.POSTPONED, Kind.NOTE)


_UNITS = {
    Dimension.VOLUME: "mL",
    Dimension.TEMPERATURE: "Cel",
    Dimension.DIFFERENCE: "K",
    Dimension.DURATION: "s",
}

REMINDERS = ("top-up", "water-change", "salinity", "tests", "refractometer", "lamp", "drill")
"""What the keeper is reminded of; an entry that postpones a reminder names one of these in its
text."""

_NUMBERS: dict[Kind, tuple[Dimension | None, Span, Span]] = {
    Kind.POUR: (Dimension.VOLUME, (1e-5, 1.0), (1e-4, 0.06)),
    Kind.SALT_POUR: (Dimension.VOLUME, (1e-5, 1.0), (1e-4, 0.10)),
    Kind.WATER_CHANGE: (Dimension.VOLUME, (1e-4, 1.0), (0.02, 0.5)),
    Kind.SALINITY: (None, (0.0, 42.0), (28.0, 39.0)),
    Kind.TEMPERATURE: (Dimension.TEMPERATURE, (-2.0, 45.0), (18.0, 31.0)),
    Kind.AMMONIA: (None, (0.0, 50.0), (0.0, 8.0)),
    Kind.NITRITE: (None, (0.0, 50.0), (0.0, 8.0)),
    Kind.NITRATE: (None, (0.0, 200.0), (0.0, 25.0)),
    Kind.PH: (None, (5.0, 11.0), (7.5, 8.7)),
    Kind.HEATER_TRIM: (Dimension.DIFFERENCE, (-15.0, 15.0), (-2.0, 2.0)),
    Kind.LAMP_HOURS: (Dimension.DURATION, (0.0, 86_400.0), (4 * 3600.0, 13 * 3600.0)),
    Kind.ANIMALS_IN: (None, (1.0, 500.0), (1.0, 5.0)),
    Kind.ANIMALS_OUT: (None, (1.0, 500.0), (1.0, 20.0)),
    Kind.POSTPONED: (Dimension.DURATION, (60.0, 366 * 86_400.0), (60.0, 30 * 86_400.0)),
}
"""Dimension, possible and usual values of the kinds whose values are judged."""

KINDS: dict[Kind, Rule] = {
    kind: Rule(kind, says, takes, example, *_NUMBERS.get(kind, ()))
    for kind, takes, says, example in (
        (
            Kind.POUR,
            Takes.MAYBE,
            "fresh water poured in; without a volume: up to the mark",
            "pour 540 mL to mark",
        ),
        (Kind.SALT_POUR, Takes.VALUE, "salt water poured in", "salt-pour 1.2 L at 35 ppt"),
        (
            Kind.WATER_CHANGE,
            Takes.VALUE,
            "so much out, as much new salt water in",
            "water-change 10 L at 35 ppt",
        ),
        (
            Kind.SALINITY,
            Takes.VALUE,
            "salinity: ppt, specific gravity with its reference, or conductivity with temperature",
            "salinity 35.2 ppt",
        ),
        (Kind.TEMPERATURE, Takes.VALUE, "temperature measured by hand", "temperature 25.3 degC"),
        (Kind.AMMONIA, Takes.VALUE, "total ammonia, by a kit", "ammonia 0.5 mg/L N"),
        (Kind.NITRITE, Takes.VALUE, "nitrite, by a kit", "nitrite 0.25 mg/L NO2"),
        (Kind.NITRATE, Takes.VALUE, "nitrate, by a kit", "nitrate 10 mg/L NO3"),
        (Kind.PH, Takes.VALUE, "pH, on NBS buffers unless said", "ph 8.2"),
        (Kind.HEATER_TRIM, Takes.VALUE, "the heater's dial moved by so much", "heater-trim -0.5 K"),
        (
            Kind.LAMP_HOURS,
            Takes.VALUE,
            "the lamp is set to so many hours a day",
            "lamp-hours 10 h",
        ),
        (
            Kind.CALIBRATION,
            Takes.MAYBE,
            "a probe or refractometer calibrated; what it showed before, if known",
            'calibration 35.5 ppt --text "refractometer, 35 ppt fluid"',
        ),
        (Kind.CLEANING, Takes.NOTHING, "something cleaned", "cleaning"),
        (Kind.FED, Takes.NOTHING, "animals fed", "fed"),
        (Kind.ANIMALS_IN, Takes.MAYBE, "animals put in", 'animals-in 2 --text "hermit crabs"'),
        (Kind.ANIMALS_OUT, Takes.MAYBE, "animals taken out, or dead", "animals-out 1"),
        (
            Kind.SEEDED,
            Takes.NOTHING,
            "live rock, sand or filter matter from a running tank put in",
            "seeded",
        ),
        (
            Kind.CYCLE_START,
            Takes.NOTHING,
            "something that gives off ammonia put into a new tank: its cycle begins",
            "cycle-start",
        ),
        (
            Kind.POSTPONED,
            Takes.VALUE,
            "a reminder put off for so long; the text says which",
            "postponed 2 d --text water-change",
        ),
        (Kind.NOTE, Takes.NOTHING, "anything else", 'note --text "cloudy since noon"'),
    )
}
"""The rule of each kind. Usual spans are common practice: a value outside them is only asked about.
A value outside the possible span is refused."""


def kind_named(word: str) -> Kind:
    """Returns the kind of that name. Raises ValueError with a sentence that names the known
    kinds."""
    plain = word.strip().casefold().replace("_", "-").replace(" ", "-")
    try:
        return Kind(plain)
    except ValueError:
        near = difflib.get_close_matches(plain, list(Kind), n=1)
        known = ", ".join(Kind)
        guess = f' Did you mean "{near[0]}"?' if near else ""
        raise ValueError(f'"{word[:40]}" is no kind of entry.{guess} Kinds are: {known}.') from None
