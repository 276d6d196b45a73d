"""Converts the number that a device sends to the value in the channel's unit."""

from __future__ import annotations

import math
import re

from pydantic import BaseModel, ConfigDict, Field, field_validator

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_LARGEST = 1e9
"""A larger number is damage: no quantity here comes near it."""


class Scaled(BaseModel):
    """What a driver's channel has whose device sends a number in a unit of its own."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    scale: float = Field(default=1.0, allow_inf_nan=False)
    """What one unit of the device is in the channel's own unit: 10 where a level comes in cm."""
    offset: float = Field(default=0.0, allow_inf_nan=False)
    """Added afterwards, in the channel's own unit."""

    @field_validator("scale")
    @classmethod
    def _is_not_zero(cls, scale: float) -> float:
        if scale == 0:
            raise ValueError(
                "A scale of 0 makes every reading the same. Write 1.0 or leave it out."
            )
        return scale

    def scaled(self, number: float) -> float | None:
        """Returns the value in the channel's unit, or None if it is not finite or too large to be
        one."""
        value = number * self.scale + self.offset
        return value if math.isfinite(value) and abs(value) <= _LARGEST else None

    def read(self, written: str) -> float | None:
        """Returns the value of a number as text, with a decimal point or comma; None if it is no
        finite number of a plausible size."""
        text = written.strip()
        if not _NUMBER.fullmatch(text):
            return None
        return self.scaled(float(text.replace(",", ".")))
