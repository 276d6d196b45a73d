"""An earlier conversion that is handed out again.

When a probe misses the command to convert, reading it returns the scratchpad as it was: a right CRC
and an old number. Only the driver can see that; the number alone looks like still water, for which
`flat_line` waits hours.
"""

from __future__ import annotations

from stillwell.quality.presence import unusable
from stillwell.reading import Flag


def stale_conversion(value: float | None, marked: bool) -> Flag:
    """Returns SUSPECT for a value that the driver marked as perhaps an earlier conversion, else
    PASS.

    A mark counts even if the number has changed: it may be a conversion made after the last reading
    that is still old now.
    """
    bad = unusable(value)
    if bad is not None:
        return bad
    return Flag.SUSPECT if marked else Flag.PASS
