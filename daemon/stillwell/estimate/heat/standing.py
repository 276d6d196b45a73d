"""What stands of one probe's conditions of heat, and since when."""

from __future__ import annotations

from enum import StrEnum
from typing import Any


class Condition(StrEnum):
    """What can be wrong with heat, as the alarms are called."""

    NOT_HEATING = "heater.not-heating"
    STUCK_ON = "heater.stuck-on"
    TOO_WEAK = "heater.too-weak"
    SETTING_MOVED = "heater.setting-moved"
    TOO_WARM = "room.too-warm"


class Standing:
    """Times are seconds of the watch."""

    def __init__(self) -> None:
        self.since: dict[Condition, float] = {}
        """What stands, and since when."""
        self.changes = 0
        """Grows whenever what stands, or what is to be said of it, changes."""
        self._held_since: dict[str, float] = {}

    def __contains__(self, condition: Condition) -> bool:
        return condition in self.since

    def stand(self, condition: Condition, since_s: float) -> None:
        if condition not in self.since:
            self.since[condition] = since_s
            self.changes += 1

    def clear(self, condition: Condition) -> None:
        if self.since.pop(condition, None) is not None:
            self.changes += 1

    def lasts(self, name: str, holds: bool, t_s: float, long_s: float) -> bool:
        """Whether `holds` has been so for `long_s` by now. `name` tells one question from the
        others."""
        if not holds:
            self._held_since.pop(name, None)
            return False
        return t_s - self._held_since.setdefault(name, t_s) >= long_s

    def began_s(self, name: str) -> float:
        """Since when what `lasts` was asked about has been so."""
        return self._held_since[name]

    def cut(self) -> None:
        """The trace was cut: nothing has lasted until now."""
        self._held_since.clear()

    def to_json(self) -> dict[str, float]:
        return {str(name): since for name, since in self.since.items()}

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError or AttributeError for anything else."""
        self.since = {Condition(name): float(since) for name, since in kept.items()}
