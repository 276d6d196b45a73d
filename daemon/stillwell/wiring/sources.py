"""Makes the sources and the buses that they share."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from stillwell.acquire.bus import Bus
from stillwell.acquire.bus_name import bus_of, patience
from stillwell.acquire.source import Deliver, Source
from stillwell.ports import Clock, Driver, DriverError
from stillwell.settings import Settings
from stillwell.settings import Source as SourceSettings
from stillwell.wiring.plans.channels import quantities


def sources(settings: Settings) -> dict[str, list[Source]]:
    """Returns the sources, by the bus that they share."""
    by_bus: dict[str, list[Source]] = {}
    measured, waits = quantities(settings), patience()
    for source in settings.source.values():
        ask = None if source.made is None else partial(source.made.bus, source.settings)
        bus, broken = bus_of(source.name, source.driver, ask, waits)
        made = Source(
            name=source.name,
            driver=source.driver,
            make=_maker(source, broken or source.broken),
            channels=source.channels,
            shares=frozenset(c for c in source.channels if measured[c].is_share),
            every_s=source.every,
            look_s=source.look,
            deadline_s=source.deadline,
        )
        by_bus.setdefault(bus, []).append(made)
    return by_bus


def _maker(source: SourceSettings, broken: str) -> Callable[[], Driver]:
    def make() -> Driver:
        if source.made is None or broken:
            raise DriverError(broken, "Mend or install what it names, then restart stillwell.")
        driver: Driver = source.made(source.settings)
        return driver

    return make


def buses(settings: Settings, clock: Clock, deliver: Deliver) -> list[Bus]:
    """Returns a thread for each bus, not yet started."""
    return [Bus(name, on_it, clock, deliver) for name, on_it in sources(settings).items()]
