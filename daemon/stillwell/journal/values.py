"""Reads values as they are typed beside a kind, into the units that the journal keeps."""

from __future__ import annotations

import re

from stillwell.journal.kinds import Kind, Rule, Takes
from stillwell.journal.refusal import JournalError
from stillwell.units import Dimension, System, UnitError, any_of, parse, with_point
from stillwell.water.ammonia import SYMBOL, Species, measured
from stillwell.water.seawater import Reference

_TO_MARK = re.compile(r"(.*?) ?\bto (?:the )?(?:fill )?mark", re.IGNORECASE)


def read(
    rule: Rule, typed: str, unit: str, tank_ml: float, units: System = System.METRIC
) -> tuple[float | None, str, bool]:
    """Returns the value and the unit as they are kept, and whether the water stood at the mark
    afterwards. Raises JournalError with the reason for what is impossible or leaves open what is
    meant.

    Args:
        tank_ml: the tank's volume, of which a change may be a share.
        units: the system in which the keeper sees numbers.
    """
    if not typed:
        if rule.takes is Takes.VALUE:
            raise JournalError(f"A {rule.kind} needs a value.", f"Write: {rule.example}")
        return None, "", rule.kind is Kind.POUR
    if rule.takes is Takes.NOTHING:
        raise JournalError(
            f"A {rule.kind} takes no value.", "Put what you want to say in the text."
        )
    to_mark = False
    if rule.of_tank:
        unit, to_mark = marked(unit)
    try:
        number, kept = _read_value(rule, typed, unit, tank_ml)
    except UnitError as error:
        raise JournalError(error.what, error.do_in(units)) from None
    except JournalError:
        raise
    except ValueError as error:
        raise JournalError(str(error), f"Write: {rule.example}") from None
    return number, kept, to_mark


def marked(unit: str) -> tuple[str, bool]:
    """Returns a unit, as typed or as in a file, without ``to mark``, and whether that stood
    there."""
    found = _TO_MARK.fullmatch(unit)
    return (found[1], True) if found else (unit, False)


def _read_value(rule: Rule, typed: str, unit: str, tank_ml: float) -> tuple[float, str]:
    match rule.kind:
        case Kind.POUR | Kind.SALT_POUR | Kind.WATER_CHANGE:
            return _volume(rule, typed, unit, tank_ml)
        case Kind.SALINITY:
            return _salinity(typed, unit)
        case Kind.AMMONIA | Kind.NITRITE | Kind.NITRATE:
            return _by_kit(Species(rule.kind), typed, unit), "mg/L N"
        case Kind.PH:
            scale = {"": "NBS", "ph": "NBS", "nbs": "NBS", "total": "total"}.get(unit.casefold())
            if scale is None:
                do = f'Write "{typed} NBS" or "{typed} total".'
                raise JournalError(f'"{unit}" is no pH scale.', do)
            return _number(typed), scale
        case Kind.LAMP_HOURS:
            return parse(f"{typed} {unit}", Dimension.DURATION), "s"
        case Kind.CALIBRATION:
            return _number(typed), unit
        case Kind.ANIMALS_IN | Kind.ANIMALS_OUT:
            count = _number(typed)
            if unit or count != int(count):
                raise JournalError("Animals are counted.", f"Write: {rule.example}")
            return count, ""
        case _:
            assert rule.dimension is not None
            return parse(_with(typed, unit, rule), rule.dimension), rule.unit


def _with(typed: str, unit: str, rule: Rule) -> str:
    # What the journal itself has written can be read again: it writes degrees Celsius as Cel.
    return f"{typed} {'degC' if unit == 'Cel' and rule.unit == 'Cel' else unit}"


def _number(typed: str) -> float:
    return parse(typed, Dimension.PLAIN)


def _by_kit(species: Species, typed: str, unit: str) -> float:
    try:
        return measured(species, _number(typed), unit).mg_n_per_l
    except UnitError:
        raise
    except ValueError as error:
        choices = any_of(f"{typed} mg/L {tail}" for tail in ("N", SYMBOL[species]))
        do = f"Write {choices}, whichever the kit's leaflet says."
        raise JournalError(str(error), do) from None


_AT = re.compile(r"(.*?) ?\bat ([0-9.,]+ ?(?:ppt|psu|g/kg|‰)?)(.*)", re.IGNORECASE)


