"""Suppression by design: an alarm that merely follows from another is kept quiet while that one
stands.

A relation is a pair (consequence, cause). A cause counts while its condition stands, whatever a
person has done about it, except when it is out of service: what nobody watches explains nothing.
Two rules keep suppression from hiding too much: a cause never hides anything more urgent than
itself, and relations never form a ring, so that every chain ends at an alarm that rings.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from stillwell.alarm.annunciate.state import URGENCY, AlarmState
from stillwell.notice import Priority, State

Relation = tuple[str, str]


class Relations:
    """The relations of a plan."""

    def __init__(self, pairs: Iterable[Relation] = ()) -> None:
        self._causes: dict[str, tuple[str, ...]] = {}
        self._consequences: dict[str, tuple[str, ...]] = {}
        for consequence, cause in pairs:
            self.add(consequence, cause)

    def add(self, consequence: str, cause: str) -> bool:
        """Adds a relation. Returns whether it is there now; it is not added if it would close a
        ring."""
        if cause in self._causes.get(consequence, ()):
            return True
        if cause == consequence or self._leads_to(cause, consequence):
            return False
        self._causes[consequence] = (*self._causes.get(consequence, ()), cause)
        self._consequences[cause] = (*self._consequences.get(cause, ()), consequence)
        return True

    def causes(self, alarm: str) -> tuple[str, ...]:
        return self._causes.get(alarm, ())

    def consequences(self, alarm: str) -> tuple[str, ...]:
        return self._consequences.get(alarm, ())

    def explained(
        self, alarm: str, priority: Priority, alarms: Mapping[str, AlarmState]
    ) -> str | None:
        """Returns the standing cause that keeps `alarm` quiet; None if the alarm must ring."""
        for cause in self._causes.get(alarm, ()):
            state = alarms.get(cause)
            if (
                state is not None
                and state.active
                and state.state is not State.OUT_OF_SERVICE
                and URGENCY[state.priority] >= URGENCY[priority]
            ):
                return cause
        return None

    def _leads_to(self, alarm: str, target: str) -> bool:
        """Whether `target` is a cause of `alarm`, directly or through other alarms."""
        seen: set[str] = set()
        waiting = [alarm]
        while waiting:
            at = waiting.pop()
            if at == target:
                return True
            if at not in seen:
                seen.add(at)
                waiting.extend(self._causes.get(at, ()))
        return False
