"""A gauge that hangs above the water and measures the distance down to it: time of flight,
ultrasonic. Pure.

An ultrasonic gauge turns the time of an echo into a distance by the speed of sound at one
temperature, which is proportional to the square root of the absolute temperature of the air (ideal
gas; e.g. Kinsler et al., Fundamentals of Acoustics, from memory): 0.17 % per kelvin, a quarter of a
millimetre in 150.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import sqrt

from stillwell.reading import Flag, Reading, Sample

_ICE_K = 273.15
_COUNTS_FOR_MS = 3_600_000
"""How long a reading of the room's temperature is used, in ms: a room changes by a kelvin or two
meanwhile (our own choice)."""


@dataclass(frozen=True, slots=True)
class Mounted:
    """How such a gauge is mounted."""

    height: float
    """mm above the fill mark."""
    sound_at: float | None = None
    """The temperature of the air, °C, for which it calculates its distances; None: it uses
    light."""

    def level(self, distance: float, air: float | None) -> float:
        """Returns the level, mm relative to the fill mark.

        Args:
            distance: what the gauge reports, mm.
            air: the temperature of the air, °C; None where it is unknown.
        """
        if self.sound_at is not None and air is not None:
            distance *= sqrt((air + _ICE_K) / (self.sound_at + _ICE_K))
        return round(self.height - distance, 3)


class FromAbove:
    """Turns the samples of such gauges into levels, before they are judged.

    Args:
        gauges: how the gauge of each channel is mounted.
        air: the channel of the room's temperature.
    """

    def __init__(self, gauges: Mapping[str, Mounted], air: str) -> None:
        self._gauges = gauges
        self._air_channel = air
        self._air: float | None = None
        self._air_ms = 0

    def levels(self, samples: Iterable[Sample], mono_ms: int) -> Iterable[Sample]:
        """Returns the samples; those of such gauges are turned into levels."""
        if not self._gauges:
            return samples
        air = self._air if mono_ms - self._air_ms <= _COUNTS_FOR_MS else None
        return [self._level(sample, air) for sample in samples]

    def see(self, readings: Iterable[Reading]) -> None:
        """Takes over the room's temperature if its reading is good."""
        if not self._gauges:
            return
        for reading in readings:
            if reading.channel == self._air_channel and reading.flag is Flag.PASS:
                self._air, self._air_ms = reading.value, reading.moment.mono_ms

    def _level(self, sample: Sample, air: float | None) -> Sample:
        mounted = self._gauges.get(sample.channel)
        if mounted is None or sample.value is None:
            return sample
        return sample._replace(value=mounted.level(sample.value, air))
