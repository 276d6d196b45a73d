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
    """What is accepted for a kind. Spans are inclusive, in the unit that is kept; they are our own
    allowances, not published figures."""

    kind: Kind
    says: str
    """What it is, for a list of kinds."""
    takes: Takes
    unit: str = ""
    """The unit in which values are kept."""
    dimension: Dimension | None = None
    """The dimension of a plain physical value; None where the unit has a grammar of its own."""
    possible: Span | None = None
    usual: Span | None = None
    of_tank: bool = False
    """Spans are shares of the tank's volume."""
    needs_text: bool = False
    example: str = ""


_MG_N = "mg/L N"

REMINDERS = ("top-up", "water-change", "salinity", "tests", "refractometer", "lamp", "drill")
"""What the keeper is reminded of; an entry that postpones a reminder names one of these in its
text."""

KINDS: dict[Kind, Rule] = {
    rule.kind: rule
    for rule in (
        Rule(
            Kind.POUR,
            "fresh water poured in; without a volume: up to the mark",
            Takes.MAYBE,
            "mL",
            Dimension.VOLUME,
            (1e-5, 1.0),
            (1e-4, 0.06),
            of_tank=True,
            example="pour 540 mL to mark",
        ),
        Rule(
            Kind.SALT_POUR,
            "salt water poured in",
            Takes.VALUE,
            "mL",
            Dimension.VOLUME,
            (1e-5, 1.0),
            (1e-4, 0.10),
            of_tank=True,
            example="salt-pour 1.2 L at 35 ppt",
        ),
        Rule(
            Kind.WATER_CHANGE,
            "so much out, as much new salt water in",
            Takes.VALUE,
            "mL",
            Dimension.VOLUME,
            (1e-4, 1.0),
            (0.02, 0.5),
            of_tank=True,
            example="water-change 10 L at 35 ppt",
        ),
        Rule(
            Kind.SALINITY,
            "salinity: ppt, specific gravity with its reference, or conductivity with temperature",
            Takes.VALUE,
            "ppt",
            None,
            (0.0, 42.0),
            (28.0, 39.0),
            example="salinity 35.2 ppt",
        ),
        Rule(
            Kind.TEMPERATURE,
            "temperature measured by hand",
            Takes.VALUE,
            "Cel",
            Dimension.TEMPERATURE,
            (-2.0, 45.0),
            (18.0, 31.0),
            example="temperature 25.3 degC",
        ),
        Rule(
            Kind.AMMONIA,
            "total ammonia, by a kit",
            Takes.VALUE,
            _MG_N,
            None,
            (0.0, 50.0),
            (0.0, 8.0),
            example="ammonia 0.5 mg/L N",
        ),
        Rule(
            Kind.NITRITE,
            "nitrite, by a kit",
            Takes.VALUE,
            _MG_N,
            None,
            (0.0, 50.0),
            (0.0, 8.0),
            example="nitrite 0.25 mg/L NO2",
        ),
        Rule(
            Kind.NITRATE,
            "nitrate, by a kit",
            Takes.VALUE,
            _MG_N,
            None,
            (0.0, 200.0),
            (0.0, 25.0),
            example="nitrate 10 mg/L NO3",
        ),
        Rule(
            Kind.PH,
            "pH, on NBS buffers unless said",
            Takes.VALUE,
            "NBS",
            None,
            (5.0, 11.0),
            (7.5, 8.7),
            example="ph 8.2",
        ),
        Rule(
            Kind.HEATER_TRIM,
            "the heater's dial moved by so much",
            Takes.VALUE,
            "K",
            Dimension.DIFFERENCE,
            (-15.0, 15.0),
            (-2.0, 2.0),
            example="heater-trim -0.5 K",
        ),
        Rule(
            Kind.LAMP_HOURS,
            "the lamp is set to so many hours a day",
            Takes.VALUE,
            "s",
            Dimension.DURATION,
            (0.0, 86_400.0),
            (4 * 3600.0, 13 * 3600.0),
            example="lamp-hours 10 h",
        ),
        Rule(
            Kind.CALIBRATION,
            "a probe or refractometer calibrated; what it showed before, if known",
            Takes.MAYBE,
            needs_text=True,
            example='calibration 35.5 ppt --text "refractometer, 35 ppt fluid"',
        ),
        Rule(Kind.CLEANING, "something cleaned", Takes.NOTHING, example="cleaning"),
        Rule(Kind.FED, "animals fed", Takes.NOTHING, example="fed"),
        Rule(
            Kind.ANIMALS_IN,
            "animals put in",
            Takes.MAYBE,
            possible=(1.0, 500.0),
            usual=(1.0, 5.0),
            example='animals-in 2 --text "hermit crabs"',
        ),
        Rule(
            Kind.ANIMALS_OUT,
            "animals taken out, or dead",
            Takes.MAYBE,
            possible=(1.0, 500.0),
            usual=(1.0, 20.0),
            example="animals-out 1",
        ),
        Rule(
            Kind.SEEDED,
            "live rock, sand or filter matter from a running tank put in",
            Takes.NOTHING,
            example="seeded",
        ),
        Rule(
            Kind.CYCLE_START,
            "something that gives off ammonia put into a new tank: its cycle begins",
            Takes.NOTHING,
            example="cycle-start",
        ),
        Rule(
            Kind.POSTPONED,
            "a reminder put off for so long; the text says which",
            Takes.VALUE,
            "s",
            Dimension.DURATION,
            (60.0, 366 * 86_400.0),
            (60.0, 30 * 86_400.0),
            needs_text=True,
            example="postponed 2 d --text water-change",
        ),
        Rule(
            Kind.NOTE,
            "anything else",
            Takes.NOTHING,
            needs_text=True,
            example='note --text "cloudy since noon"',
        ),
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