def _volume(rule: Rule, typed: str, unit: str, tank_ml: float) -> tuple[float, str]:
    tail = ""
    at = _AT.fullmatch(unit)
    if at:
        if rule.kind is Kind.POUR:
            raise JournalError(
                "A pour is fresh water and has no salinity.", "Write salt-pour for salt water."
            )
        salinity = parse(at[2], Dimension.SALINITY)
        if not 0.0 < salinity <= 42.0:
            raise JournalError(
                f"Salt water has a salinity above 0, up to 42, not {salinity:g}.",
                f"Write: {rule.example}",
            )
        # A value typed in g/kg stays in g/kg: whoever reads the entry converts it.
        as_typed = with_point(at[2].casefold()) if at[2][-1] in "gG" else f"{salinity:g} ppt"
        unit, tail = at[1] + at[3], f" at {as_typed}"
    if rule.kind is Kind.WATER_CHANGE and unit.strip() in ("%", "percent"):
        return parse(f"{typed} %", Dimension.RATIO) * tank_ml, f"mL{tail}"
    return parse(f"{typed} {unit.strip()}", Dimension.VOLUME), f"mL{tail}"


_NO_ATC = re.compile(r"(?:ppt|psu|‰) (?:no|without) ATC at (.+)", re.IGNORECASE)
_CONDUCTIVITY = re.compile(r"([µμu]S/cm|mS/cm|S/m)(?:(?: at| @)? (.+))?", re.IGNORECASE)
_GRAVITY_SPAN = (0.995, 1.035)
"""A bare number in this span counts as a specific gravity (our own choice)."""


def _salinity(typed: str, unit: str) -> tuple[float, str]:
    number = _number(typed)
    word = unit.casefold()
    if word in ("ppt", "psu", "‰"):
        return number, "ppt"
    if word == "g/kg":
        return number, word
    bare = _NO_ATC.fullmatch(unit)
    if bare:
        return number, f"ppt no ATC at {_prism(bare[1]):g} degC"
    meter = _CONDUCTIVITY.fullmatch(unit)
    if meter:
        if not meter[2]:
            raise JournalError(
                "A conductivity says nothing about salinity without the water's temperature.",
                f'Write "{typed} {meter[1]} at 25.2 degC" with the temperature of the sample.',
            )
        t_c = parse(meter[2], Dimension.TEMPERATURE)
        if not -2.0 <= t_c <= 40.0:
            raise JournalError(
                f"A sample of {t_c:g} °C is outside -2 to 40 °C.",
                f'Write "{typed} {meter[1]} at 25.2 degC" with the temperature of the sample.',
            )
        ms_cm = parse(f"{typed} {meter[1]}", Dimension.CONDUCTIVITY)
        return ms_cm, f"mS/cm at {t_c:g} degC"
    gravity = word.removeprefix("specific gravity").removeprefix("sg").strip()
    if word in ("", "sg", "specific gravity") and 995.0 <= number <= 1035.0:
        point = f"{number / 1000.0:.6g}"
        raise JournalError(
            f"{typed} looks like a specific gravity without its point.",
            f'If it is one, write "{point} 25/25 degC" or "{point} 60/60 degF", as it stands on '
            "the instrument.",
        )
    looks_it = _GRAVITY_SPAN[0] <= number <= _GRAVITY_SPAN[1]
    if gravity and (looks_it or gravity != word):
        reference = Reference.parse(gravity)
        return number, f"sg {reference}"
    if looks_it or word in ("sg", "specific gravity"):
        raise JournalError(
            f"A specific gravity of {typed} is worth 0.6 to 0.8 ppt more or less, depending on the "
            "temperatures it is referred to.",
            f'Write "{typed} 25/25 degC" or "{typed} 60/60 degF", as it stands on the instrument.',
        )
    what = f'"{unit}" is no unit of salinity.' if unit else f"{typed} has no unit."
    raise JournalError(what, _as_salinity(typed, number))


def _as_salinity(typed: str, number: float) -> str:
    """Returns what to write for a number without a known unit; its size leaves only one unit
    possible."""
    if number <= 42.0:
        return f'Write "{typed} ppt".'
    if number <= 85.0:
        return f'Write "{typed} mS/cm at 25.2 degC" with the temperature of the sample.'
    return 'Write it as in "35.2 ppt", "1.0264 25/25 degC" or "53.1 mS/cm at 25.2 degC".'


def _prism(text: str) -> float:
    t_c = parse(text, Dimension.TEMPERATURE)
    if not 0.0 <= t_c <= 30.0:  # the range of the equation of Quan and Fry
        raise JournalError(
            f"A prism at {t_c:g} °C is outside 0 to 30 °C.",
            "Let instrument and sample come to the room's temperature, and read again.",
        )
    return t_c
