"""The questions about the tank itself, and the tables that their answers make."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from zoneinfo import available_timezones

from stillwell.commissioning.question import KEEP, Question, measured, one_of, or_none
from stillwell.commissioning.section import Line, Section, section
from stillwell.settings.schema.values import known_zone
from stillwell.settings.setting_error import SettingError
from stillwell.shown import shown
from stillwell.units import Dimension, System

_US_ZONES = re.compile(
    r"US/.+|Pacific/Honolulu|America/(?:New_York|Chicago|Denver|Los_Angeles|Phoenix|Anchorage"
    r"|Detroit|Boise|(?:Indiana|Kentucky|North_Dakota)/.+)"
)
_US_VOLUME = re.compile(r"(?:gal|qt|quart|cup|fl)", re.IGNORECASE)
_SIDES = re.compile(r"\s*(?:x|×|\*|by)\s*", re.IGNORECASE)
_UNIT = re.compile(r"[A-Za-z\"]+$")
_BETWEEN = re.compile(r"\s*(?:-|–|\bto\b|\buntil\b)\s*", re.IGNORECASE)
_HOUR = re.compile(r"(\d{1,2})(?:[:.](\d{2}))?\s*(am|pm)?", re.IGNORECASE)
_EACH = re.compile(r"\s*(?:\+|;|&|\band\b|,(?=\s)|(?<=[A-Za-z]),)\s*", re.IGNORECASE)
_TIMES = re.compile(r"([1-9])\s*(?:x|×|\*|times)\s*(.+)", re.IGNORECASE)
_CONTROL = re.compile(
    r"[\s,(]*(?:\bwith\s+)?(?:\ban?\s+)?\b(?:(thermostat|dial)|electronic|proportional)"
    r"(?:\s+control(?:led|ler)?)?\b[\s,:)]*",
    re.IGNORECASE,
)
_AT = re.compile(r"\bat\b", re.IGNORECASE)
_METRIC, _US = System.METRIC, System.US


@dataclass(frozen=True, slots=True)
class Heaters:
    kind: str | None
    """How they are controlled, as in the settings; None where that is left to be found out."""
    powers: tuple[str, ...]
    """Of each."""

    def __str__(self) -> str:
        """The answer that means this."""
        return " + ".join(self.powers) + (" electronic" if self.kind == "proportional" else "")


@dataclass(frozen=True, slots=True)
class Tank:
    """The answers, each as it can stand in the file."""

    zone: str
    volume: str
    units: System
    chamber: tuple[str, str] | str | None
    heater: Heaters | str | None
    chiller: tuple[str, str] | str | None
    """Its power and its setting, either of which may be empty."""
    lamp: tuple[str, str] | str | None
    automatic: bool
    """Whether something other than the keeper tops up."""


def zone(guess: str) -> Question[str]:
    """The time zone.

    Args:
        guess: what the machine is set to.
    """
    asks = "In which time zone is the tank? Continent and city, or the city alone."
    return Question(asks, guess, _zone, "--zone")


def volume(there: Mapping[str, Any], us: bool) -> Question[str]:
    """All the water.

    Args:
        there: the table [tank] as it is now; empty if there is none.
        us: whether the machine's zone is one in which people measure in gallons.
    """
    asks = (
        "How much water is in the tank, the return chamber included? In your units, such as "
        f"{'18 gal or 68 L' if us else '68 L or 18 gal'}: figures are then shown in the same."
    )
    usual = str(there.get("volume", "18 gal" if us else "68 L"))
    system = _US if us else _METRIC
    return Question(asks, usual, measured(Dimension.VOLUME, system), "--volume")


def units(there: Mapping[str, Any], of_volume: str) -> Question[System]:
    """In which units numbers are shown. It follows from the volume's unit, and is not asked."""
    usual = _US if _US_VOLUME.search(of_volume) and "imp" not in of_volume else _METRIC
    if there.get("units") in list(System):
        usual = System(there["units"])
    words = {"metric": _METRIC, "us": _US}
    return Question("", usual.value, one_of(words), "--units")


