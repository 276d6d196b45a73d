"""Kinds of values that several tables have, and the base of every table."""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    PlainSerializer,
    StringConstraints,
    WithJsonSchema,
)

from stillwell.settings.setting_error import SettingError
from stillwell.settings.zones import meant
from stillwell.shown import shown
from stillwell.units import Dimension, WithUnit

NAME_PATTERN = r"^[a-z0-9][a-z0-9-]{0,39}$"
Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
"""a-z, 0-9 and hyphens: it becomes part of topics, file names and commands."""

Conductivity = Annotated[float, WithUnit(Dimension.CONDUCTIVITY)]
MillimetresPerHour = Annotated[float, WithUnit(Dimension.LEVEL_RATE)]
MillimetresPerSecond = Annotated[float, WithUnit(Dimension.LEVEL_RATE, per=3600)]
Salinity = Annotated[float, WithUnit(Dimension.SALINITY)]
Plain = Annotated[float, WithUnit(Dimension.PLAIN)]


def _time_of_day(value: Any) -> Any:
    if isinstance(value, dt.time):
        return value
    if isinstance(value, str):
        found = re.fullmatch(r"\s*([01]?[0-9]|2[0-3]):([0-5][0-9])\s*", value)
        if found:
            return dt.time(int(found[1]), int(found[2]))
    midnight = ' Midnight is "00:00".' if str(value).startswith("24") else ""
    raise SettingError(
        f"{shown(value)} is no time of day.", f'Write hours and minutes: "22:00".{midnight}'
    )


TimeOfDay = Annotated[
    dt.time,
    BeforeValidator(_time_of_day),
    PlainSerializer(lambda time: f"{time:%H:%M}", return_type=str, when_used="json"),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": "^([01]?[0-9]|2[0-3]):[0-5][0-9]$",
            "description": "Hours and minutes in the tank's zone.",
            "examples": ["22:00"],
        }
    ),
]


def known_zone(value: Any) -> Any:
    """Returns the name of a time zone. Raises `SettingError`, with the zone that was meant."""
    if not isinstance(value, str):
        return value
    try:
        ZoneInfo(value)
    except (KeyError, OSError, ValueError):  # not found; a folder; an absolute path
        raise SettingError(f"There is no time zone {shown(value)}.", meant(value)) from None
    return value


Zone = Annotated[
    str,
    BeforeValidator(known_zone),
    WithJsonSchema(
        {
            "type": "string",
            "description": "A name of the IANA time zone database.",
            "examples": ["Europe/Dublin"],
        }
    ),
]


class Part(BaseModel):
    """A table of the configuration: unknown keys are errors, and nothing changes after the
    start."""

    model_config = ConfigDict(extra="forbid", frozen=True)
