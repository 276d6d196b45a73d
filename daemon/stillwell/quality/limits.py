"""The thresholds by which a channel's readings are judged, and their defaults where the keeper
gives none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any

from stillwell.quality.gross_range import Span, check_spans
from stillwell.reading import Quantity


@dataclass(frozen=True, slots=True)
class Limits:
    """The thresholds of one channel, in the unit of its quantity (see `stillwell.reading.UNIT`).

    Raises ValueError for spans that do not nest and for thresholds below zero.
    """

    fail: Span
    """Outside this span the reading is FAIL: the sensor can't have measured it."""
    suspect: Span
    """Outside this span the reading is SUSPECT: the water is hardly ever so. Lies within `fail`."""
    rate_per_s: float | None
    """A change faster than this, per second, is SUSPECT; None skips the test."""
    spike: float | None
    """A value further than this from both readings before it is SUSPECT; None skips the test."""
    flat_for_s: float | None
    """A value that has not moved for this long, in seconds, is SUSPECT; None skips the test."""
    flat_tolerance: float
    """A value has not moved while its range is less than this: under one step of the sensor's
    resolution, above zero."""
    gap_s: float
    """After this many seconds without a reading, earlier values are too old to compare with. Longer
    than the interval between readings."""
    quantity: Quantity
    rate_floor: float = 0.0
    """The part of a change that does not count as a rate: some steps of the sensor's resolution."""

    def __post_init__(self) -> None:
        check_spans(self.fail, self.suspect)
        if not all(map(isfinite, self.fail)):
            raise ValueError(f"The fail span {self.fail} has an end that is not a number.")
        if self.gap_s <= 0:
            raise ValueError(f"The gap limit must be longer than nothing, not {self.gap_s} s.")
        for what in ("rate_per_s", "spike", "flat_for_s", "flat_tolerance", "rate_floor"):
            value = getattr(self, what)
            if value is not None and not value >= 0:
                raise ValueError(f"{what} must not be below zero, and is {value}.")
        if self.flat_for_s is not None and not self.flat_tolerance > 0:
            raise ValueError(
                "A flat line needs a tolerance above zero: a range is never less than zero."
            )


_GAP_S = 180.0  # six readings at one every 30 s

GAP_IN_READINGS = 4
"""A channel is silent after this many missed readings, but not before its quantity's gap."""

_DEFAULTS = {
    Quantity.TEMPERATURE: Limits(
        # The range of water that holds a tank's animals, and of rooms that people live in: common
        # practice. The sensor's own span is wider (DS18B20: -55 to +125 °C, data sheet), but a
        # probe in a tank that reads outside this range is not in the water.
        fail=(1.0, 45.0),
        suspect=(15.0, 35.0),
        # 75 W heat 68 L of seawater by 0.97 K per hour (power over volumetric heat capacity): half
        # a kelvin per minute is thirty times that, and only a hand, a water change or a fault does
        # it.
        rate_per_s=0.5 / 60,
        rate_floor=0.25,  # four steps of 0.0625 K: two of rounding, two of noise (common practice)
        spike=0.4,
        # The temperature of a heated tank moves by its thermostat's differential, some tenths of a
        # kelvin, several times in six hours (common practice); a tank at room temperature follows
        # the room.
        flat_for_s=6 * 3600.0,
        flat_tolerance=0.06,  # a DS18B20 at 12 bit steps by 0.0625 K (data sheet)
        gap_s=_GAP_S,
        quantity=Quantity.TEMPERATURE,
    ),
    Quantity.LEVEL: Limits(
        # Return chambers are a hand or two deep: common practice.
        fail=(-300.0, 150.0),
        suspect=(-100.0, 60.0),
        rate_per_s=None,  # a pour is as fast as the hand that pours it
        spike=10.0,
        flat_for_s=6 * 3600.0,  # evaporation alone moves a chamber by millimetres in that time
        flat_tolerance=0.05,
        gap_s=_GAP_S,
        quantity=Quantity.LEVEL,
    ),
    Quantity.HUMIDITY: Limits(
        fail=(0.0, 100.0),
        suspect=(10.0, 98.0),  # common practice: heated rooms in frost, and fog
        rate_per_s=None,  # an opened window changes it that fast
        spike=15.0,
        flat_for_s=12 * 3600.0,
        flat_tolerance=0.005,  # resolutions run from 0.01 to 1 %RH
        gap_s=_GAP_S,
        quantity=Quantity.HUMIDITY,
    ),
    Quantity.CONDUCTIVITY: Limits(
        fail=(0.0, 80.0),
        # Practical salinity 27 at 20 °C to 40 at 26 °C, PSS-78 (UNESCO Tech. Paper Mar. Sci. 44,
        # 1983).
        suspect=(38.0, 61.0),
        rate_per_s=None,  # fresh water poured in beside the probe changes it that fast
        spike=3.0,
        flat_for_s=24 * 3600.0,
        flat_tolerance=0.0005,
        gap_s=_GAP_S,
        quantity=Quantity.CONDUCTIVITY,
    ),
    Quantity.PH: Limits(
        fail=(0.0, 14.0),
        suspect=(7.4, 8.8),  # common practice: 7.8 to 8.5 is kept, with room for a bad night
        rate_per_s=None,
        spike=0.3,
        flat_for_s=24
        * 3600.0,  # light and breathing move it by 0.1 and more a day (common practice)
        flat_tolerance=0.0005,
        gap_s=_GAP_S,
        quantity=Quantity.PH,
    ),
}


def default_limits(quantity: Quantity) -> Limits:
    """Returns the limits of a channel of this quantity where the keeper gives none.

    Floats and switches, whose values are shares of time from 0 to 1, have only a gross range and a
    gap: they may rightly stay the same for weeks and change in an instant.
    """
    if quantity.is_share:
        return Limits(
            fail=(0.0, 1.0),
            suspect=(0.0, 1.0),
            rate_per_s=None,
            spike=None,
            flat_for_s=None,
            flat_tolerance=0.0,
            gap_s=_GAP_S,
            quantity=quantity,
        )
    return _DEFAULTS[quantity]


def limits_for(quantity: Quantity, every_s: float, said: Mapping[str, Any]) -> Limits:
    """Returns the limits of a channel that is read every `every_s` seconds: the fields of `Limits`
    that its keeper has given, and the defaults of its quantity."""
    usual = default_limits(quantity)
    limits = {"gap_s": max(usual.gap_s, GAP_IN_READINGS * every_s), **said}
    if "fail" in said and "suspect" not in said:
        # A keeper who narrows one range means the other to lie within it.
        low, high = said["fail"]
        limits["suspect"] = (max(usual.suspect[0], low), min(usual.suspect[1], high))
    return replace(usual, **limits)
