"""Reads a tank that a keeper has handed on: a folder that ``stillwell export --anonymous`` wrote.

There is no truth beside it: a judge's figures are not a number.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterator
from math import nan
from pathlib import Path
from typing import Any

from tanks.trace import DAY_S, Heater, Household, Row, Run, Truth

UNKNOWN = Truth(nan, nan, (), nan, nan, nan, nan, nan, nan, False, True, False)


def household(text: str) -> Household:
    """Returns what the settings say, from the text of ``household.toml``. Raises TypeError for a
    key that is not known or one that is missing."""
    said: dict[str, Any] = {
        "night": None,
        "chiller_w": None,
        "chiller_setting_c": None,
        "lamp_hours": None,
        "fan_hours": None,
        **tomllib.loads(text),
    }
    lists = {name: tuple(value) for name, value in said.items() if isinstance(value, list)}
    return Household(**{**said, **lists, "heater": Heater(said["heater"])})


def recorded(folder: Path) -> Run:
    """Returns the life of the tank in a folder."""

    def rows() -> Iterator[Row]:
        with (folder / "trace.csv").open(encoding="utf-8", newline="") as lines:
            for line in csv.DictReader(lines):
                at_s = int(line.pop("at_s"))
                yield Row(at_s, {n: float(v) if v else None for n, v in line.items()}, UNKNOWN)

    last = max((row.at_s for row in rows()), default=0)
    said = household((folder / "household.toml").read_text(encoding="utf-8"))
    return Run(said, None, last / DAY_S, rows)
