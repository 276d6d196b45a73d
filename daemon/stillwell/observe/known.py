"""What observers know of each other: values, handed on in the order in which they take their turns.

An observer that `Tells` adds what it knows after its own turn, one that `Hears` is told before it
what those before it know."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol, TypeVar, runtime_checkable

from stillwell.estimate.answer import Estimate

ORDER = ("heater", "lamp", "gauge", "level", "salt", "cycle")
"""Whose turn comes when, by name: first the heater's watch, which judges the probes, for lamp and
level take nothing from a probe that is doubted; the level before the salt, which takes from it what
is missing to the mark. Those that are not named here come last."""


@dataclass(frozen=True, slots=True)
class Known:
    """What has been told so far."""

    doubted: frozenset[str] = frozenset()
    """The channels that are not believed."""
    missing: Estimate | None = None
    """The fresh water that is missing to the fill mark, mL; None where nobody can say."""


@runtime_checkable
class Tells(Protocol):
    """An ability of observers of whom others need to know something."""

    def tell(self, known: Known) -> Known:
        """Returns `known` with what this one has to add."""
        ...


@runtime_checkable
class Hears(Protocol):
    """An ability of observers that need to know something of others."""

    def hear(self, known: Known) -> None:
        """Takes what those before it know now."""
        ...


class _Named(Protocol):
    name: str


O = TypeVar("O", bound=_Named)  # noqa: E741


def in_order(observers: Iterable[O]) -> tuple[O, ...]:
    """Returns them as `ORDER` says."""
    return tuple(
        sorted(observers, key=lambda o: ORDER.index(o.name) if o.name in ORDER else len(ORDER))
    )
