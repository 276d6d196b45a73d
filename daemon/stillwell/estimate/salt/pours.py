"""Whether what is noted as fresh water was salt water, judged by the checks.

A keeper who takes the wrong can takes it every time. So there is one course by the book, and one
more for each of the last checks, in which all that was noted as fresh since then carried the tank's
own salinity. Each course has a weight from its likelihood and its rarity. The balance is all of
them together, as one normal distribution of their mean and covariance (moment matching, as in Blom
& Bar-Shalom, IEEE Trans. Autom. Control 33 (1988) 780; from memory). A filter with one course alone
would take half of such a rise for errors of the refractometer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, log

from stillwell.estimate.gaussian import merged
from stillwell.estimate.salt.balance import (
    Course,
    SaltState,
    advanced,
    surprise,
    updated,
    water_of,
    with_water,
)
from stillwell.estimate.salt.told import Check, Event, TopUp

CHECKS = 6
"""How many checks back the wrong can may first have been taken (our own choice)."""
ODDS = 0.02
"""The probability that it was, from one check to the next: our own judgement, as in
`observe.salt.alarms`."""


@dataclass(frozen=True, slots=True)
class _Salted:
    """The balance if all that was noted as fresh water since a check was salt water."""

    since_ms: int
    state: SaltState
    led: float = 0.0
    """Log likelihood ratio of the checks since then, compared with the book's own course."""


class Courses:
    """Follows the balance from event to event, in order, along all courses."""

    def __init__(self, start: SaltState) -> None:
        self.book = start
        """The balance if everything is as it was noted."""
        self._salted: list[_Salted] = []

    def tell(self, event: Event) -> None:
        """Takes the next event."""
        salted = self._salted
        if isinstance(event, Check):
            fits = _fits(self.book, event)
            salted = [replace(c, led=c.led + _fits(c.state, event) - fits) for c in salted]
        self.book = updated(self.book, event)
        self._salted = [_goes_on(c, event) for c in salted]
        if isinstance(event, Check):
            self._salted = [*self._salted[1 - CHECKS :], _Salted(event.t_ms, self.book)]

    @property
    def state(self) -> SaltState:
        """Returns the balance after the last event: the book's course and those with salt water
        in the can, each with its weight (`SaltState.courses`)."""
        return _together(self.book, self._salted)


def _goes_on(course: _Salted, event: Event) -> _Salted:
    if isinstance(event, TopUp) and event.salinity <= 0:
        salinity = advanced(course.state, event.t_ms).salinity
        event = replace(event, salinity=salinity)
    return replace(course, state=updated(course.state, event))


def _fits(state: SaltState, check: Check) -> float:
    """Returns the log likelihood of a check, up to a constant."""
    above, sd = surprise(state, check)
    return -0.5 * (above / sd) ** 2 - log(sd)


def _together(book: SaltState, courses: Sequence[_Salted]) -> SaltState:
    """Returns one state of all courses. The newest course has met no check and does not count
    yet."""
    tried = courses[:-1]
    if not tried:
        return book
    weights = [1.0, *(ODDS * exp(min(50.0, c.led)) for c in tried)]
    total = sum(weights)
    shares = [weight / total for weight in weights]
    states = [book, *(c.state for c in tried)]
    since = [None, *(c.since_ms for c in tried)]
    told = zip(shares, states, since, strict=True)
    ways = tuple(Course(share, state, ms) for share, state, ms in told)
    return with_water(replace(book, courses=ways), merged([*map(water_of, states)], shares))
