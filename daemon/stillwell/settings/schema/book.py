"""``[night]`` and ``[book]``: the hours under review, and the keeper's work."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from annotated_types import Ge, Gt, Lt
from pydantic import Field

from stillwell.settings.schema.values import Part, Salinity, TimeOfDay
from stillwell.units import Ratio, Seconds


class Night(Part):
    """The hours that the morning's review is about."""

    from_: TimeOfDay = Field(default=dt.time(22), alias="from")
    to: TimeOfDay = dt.time(8)
    review_at: TimeOfDay = dt.time(8, 5)


class Book(Part):
    """The keeper's work: between which limits, how often, when to be reminded. Defaults are common
    practice."""

    salinity: tuple[Annotated[Salinity, Gt(0)], Annotated[Salinity, Lt(42)]] = (34.0, 36.0)
    """Between these it is well; the middle is the target."""
    remind: bool = True
    """Whether reminders go out as notices; `stillwell today` shows them in any case."""
    remind_at: TimeOfDay = dt.time(9)
    """At what time of day something becomes due."""
    water_change: Annotated[Ratio, Gt(0), Lt(1)] = 0.15
    """The part of the tank's water that is changed."""
    water_change_every: Annotated[Seconds, Ge(86_400)] = 7.0 * 86_400
    measure_salinity_every: Annotated[Seconds, Ge(86_400)] = 7.0 * 86_400
    calibrate_refractometer_every: Annotated[Seconds, Ge(86_400)] = 30.0 * 86_400
