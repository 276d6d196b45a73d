"""Drivers and sinks by the name in the configuration: entry points, loaded one by one, never
scanned."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any, Literal

from pydantic import BaseModel

Group = Literal["stillwell.drivers", "stillwell.sinks"]
GROUPS: tuple[Group, ...] = ("stillwell.drivers", "stillwell.sinks")


@dataclass(frozen=True, slots=True)
class Plugin:
    """A driver or sink class, or why it cannot be had."""

    name: str
    made: type[Any] | None
    """The class: a `ports.Driver` or `ports.Sink`."""
    broken: str = ""
    """Why the class cannot be used; empty when it can."""
    sealed: bool = False
    """Whether it can be used by the service, and only not by who runs this."""

    @property
    def settings(self) -> type[BaseModel] | None:
        return None if self.made is None else self.made.Settings


def registered(group: Group) -> dict[str, EntryPoint]:
    """Returns every registered name with its entry point; nothing is imported."""
    return {point.name: point for point in entry_points(group=group)}


def ours(points: Iterable[EntryPoint]) -> list[EntryPoint]:
    """Returns those that come with stillwell itself."""
    return [point for point in points if point.dist is not None and point.dist.name == "stillwell"]


def load(point: EntryPoint) -> Plugin:
    """Imports the class. Whatever goes wrong there is kept as text: one bad driver must not stop
    the rest."""
    try:
        made = point.load()
    except Exception as error:
        reason = f"{type(error).__name__}: {error}".rstrip(": ")
        return Plugin(
            point.name, None, f'"{point.name}" ({point.value}) cannot be loaded: {reason}'
        )
    settings = getattr(made, "Settings", None)
    if not (
        isinstance(made, type) and isinstance(settings, type) and issubclass(settings, BaseModel)
    ):
        broken = f'"{point.name}" ({point.value}) has no Settings model.'
        return Plugin(point.name, None, broken)
    return Plugin(point.name, made)
