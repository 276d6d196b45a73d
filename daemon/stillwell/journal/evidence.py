"""What the entries are evidence of: the salt balance, the cycle. (What they mean for the level is
beside its estimator, in `estimate.level_journal`.)

Takes entries that stand (see `standing`). An entry that can't be read, such as one written by
another version, is left out rather than guessed at.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from stillwell.entry import Entry
from stillwell.estimate.cycle.nitrification import Happening
from stillwell.estimate.cycle.stage import Test
from stillwell.estimate.salt.told import Check, Event, Exchange, TopUp
from stillwell.journal.kinds import Kind
from stillwell.journal.refractometer_log import calibrations, read_by_it, too_much
from stillwell.units import Dimension, parse
from stillwell.water.refractometer import Adjusted
from stillwell.water.refractometer import salinity as off_the_scale
from stillwell.water.seawater import (
    Reference,
    practical_salinity,
    salinity_of_conductivity,
    salinity_of_specific_gravity,
)

_DAY_MS = 86_400_000
_SALINITY = re.compile(r"\bat ([0-9.]+ ?(?:ppt|g/kg))")


def _salinity_beside(entry: Entry, otherwise: float | None) -> float | None:
    found = _SALINITY.search(entry.unit)
    return parse(found[1], Dimension.SALINITY) if found else otherwise


def salinity_of(entry: Entry) -> float:
    """Returns the practical salinity that a salinity entry reports, whatever it was measured with.

    Raises ValueError for another kind of entry or a value that no seawater has.
    """
    if entry.kind != Kind.SALINITY or entry.value is None:
        raise ValueError(f"Entry {entry.id} is no salinity.")
    if entry.unit == "ppt":
        return entry.value
    if entry.unit == "g/kg":
        return practical_salinity(entry.value)
    if entry.unit.startswith("sg "):
        return salinity_of_specific_gravity(
            entry.value, Reference.parse(entry.unit.removeprefix("sg "))
        )
    bare = re.fullmatch(r"ppt no ATC at (-?[0-9.]+) degC", entry.unit)
    if bare:
        return off_the_scale(entry.value, float(bare[1]), Adjusted())
    meter = re.fullmatch(r"mS/cm at (-?[0-9.]+) degC", entry.unit)
    if meter:
        return salinity_of_conductivity(entry.value, float(meter[1]))
    raise ValueError(f'Entry {entry.id} has the unit "{entry.unit}", which is no salinity.')


def salt_events(
    entries: Iterable[Entry], *, check_sd: float = 0.5, salt_water: float = 35.0
) -> list[Event]:
    """Returns the events for the salt balance. A check that no seawater can show is left out; a
    check with a refractometer is corrected by what its calibrations found.

    Args:
        entries: those that stand.
        check_sd: standard deviation of a salinity check.
        salt_water: the salinity of salt water that was poured in without a word about it.
    """
    out: list[Event] = []
    rows = list(entries)
    looks = calibrations(rows)
    for entry in rows:
        match entry.kind:
            case Kind.SALINITY:
                try:
                    read = salinity_of(entry)
                except ValueError:
                    continue
                if looks and read_by_it(entry):
                    read = max(0.0, read - too_much(entry.at_ms, looks))
                out.append(Check(entry.at_ms, read, check_sd))
            case Kind.POUR if entry.value is not None or entry.to_mark:
                out.append(TopUp(entry.at_ms, entry.value, to_mark=entry.to_mark))
            case Kind.SALT_POUR if entry.value is not None:
                salinity = _salinity_beside(entry, salt_water)
                assert salinity is not None
                out.append(TopUp(entry.at_ms, entry.value, salinity, entry.to_mark))
            case Kind.WATER_CHANGE if entry.value is not None:
                out.append(Exchange(entry.at_ms, entry.value, _salinity_beside(entry, None)))
    return out


def cycle_tests(entries: Iterable[Entry]) -> list[Test]:
    """Returns the tests of ammonia and nitrite, each species by itself: `cycle.gathered` joins
    them."""
    out = []
    for entry in entries:
        if entry.value is None or entry.unit != "mg/L N":
            continue
        if entry.kind == Kind.AMMONIA:
            out.append(Test(entry.at_ms, ammonia=entry.value))
        elif entry.kind == Kind.NITRITE:
            out.append(Test(entry.at_ms, nitrite=entry.value))
    return out


def cycle_happenings(entries: Iterable[Entry], begun_ms: int, tank_ml: float) -> list[Happening]:
    """Returns the water changes since the cycle began, as the forecast needs them."""
    return [
        Happening((e.at_ms - begun_ms) / _DAY_MS, diluted=min(1.0, e.value / tank_ml))
        for e in entries
        if e.kind == Kind.WATER_CHANGE and e.value is not None and e.at_ms > begun_ms
    ]
