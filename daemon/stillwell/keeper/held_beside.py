"""What a thermometer held beside a probe tells about the probe's offset. Pure; changes no setting.

The errors count as independent and normal, and each limit as two standard deviations:

- the thermometer's error: half a kelvin for one that nobody has checked (common practice). Crushed
  ice of pure water, drained and packed with no gaps, is at 0.00 °C (ASTM E563, Standard Practice
  for Preparation and Use of an Ice-Point Bath as a Reference Temperature; MSL Technical Guide 1,
  The Ice Point, 2019: equilibrium of ice with air-saturated water): what it shows there is its
  error there;
- the difference between the water at the two: 0.1 K in the pump's stream (our own choice);
- the probe's change meanwhile: half of the span of its readings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

THERMOMETER_K = 0.5
STIRRED_K = 0.1
PROBE_K = 0.5
"""The largest error of a DS18B20 from -10 to +85 °C, K (its data sheet, "Thermometer Error")."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """The offset that one probe should have, K: best value and 95 % interval."""

    channel: str
    offset_k: float
    low_k: float
    high_k: float
    now_k: float = 0.0
    """The offset that it has now."""

    @property
    def reads_k(self) -> float:
        """By how much its present readings are above the thermometer, K."""
        return self.now_k - self.offset_k

    @property
    def sure(self) -> bool:
        """Whether the offset that it has now lies outside the interval."""
        return not self.low_k <= self.now_k <= self.high_k


def proposed(
    channel: str,
    thermometer_c: float,
    said: Sequence[float],
    now_k: float = 0.0,
    within_k: float = THERMOMETER_K,
) -> Proposal:
    """Returns the offset that would make the probe agree with the thermometer, rounded to a
    hundredth of a kelvin.

    Args:
        thermometer_c: what the thermometer showed, °C.
        said: what the probe itself reported around then, without an offset; at least one.
        now_k: the offset that it has now.
        within_k: the largest error of the thermometer.
    """
    strayed = (max(said) - min(said)) / 2
    half = math.hypot(within_k, STIRRED_K, strayed)
    offset = thermometer_c - median(said)
    return Proposal(channel, round(offset, 2), offset - half, offset + half, now_k)
