"""What observers know of each other: values, handed on in the order in which they run.

An observer that `Tells` adds what it knows after its own turn. One that `Hears` is given, before
its turn, what the earlier ones know."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol, TypeVar, runtime_checkable

from stillwell.estimate.answer import Estimate

ORDER = ("heat", "gauge", "level", "salt", "cycle")
"""The order of the observers, by name. That of heat comes first, because it judges the probes,
and the level takes nothing from a doubted probe. The level comes before the salt,
which takes from it how much is missing to the mark. Observers not named here come last."""


@dataclass(frozen=True, slots=True)
class Known:
    """What the observers have handed on so far."""

    doubted: frozenset[str] = frozenset()
    """The channels that are not believed."""
    no_flow: bool = False
    """Whether the pump has stopped, by the water's heat."""
    risen: bool = False
    """Whether the chamber is up because the pump has stopped, by its own level or by the heat."""
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
