"""One thing that was checked, and the result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Grade(StrEnum):
    WELL = "well"
    NOTE = "note"
    """Worth knowing; nothing has to be done before the daemon may run."""
    FIX = "fix"


@dataclass(frozen=True, slots=True)
class Point:
    """The result of one check.

    Args:
        part: recipient, config, daemon, store, clock, source, channel, level, alarm, sink or
            hardware.
        name: which of them, as the configuration names it.
        what: the result, in a sentence; `do`: what to do about it.
        facts: for programs; JSON-ready.
    """

    part: str
    name: str
    grade: Grade
    what: str
    do: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        return {
            "part": self.part,
            "name": self.name,
            "grade": self.grade.value,
            "what": self.what,
            "do": self.do,
            **self.facts,
        }
