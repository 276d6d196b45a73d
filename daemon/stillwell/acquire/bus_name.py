"""Which bus a source is on, as its driver says."""

from __future__ import annotations

from collections.abc import Callable

from stillwell.foreign import Patience, a, plain, reason_of, within

BUSES_NAMED_WITHIN_S = 5.0
"""How long all drivers together may take to name their buses, in seconds; watching then begins
without those that hang."""


def patience() -> Patience:
    """Returns the waiting time that all drivers of one start share."""
    return Patience(BUSES_NAMED_WITHIN_S)


def bus_of(
    source: str, driver: str, ask: Callable[[], object] | None, waits: Patience
) -> tuple[str, str]:
    """Returns the bus of a source, and why its driver can't name one; empty where it can. A driver
    that can't must not be read, since others may use the same wire; it gets a bus of its own, on
    which it is reported as down.

    Args:
        ask: asks the driver for its bus; None where there is no driver.
    """
    of_its_own, who = f"none:{source}", f"The driver {driver} of {source}"
    if ask is None:
        return of_its_own, ""
    try:
        with waits.share() as seconds:
            name = within(seconds, ask)
    except Exception as error:
        return of_its_own, f"{who} can't name its bus: {reason_of(error)}."
    if plain(name):
        return plain(name), ""
    return of_its_own, f"{who} returned {a(name)} as the name of its bus."