def chamber(there: Mapping[str, Any], system: System) -> Question[tuple[str, str] | str | None]:
    """The return chamber's length and width."""
    example = "7 x 3.5 in" if system == _US else "18 x 9 cm"
    asks = (
        "The return chamber, in which the pump stands and the level moves: how long and wide is "
        f'it inside, such as {example}? "none" if there is none, or not measured yet.'
    )
    usual = _now(there, "chamber", "length", "width", joined=" x ")
    return Question(asks, usual, or_none(_sides(system), there="chamber" in there), "--chamber")


def heater(there: Mapping[str, Any]) -> Question[Heaters | str | None]:
    """What heats the water: how strong it is, and how it is controlled."""
    asks = (
        "How strong is the heater, by its label, such as 75 W? With more than one: 50 W + 75 W. If "
        "no dial but an electronic control holds the water quite flat: 75 W electronic. "
        '"none" if there is none.'
    )
    now = there.get("heater", {})
    kind = now.get("kind", None if "heater" in there else "thermostat")
    usual = KEEP if "heater" in there else "none"
    powers = now.get("power")
    powers = powers if isinstance(powers, list) else [powers]
    if powers and all(isinstance(power, str) for power in powers):
        usual = str(Heaters(kind, tuple(powers)))
    return Question(asks, usual, or_none(_heaters(kind), there="heater" in there), "--heater")


def chiller(there: Mapping[str, Any]) -> Question[tuple[str, str] | str | None]:
    """What cools the water by a thermostat. Few tanks have one, so that nobody is asked."""
    usual = _now(there, "chiller", "power", "setting", joined=" at ")
    return Question("", usual, or_none(_chiller, there="chiller" in there), "--chiller")


def lamp(there: Mapping[str, Any]) -> Question[tuple[str, str] | str | None]:
    """When the lamp goes on and off."""
    asks = 'From when to when is the lamp on, such as 12:00-22:00? "none" if that varies.'
    usual = _now(there, "lamp", "on", "off", joined="-")
    return Question(asks, usual, or_none(_hours, there="lamp" in there), "--lamp")


def top_up(there: Mapping[str, Any]) -> Question[bool]:
    """Whether the tank is topped up by a machine."""
    asks = "Who replaces the water that evaporates: you, by hand, or something automatic?"
    words = {"by hand": False, "hand": False, "automatic": True}
    usual = str(there.get("top_up", {}).get("kind", "by hand"))
    return Question(asks, usual, one_of(words), "--top-up")


def _now(there: Mapping[str, Any], table: str, *keys: str, joined: str = "") -> str:
    """Returns the answer that gives what a table holds now: "none" without the table, "keep" where
    no answer says it."""
    if table not in there:
        return "none"
    values = [there[table].get(key) for key in keys]
    if not all(isinstance(value, str | dt.time) for value in values):
        return KEEP
    return joined.join(f"{v:%H:%M}" if isinstance(v, dt.time) else str(v) for v in values)


def is_us(zone_name: str) -> bool:
    """Whether people in this zone measure in gallons and degrees Fahrenheit."""
    return _US_ZONES.fullmatch(zone_name) is not None


def sections(tank: Tank, there: Mapping[str, Any], own: str = "tank") -> Iterator[Section]:
    """Yields the tables of the tank; those that an answer takes away are `gone`.

    Args:
        own: its name, if it has none yet.
        there: the table [tank] as it is now; empty if there is none.
    """
    lines = (
        Line("zone", tank.zone, "times of day below are by its clock"),
        Line("volume", tank.volume, "all the water, the return chamber included"),
        Line("units", tank.units.value, 'how you see numbers: "metric" or "us"'),
    )
    name = Line("name", own, "a-z, 0-9 and hyphens: it becomes part of topics and file names")
    yield Section(("tank",), lines if "name" in there else (name, *lines))
    kept = {
        "chamber": tank.chamber,
        "heater": tank.heater,
        "chiller": tank.chiller,
        "lamp": tank.lamp,
    }
    length, width = tank.chamber if isinstance(tank.chamber, tuple) else ("", "")
    on, off = tank.lamp if isinstance(tank.lamp, tuple) else ("", "")
    by_hand = "by hand" if "top_up" in there else None
    machine = "automatic" if tank.automatic else by_hand
    tells = "its reservoir, gauge or pump: see config/stillwell.toml" if tank.automatic else ""
    inside = "inside; only here does the level move"
    power, setting = tank.chiller if isinstance(tank.chiller, tuple) else ("", "")
    for table in (
        section("tank", "chamber", comment=inside, length=length, width=width),
        Section(("tank", "heater"), tuple(_heater_lines(tank.heater))),
        section("tank", "chiller", power=power or None, setting=setting or None),
        section("tank", "lamp", on=on, off=off),
        Section(("tank", "top_up"), (Line("kind", machine, tells),)),
    ):
        if kept.get(table.path[1]) == KEEP:
            continue
        if table.lines and table.lines[0].value:
            yield table
        elif table.path[1] in there:
            yield Section(table.path, (), gone=True)


