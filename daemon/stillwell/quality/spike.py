"""QARTOD spike test: a single value away from its neighbours."""

from __future__ import annotations

from stillwell.quality.presence import unusable
from stillwell.reading import Flag

COURSE = 5.0
"""A multiple of the suspect threshold: two values further apart than this are no course that may
continue, but a spike and the way back from it. Our own choice."""


def spike(
    value: float | None,
    previous: float | None,
    earlier: float | None,
    suspect: float,
    fail: float | None = None,
) -> Flag:
    """Judges the newest value at once, by its distance from what the two values before it lead one
    to expect: either of the two again, or their course going on.

    Either of the two, because then the first value after a spike passes (the one before the spike
    is near) and a step that stays is suspect once only (the second value of the new level is near
    the first). Their course, because a steady climb is no spike, however steep: by the manual too a
    value on the line between its neighbours has none. How fast is too fast is the rate's question.
    (One probe in a chamber of two litres beside a heater of 128 W climbs by 0.8 K a minute while
    the pump stands: power over heat capacity.)

    Args:
        value: the newest.
        previous: the one before it, None when there is none that is recent.
        earlier: the one before that.
        suspect: a distance above this is SUSPECT.
        fail: a distance above this is FAIL.

    Returns:
        NOT_EVALUATED while fewer than two values stand before it.
    """
    bad = unusable(value)
    if bad is not None:
        return bad
    assert value is not None
    if previous is None or earlier is None:
        return Flag.NOT_EVALUATED
    distance = min(abs(value - previous), abs(value - earlier))
    step = previous - earlier
    if abs(step) <= COURSE * suspect:
        distance = min(distance, abs(value - previous - step))
    if fail is not None and distance > fail:
        return Flag.FAIL
    return Flag.SUSPECT if distance > suspect else Flag.PASS
