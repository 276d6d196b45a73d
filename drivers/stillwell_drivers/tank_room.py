"""The room around a simulated tank: temperature and humidity through days and seasons.

The figures describe a heated room in a mild, damp climate (common practice; no source): warmest at
three in the afternoon, coldest in the second half of January, and dry air while the heating runs,
because cold outside air that is warmed holds little water.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

BLOCK_S = 600
"""How often the room is computed anew, in seconds; in between it changes linearly."""

_YEAR_D = 365.2425
_COLDEST_D = 20.0
"""The coldest day, in days after New Year."""


def saturation_pressure_pa(water_c: float) -> float:
    """Returns the vapour pressure over liquid water, Pa, for 0 to 50 °C.

    Buck Research, CR-1A manual (1996), after A. L. Buck, J. Appl. Meteorol. 20 (1981) 1527;
    coefficients from memory, its values are within 0.1 % of ASHRAE's.
    """
    return 611.21 * math.exp((18.678 - water_c / 234.5) * (water_c / (257.14 + water_c)))


@dataclass(frozen=True, slots=True)
class Climate:
    """The climate of the room; temperatures in °C, humidities in %RH."""

    mean_c: float = 20.5
    seasonal_k: float = 1.5
    """Half the difference between the warmest and the coldest season."""
    daily_k: float = 0.8
    noise_k: float = 0.4
    noise_h: float = 12.0
    """Correlation time of the noise."""
    humidity_summer: float = 60.0
    humidity_heating: float = 38.0
    humidity_noise: float = 4.0
    humidity_noise_h: float = 24.0
    air_speed: float = 0.05
    """Speed of the air over the water, m/s."""


@dataclass(frozen=True, slots=True)
class Disturbance:
    """The present effect of weather and faults on the room."""

    warmer_k: float = 0.0
    """Warming by this much, reached within hours."""
    cooler_k: float = 0.0
    """Cooling by this much, reached within minutes, with moving air."""
    colder_k: float = 0.0
    """Cooling by this much, reached within a day, without new air."""
    at_least_c: float = -math.inf
    """The room is heated to this, within hours."""
    air_speed: float = 0.0
    """Added to the speed of the air over the water, m/s."""


CALM = Disturbance()
_SLOW_S, _FAST_S, _WALLS_S = 7200.0, 900.0, 12 * 3600.0
_COOL_AIR_HUMIDITY = 65.0


class Room:
    """The air around the tank. `advance` is called once every `BLOCK_S` seconds, never skipped."""

    def __init__(self, climate: Climate, seed: int, zone: ZoneInfo, utc_ms: int) -> None:
        self._climate = climate
        self._zone = zone
        self._rng = random.Random(f"{seed}/room")
        self._noise = self._rng.gauss(0, 1)
        self._humidity_noise = self._rng.gauss(0, 1)
        self._keep = math.exp(-BLOCK_S / 3600 / climate.noise_h)
        self._humidity_keep = math.exp(-BLOCK_S / 3600 / climate.humidity_noise_h)
        self._warmer = self._cooler = self._colder = 0.0
        self.temperature_c = self.humidity = 0.0
        self._set(utc_ms, CALM)

    def _set(self, utc_ms: int, disturbance: Disturbance) -> None:
        climate = self._climate
        day = utc_ms / 86_400_000
        season = math.cos(2 * math.pi * (day - _COLDEST_D) / _YEAR_D)
        local = datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(self._zone)
        hour = local.hour + local.minute / 60
        sun = math.cos(2 * math.pi * (hour - 15) / 24)
        base = (
            climate.mean_c
            - climate.seasonal_k * season
            + climate.daily_k * sun
            + climate.noise_k * self._noise
        )
        heating = min(1.0, max(0.0, 0.5 + 1.2 * season))
        moist = (
            climate.humidity_summer
            + heating * (climate.humidity_heating - climate.humidity_summer)
            + climate.humidity_noise * self._humidity_noise
        )
        wanted = disturbance.warmer_k + max(0.0, disturbance.at_least_c - base)
        self._warmer += (wanted - self._warmer) * -math.expm1(-BLOCK_S / _SLOW_S)
        self._cooler += (disturbance.cooler_k - self._cooler) * -math.expm1(-BLOCK_S / _FAST_S)
        colder = disturbance.colder_k - self._colder
        self._colder += colder * -math.expm1(-BLOCK_S / _WALLS_S)
        still = base + self._warmer - self._colder
        self.temperature_c = still - self._cooler
        # Warming leaves the water in the air unchanged; air from outside brings its own.
        vapour = moist * saturation_pressure_pa(base)
        warmed = vapour / saturation_pressure_pa(still)
        outside = min(1.0, self._cooler / 4.0)
        humidity = warmed + outside * (_COOL_AIR_HUMIDITY - warmed)
        self.humidity = min(95.0, max(12.0, humidity))

    def advance(self, utc_ms: int, disturbance: Disturbance) -> None:
        """Moves the room by one block, to `utc_ms`."""
        rng = self._rng
        keep, humidity_keep = self._keep, self._humidity_keep
        self._noise = keep * self._noise + math.sqrt(1 - keep * keep) * rng.gauss(0, 1)
        self._humidity_noise = humidity_keep * self._humidity_noise + math.sqrt(
            1 - humidity_keep * humidity_keep
        ) * rng.gauss(0, 1)
        self._set(utc_ms, disturbance)
