"""Asks every registered driver what there is to read on this machine."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint
from itertools import islice
from typing import Any

from stillwell.foreign import is_a, plain, reason_of, within
from stillwell.ports import Candidate, DriverError, FindsSensors
from stillwell.settings import plugins

FIND_WITHIN_S = 10.0
LISTEN_WITHIN_S = 30.0
MOST = 200
"""More candidates of one driver than this nobody looks through."""


@dataclass(frozen=True, slots=True)
class Found:
    """What one driver found, or why it found nothing."""

    driver: str
    made: type[Any]
    candidates: tuple[Candidate, ...] = ()
    what: str = ""
    do: str = ""
    at_fault: bool = False
    """Whether it is the driver that fails, and not a sensor that is missing."""


def found(points: Mapping[str, EntryPoint] | None = None) -> Iterator[Found]:
    """Yields an answer for each driver that can be asked. A driver that cannot be imported is left
    out; one that fails or hangs says so.

    Args:
        points: the drivers to ask; all that are registered without it.
    """
    asked = plugins.registered("stillwell.drivers") if points is None else points
    for name, point in asked.items():
        made = plugins.load(point).made
        if made is None or not isinstance(made, FindsSensors):
            continue
        yield answer(name, made, made.find, FIND_WITHIN_S)


def answer(
    driver: str, made: type[Any], ask: Callable[[], Iterable[Candidate]], within_s: float
) -> Found:
    """Returns what a call into a driver found."""
    try:
        candidates = within(within_s, lambda: list(islice(ask(), MOST)))
    except DriverError as error:
        return Found(driver, made, (), plain(error.what), plain(error.do))
    except Exception as error:
        what = f"The driver {driver} cannot say what there is to read: {reason_of(error)}."
        return Found(driver, made, (), what, at_fault=True)
    good = tuple(each for each in candidates if is_a(each, Candidate))
    if len(good) < len(candidates):
        what = f"The driver {driver} found what is no sensor."
        return Found(driver, made, good, what, at_fault=True)
    return Found(driver, made, good)
