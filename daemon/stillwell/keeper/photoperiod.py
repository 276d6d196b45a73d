"""How long the lamp was on: measured hours against wanted ones."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from stillwell.entry import Entry
from stillwell.estimate.lamplight import LitHours, NotSeen
from stillwell.journal import Kind, standing

USUAL_H = 10.0
"""Hours of light per day where nothing else is known (common practice)."""
OFF_BY_H = 0.5
"""A difference of up to this many hours counts as none (our own choice)."""
GENTLE_MIN = 30
"""The largest change of the hours per day, in minutes (common practice)."""
DO = (
    f"Look at its timer; change the hours by no more than {GENTLE_MIN} min a day. Dry hands on "
    "plugs."
)
_CELL_H = 10 / 60
_LEAST_SEEN = 0.9
"""The least share of a day that must have been seen to tell its hours (our own choice)."""


@dataclass(frozen=True, slots=True)
class Light:
    """What is known of the lamp's hours."""

    wanted_h: float
    known: bool = False
    """Whether settings or journal mention a lamp."""
    yesterday_h: float | None = None
    """Yesterday's hours by its switch; None: it has none, or it was not seen for long enough."""
    by_warmth: LitHours | NotSeen | None = None
    """Hours by the water's temperature, over some days; None: not asked."""

    @property
    def off_h(self) -> float:
        """Returns by how much yesterday was longer than wanted, h; 0 where that is unknown or close
        enough."""
        if self.yesterday_h is None or abs(self.yesterday_h - self.wanted_h) <= OFF_BY_H:
            return 0.0
        return self.yesterday_h - self.wanted_h


UNKNOWN = Light(USUAL_H)
"""Nothing is known of any lamp."""


def wanted(entries: Iterable[Entry], planned_h: float | None) -> Light:
    """Returns the hours per day that the lamp should be on: as last noted, else as in the settings,
    else ten."""
    noted = [e.value for e in standing(entries) if e.kind == Kind.LAMP_HOURS]
    if noted and noted[-1] is not None:
        return Light(noted[-1] / 3600, known=True)
    return UNKNOWN if planned_h is None else Light(planned_h, known=True)


def kept_hours(shares: Iterable[float | None]) -> float | None:
    """Returns how long the lamp was on in a day, from its switch; None when less than nine tenths
    of the day were seen.

    Args:
        shares: for each ten minutes of the day, the share during which it was on; None or left out:
            not seen.
    """
    seen = [share for share in shares if share is not None]
    return sum(seen) * _CELL_H if len(seen) * _CELL_H >= _LEAST_SEEN * 24.0 else None


def words(light: Light) -> str:
    """Returns a sentence about the light; empty where nothing is known of a lamp."""
    hours = f"{light.wanted_h:g} h wanted"
    if light.yesterday_h is not None:
        said = f"Lamp: {light.yesterday_h:.1f} h yesterday"
        off = light.off_h
        if not off:
            return f"{said}, as wanted."
        return f"{said}, {abs(off):.1f} h {'more' if off > 0 else 'less'} than the {hours}. {DO}"
    match light.by_warmth:
        case LitHours(value, low, high):
            said = (
                f"Lamp: about {value:.1f} h a day ({low:.1f} to {high:.1f}), by the water's warmth "
                f"over {light.by_warmth.days:.0f} days"
            )
            if low - OFF_BY_H <= light.wanted_h <= high + OFF_BY_H:
                return f"{said}; {hours}."
            way = "more" if value > light.wanted_h else "less"
            return f"{said}, {way} than the {hours}. {DO}"
        case NotSeen(reason) if light.known:
            return f"Lamp: no switch of it is watched, and {reason}"
    return ""