def _heater_lines(heater: Heaters | str | None) -> Iterator[Line]:
    if not isinstance(heater, Heaters):
        return
    if heater.kind is not None:
        yield Line("kind", heater.kind, 'or "proportional": electronic control that holds it flat')
    power = heater.powers[0] if len(heater.powers) == 1 else list(heater.powers)
    yield Line("power", power, "by its label; it is watched, never switched")


def _zone(text: str) -> str:
    word = "_".join(text.split())
    known = {name.casefold(): name for name in sorted(available_timezones(), reverse=True)}
    cities = {name.rpartition("/")[2]: zone for name, zone in known.items() if "/" in name}
    of_city = cities.get(word.casefold(), word)
    return str(known_zone(known.get(word.casefold(), of_city)))


def _heaters(unsaid: str | None) -> Callable[[str], Heaters]:
    """Returns a reader of heaters.

    Args:
        unsaid: how they are controlled where the answer has no word for it, unless that it is
            electronic would have been said.
    """
    power = measured(Dimension.POWER, _METRIC, "W")

    def read(text: str) -> Heaters:
        said = _CONTROL.search(text)
        kind = "thermostat" if unsaid else None
        if said is not None:
            kind = "thermostat" if said[1] else "proportional"
        powers: list[str] = []
        for each in _EACH.split(_CONTROL.sub(" ", text).strip()):
            times = _TIMES.fullmatch(each)
            powers += [power(times[2] if times else each)] * (int(times[1]) if times else 1)
        return Heaters(kind, tuple(powers))

    return read


def _chiller(text: str) -> tuple[str, str]:
    power, _, setting = (part.strip() for part in _AT.sub("@", text, 1).partition("@"))
    if power or not setting:
        power = measured(Dimension.POWER, _METRIC, "W")(power)
    if setting:
        setting = measured(Dimension.TEMPERATURE, _METRIC)(setting)
    return power, setting


def _sides(system: System) -> Any:
    length = measured(Dimension.LENGTH, system)

    def read(text: str) -> tuple[str, str]:
        parts = _SIDES.split(" ".join(text.split()))
        if len(parts) != 2:
            example = "7 x 3.5 in" if system == _US else "18 x 9 cm"
            what = f"{shown(text)} is not a length and a width."
            raise SettingError(what, f'Write both, as in "{example}".')
        unit = _UNIT.search(parts[1])
        if unit is None and not _UNIT.search(parts[0]):
            do = f'Write it with its unit: "{text} in" or "{text} cm".'
            raise SettingError(f"{shown(text)} has no unit.", do)
        if unit and not _UNIT.search(parts[0]):
            parts[0] = f"{parts[0]} {unit[0]}"
        return length(parts[0]), length(parts[1])

    return read


def _hours(text: str) -> tuple[str, str]:
    parts = _BETWEEN.split(text)
    hours = [_hour(part) for part in (parts if len(parts) > 1 else text.split())]
    if len(hours) != 2 or None in hours or hours[0] == hours[1]:
        what = f"{shown(text)} are not two times of day."
        raise SettingError(what, 'Write when it goes on and off: "12:00-22:00" or "9 am - 7 pm".')
    on, off = (f"{hour:%H:%M}" for hour in hours if hour is not None)
    return on, off


def _hour(text: str) -> dt.time | None:
    found = _HOUR.fullmatch(text.strip())
    if found is None:
        return None
    hour, half = int(found[1]), (found[3] or "").casefold()
    if half and not 1 <= hour <= 12:
        return None
    if half:
        hour = hour % 12 + (12 if half == "pm" else 0)
    minute = int(found[2] or 0)
    return dt.time(hour, minute) if hour < 24 and minute < 60 else None
