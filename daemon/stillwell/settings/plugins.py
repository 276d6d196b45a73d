"""Finds drivers and sinks by their name in the configuration: entry points, loaded one by one,
never scanned."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from importlib.metadata import Distribution, EntryPoint, distributions, entry_points
from typing import Any, Literal

from pydantic import BaseModel

from stillwell.foreign import reason_of, within

Group = Literal["stillwell.drivers", "stillwell.sinks"]
GROUPS: tuple[Group, ...] = ("stillwell.drivers", "stillwell.sinks")

LOADS_WITHIN_S = 25.0
"""How long all plugins together may take to be imported and to check their settings, in seconds;
watching then begins without those that hang. On a small machine with a slow card a large package
takes seconds; nobody watches meanwhile."""


@dataclass(frozen=True, slots=True)
class Plugin:
    """A driver or sink class, or why it cannot be had."""

    name: str
    made: type[Any] | None
    """The class: a `ports.Driver` or `ports.Sink`."""
    broken: str = ""
    """Why the class cannot be used; empty when it can."""
    sealed: bool = False
    """Whether the service can use it, but the present user can't."""

    @property
    def settings(self) -> type[BaseModel] | None:
        return None if self.made is None else self.made.Settings


def registered(group: Group) -> dict[str, EntryPoint]:
    """Returns every registered name with its entry point; nothing is imported."""
    try:
        points = list(entry_points(group=group))
    except Exception:
        # Somebody's package has wrong metadata: the others are found all the same.
        points = [point for each in distributions() for point in _described(each, group)]
    return {point.name: point for point in points}


def _described(package: Distribution, group: Group) -> list[EntryPoint]:
    try:
        return [point for point in package.entry_points if point.group == group]
    except Exception:
        return []


def ours(points: Iterable[EntryPoint]) -> list[EntryPoint]:
    """Returns the entry points that come with stillwell itself."""
    return [point for point in points if point.dist is not None and point.dist.name == "stillwell"]


def load(point: EntryPoint, within_s: float = LOADS_WITHIN_S) -> Plugin:
    """Imports the class. Any failure, or an import that does not end, is kept as text: one bad
    driver must not stop the rest."""
    try:
        made = within(within_s, lambda: _with_settings(point))
    except Exception as error:
        return Plugin(
            point.name,
            None,
            f'"{point.name}" ({point.value}) cannot be loaded: {reason_of(error)}',
        )
    if made is None:
        broken = f'"{point.name}" ({point.value}) has no Settings model.'
        return Plugin(point.name, None, broken)
    return Plugin(point.name, made)


def _with_settings(point: EntryPoint) -> type[Any] | None:
    """Returns the class; None if it has no model of its settings."""
    made = point.load()
    settings = getattr(made, "Settings", None)
    well = isinstance(made, type) and isinstance(settings, type) and issubclass(settings, BaseModel)
    return made if well else None
