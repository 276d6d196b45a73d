"""The estimates that each observer may publish, for whoever must know them before there is one."""

from __future__ import annotations

from collections.abc import Mapping

from stillwell.alarm.row import Part

ALWAYS: Mapping[str, str] = {"salinity.now": "PSU", "cycle.stage": "1"}
"""By name, with their units: those of the observers that every tank has."""

_AROUND: Mapping[str, str] = {"heat.room": "W", "heat.evaporation": "W"}

OF_PART: Mapping[Part, Mapping[str, str]] = {
    Part.HEATER: {
        "heater.switches-on": "Cel",
        "heater.switches-off": "Cel",
        "heater.setting": "Cel",
        "heater.differential": "K",
        "heater.gain": "K/h",
        "heater.loss": "K/h",
        "heater.duty": "1",
        "heater.duty-per-kelvin": "1/K",
        "heater.time-constant": "h",
        "heater.holds-down-to": "Cel",
        "heat.heater": "W",
        **_AROUND,
    },
    Part.CHILLER: {
        "chiller.switches-on": "Cel",
        "chiller.switches-off": "Cel",
        "chiller.setting": "Cel",
        "chiller.differential": "K",
        "chiller.gain": "K/h",
        "chiller.duty": "1",
        "heat.chiller": "W",
        **_AROUND,
    },
    Part.LAMP: {"lamp.gain": "K/h", "heat.lamp": "W"},
    Part.LEVEL: {
        "level.now": "mm",
        "level.rate": "mL/h",
        "level.to-mark": "mL",
        "level.reserve": "h",
        "night.loss": "mL",
        "night.rate": "mL/h",
        "night.expected": "mL",
        "night.odd": "1",
    },
    Part.TOP_UP: {"top-up.left": "mL", "top-up.lasts": "h", "night.topped-up": "mL"},
}
"""Those of the observers that only some tanks have."""


def estimates_of(parts: frozenset[Part]) -> dict[str, str]:
    """Returns the names and units of all estimates of a tank that has these parts."""
    found = dict(ALWAYS)
    for part, estimates in OF_PART.items():
        if part in parts:
            found |= estimates
    return found
