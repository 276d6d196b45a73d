"""The value that a sensor holds after power-up, before its first conversion.

A DS18B20 wakes with 85 °C in its scratchpad (Maxim DS18B20 data sheet, "Operation: Measuring
Temperature"). The CRC of that frame is right. A driver that sees the whole frame can recognise it
by its bytes; this test has only the number, and the probe's last good value.
"""

from __future__ import annotations

from stillwell.quality.presence import unusable
from stillwell.reading import Flag

POWER_ON_C = 85.0
NEAR_K = 2.0
"""A probe whose last good value was within this of 85 °C may really read 85 °C now."""


def power_on(value: float | None, good: float | None) -> Flag:
    """Judges whether a temperature of exactly 85 °C was measured.

    Args:
        value: the newest, degC.
        good: the last value of this probe that passed, however long ago; None when there is none.

    Returns:
        FAIL for 85.0 from a probe that was elsewhere, SUSPECT for 85.0 as the first word of a
        probe, PASS for anything else and for a probe that really is so hot. Something that heats up
        through 85 °C loses at most the one reading that hits it exactly.
    """
    bad = unusable(value)
    if bad is not None:
        return bad
    if value != POWER_ON_C:
        return Flag.PASS
    if good is None:
        return Flag.SUSPECT
    return Flag.PASS if abs(POWER_ON_C - good) <= NEAR_K else Flag.FAIL
