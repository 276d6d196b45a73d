"""What a hand refractometer shows, and what the water is.

The instrument measures a refractive index and shows the salinity that has this index at the
temperature for which its scale was made. Adjusting it moves the whole scale. Instruments that say
"ATC" correct for the temperature with a bimetal, more or less well: for them the temperature is
that of the prism, and the remaining error is part of the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.water.seawater import SALTIEST, refractive_index

DRAWN_FOR_C = 20.0
"""The temperature for which a scale is usually made (common practice)."""
STANDARD_SALINITY = 35.0
"""The salinity of the fluid that is best for adjusting a refractometer for seawater (common
practice)."""
COLD_SAMPLE_WAIT_S = 45.0
"""How long a sample stays on the prism before it is read (common practice)."""


@dataclass(frozen=True, slots=True)
class Adjusted:
    """How the scale was set: with a fluid of this salinity, on a prism at this temperature, until
    it showed that salinity. Pure water has 0."""

    salinity: float = STANDARD_SALINITY
    prism_c: float = DRAWN_FOR_C
    drawn_for_c: float = DRAWN_FOR_C


def _per_salinity(t_c: float) -> float:
    return refractive_index(1.0, t_c) - refractive_index(0.0, t_c)


def shown(salinity: float, prism_c: float, adjusted: Adjusted) -> float:
    """Returns what the scale shows for a sample, without temperature compensation.

    Args:
        salinity: practical salinity of the sample.
        prism_c: temperature of prism and sample, 0 to 30 degC.
        adjusted: how the scale was set.
    """
    moved = refractive_index(adjusted.salinity, adjusted.prism_c) - refractive_index(
        adjusted.salinity, adjusted.drawn_for_c
    )
    index = refractive_index(salinity, prism_c) - moved
    zero = refractive_index(0.0, adjusted.drawn_for_c)
    return (index - zero) / _per_salinity(adjusted.drawn_for_c)


def salinity(read: float, prism_c: float, adjusted: Adjusted) -> float:
    """Returns the practical salinity of a sample for which the scale shows `read`, without
    temperature compensation: the inverse of `shown`. Raises ValueError outside 0 to 42."""
    # Both are straight lines in salinity.
    at_zero = shown(0.0, prism_c, adjusted)
    found = (read - at_zero) / (shown(1.0, prism_c, adjusted) - at_zero)
    if not -0.5 <= found <= SALTIEST + 1e-6:
        raise ValueError(
            f"A refractometer that shows {read:g} at {prism_c:g} °C would see water of salinity "
            f"{found:.1f}, outside 0 to 42. Wipe the prism, look again, and check how it was set."
        )
    return min(max(found, 0.0), SALTIEST)


@dataclass(frozen=True, slots=True)
class Calibration:
    """One look at the fluid before the scale was moved."""

    at_ms: int
    standard: float
    """Salinity of the fluid."""
    found: float
    """What the scale showed before it was moved."""

    @property
    def offset(self) -> float:
        """Returns by how much the scale showed too much."""
        return self.found - self.standard


def drift_per_day(calibrations: tuple[Calibration, ...]) -> float | None:
    """Returns by how much the scale drifts per day, or None before the second calibration.

    Each look finds how far the scale has moved since the one before, so the drift is the sum of all
    but the first offset over the time from the first look to the last.
    """
    ordered = sorted(calibrations, key=lambda c: c.at_ms)
    if len(ordered) < 2 or ordered[-1].at_ms == ordered[0].at_ms:
        return None
    days = (ordered[-1].at_ms - ordered[0].at_ms) / 86_400_000
    return sum(c.offset for c in ordered[1:]) / days
