"""Values that are possible and most likely a mistake: they are asked about, and are no reason not
to watch."""

from __future__ import annotations

from collections.abc import Iterator

from stillwell.settings.faults import Fault
from stillwell.settings.layers import Layers
from stillwell.settings.schema.channels import FloatChannel
from stillwell.settings.schema.frame import Frame
from stillwell.settings.zones import city_instead
from stillwell.units import Dimension, System, show

USUAL_ML = (5_000.0, 2_000_000.0)
"""The usual tank: from a bowl to the largest that still stands in a living room (our own
choice)."""
FURTHEST_MM = 500.0
"""A float further from the fill mark than this is in no return chamber (our own choice)."""


def asked_about(frame: Frame, layers: Layers) -> Iterator[Fault]:
    """Yields a question for each value that is most likely not what was meant."""
    tank = frame.tank
    if not USUAL_ML[0] <= tank.volume <= USUAL_ML[1]:
        volume, low, high = (
            show(ml, Dimension.VOLUME, tank.units) for ml in (tank.volume, *USUAL_ML)
        )
        what = f"A tank of {volume} is unusual (usual is {low} to {high}). Is it right?"
        do = "If not, put the number or its unit right; if it is, leave it."
        yield layers.fault(("tank", "volume"), what, do)
    city = city_instead(tank.zone)
    if city:
        what = (
            f"The zone {tank.zone} has no summer time: where clocks change, every time of day "
            "would be an hour off for half of the year."
        )
        do = f'Write continent and city: zone = "{city}". If clocks never change there, leave it.'
        yield layers.fault(("tank", "zone"), what, do)
    yield from _floats(frame, layers)


def _floats(frame: Frame, layers: Layers) -> Iterator[Fault]:
    chamber = frame.tank.chamber
    lowest = None if chamber is None else chamber.lowest_safe
    highest = None if chamber is None else chamber.highest_safe

    def mm(level: float) -> str:
        units = frame.tank.units
        return show(level, Dimension.LENGTH, units, None if units == System.US else 0)

    for name, channel in frame.channel.items():
        height = channel.height if isinstance(channel, FloatChannel) else None
        if height is None:
            continue
        if lowest is not None and height < lowest:
            where = f"below {mm(lowest)}, where the pump draws air: it tells of it too late"
        elif highest is not None and height > highest:
            where = f"above {mm(highest)}, where the chamber overflows: it tells of it too late"
        elif abs(height) > FURTHEST_MM:
            where = "further from the fill mark than a return chamber is high"
        else:
            continue
        what = f"The float closes at {mm(height)}, {where}. Is it right?"
        do = 'Its height is told from the fill mark, negative below it: height = "-12 mm".'
        yield layers.fault(("channel", name, "height"), what, do)
