"""What observers know of each other: values, handed on in the order in which they run.

An observer that `Tells` adds what it knows after its own turn. One that `Hears` is given, before
its turn, what the earlier ones know."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol, TypeVar, runtime_checkable

from stillwell.estimate.answer import Estimate
from stillwell.reading import Moment

ORDER = ("flow", "heat", "gauge", "level", "salt", "cycle")
"""The order of the observers, by name. Whether the pump runs is known first: it decides what probes
and chamber mean. Then that of heat judges the probes, because the level takes nothing from a
doubted one. The level comes before the salt, which takes from it how much is missing to the mark.
Observers not named here come last."""


@dataclass(frozen=True, slots=True)
class Flow:
    """How the return pump runs, by the chamber."""

    since: Moment | None = None
    """Since when the chamber is up, or may be."""
    rests: bool = False
    """Whether it may rest, as while animals are fed or water is changed."""
    usual: bool = True
    """Whether the chamber stands as it usually does."""
    stopped: bool = False
    ended: tuple[Moment, Moment] | None = None
    """A stop or a pause that has ended since the last turn."""


@dataclass(frozen=True, slots=True)
class Known:
    """What the observers have handed on so far."""

    doubted: frozenset[str] = frozenset()
    """The channels that are not believed."""
    flow: Flow = Flow()
    mains_lost: bool = False
    """Whether pump and heater have stopped together, by the water's heat."""
    no_flow: bool = False
    """Whether the pump has stopped, by the chamber or with the mains."""
    missing: Estimate | None = None
    """The fresh water that is missing to the fill mark, mL; None where it is not known."""


@runtime_checkable
class Tells(Protocol):
    """The ability of an observer to hand on what others need to know."""

    def tell(self, known: Known) -> Known:
        """Returns `known` with what this observer adds."""
        ...


@runtime_checkable
class Hears(Protocol):
    """The ability of an observer to take what others know."""

    def hear(self, known: Known) -> None:
        """Takes what the observers before this one know now."""
        ...


class _Named(Protocol):
    name: str


O = TypeVar("O", bound=_Named)  # noqa: E741


def in_order(observers: Iterable[O]) -> tuple[O, ...]:
    """Returns the observers in the order of `ORDER`."""
    return tuple(
        sorted(observers, key=lambda o: ORDER.index(o.name) if o.name in ORDER else len(ORDER))
    )
