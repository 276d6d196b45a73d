"""Observers that take their turns as in the pipeline, each with what those before it know, without
a store."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from stillwell.finding import Finding
from stillwell.observe.known import Hears, Known, Tells, in_order
from stillwell.observe.observing import Observer


def in_turn(
    observers: Sequence[Observer], known: Known, turn: Callable[[Observer], Iterable[Finding]]
) -> tuple[list[Finding], Known]:
    """Lets each take its turn; returns what they find, and what they know then."""
    found: list[Finding] = []
    for observer in in_order(observers):
        if isinstance(observer, Hears):
            observer.hear(known)
        found += turn(observer)
        if isinstance(observer, Tells):
            known = observer.tell(known)
    return found, known
