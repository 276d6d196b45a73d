"""An absolute limit with deadband, on-delay and off-delay (ANSI/ISA-18.2-2016, alarm attributes).

A value *beyond* the limit is evidence for the alarm, a value *back* inside by the deadband is
evidence against it, and the strip between is neither. The delays are counted, not merely waited
for:

- time between two readings counts for the state that the later one shows;
- a reading in the strip takes its time off the count again, so that noise about the limit neither
  restarts a delay for ever nor completes it by two lucky readings an hour apart;
- a reading on the other side of the strip ends the count;
- a silence longer than `longest_step_ms` counts for only that long: a delay does not run while
  nothing is seen, and yet a probe that reads only now and then can complete one.

So a steady excursion is raised by the first reading that comes at least the on-delay after its
first reading. At least the off-delay lies between a raise and its return, and at least the
on-delay between a return and the next raise. A signal whose swing is smaller than the deadband
raises at most once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from stillwell.reading import Moment


class Side(StrEnum):
    LOW = "low"
    HIGH = "high"


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit. Values and deadband are in the unit of what is judged; times in ms."""

    side: Side
    at: float
    """The last value that is still in order."""
    deadband: float = 0.0
    on_delay_ms: int = 0
    off_delay_ms: int = 0
    longest_step_ms: int = 180_000
    """A longer time between two readings is a silence and counts for only this long."""

    def beyond(self, value: float) -> bool:
        return value < self.at if self.side is Side.LOW else value > self.at

    def back(self, value: float) -> bool:
        if self.side is Side.LOW:
            return value >= self.at + self.deadband
        return value <= self.at - self.deadband


@dataclass(frozen=True, slots=True)
class LimitState:
    """What is remembered between two readings."""

    active: bool = False
    since: Moment | None = None
    """When the excursion began: that of the alarm if it stands, else that of the evidence being
    counted."""
    turning: Moment | None = None
    """When the evidence for a change of `active` began; None while there is none."""
    counted_ms: int = 0
    last_ms: int = 0
    """Monotonic time of the last reading judged while `turning`."""

    @property
    def quiet(self) -> bool:
        """Whether the alarm is off and no delay is being counted, so that a value in order
        changes nothing."""
        return not self.active and self.turning is None


CLEAR = LimitState()
"""The alarm is off and no delay is being counted."""


def judge(limit: Limit, state: LimitState, value: float, now: Moment) -> LimitState:
    """Returns the state after one more finite value."""
    towards, against = limit.beyond(value), limit.back(value)
    if state.active:
        towards, against = against, towards
    if state.turning is None:
        if not towards:
            return state
        turning, counted = now, 0
    elif against:
        return _settled(state)
    else:
        step = min(now.mono_ms - state.last_ms, limit.longest_step_ms)
        turning, counted = state.turning, state.counted_ms + (step if towards else -step)
        if counted < 0:
            return _settled(state)
    since = state.since if state.active else turning
    delay = limit.off_delay_ms if state.active else limit.on_delay_ms
    if towards and counted >= delay:
        return LimitState(active=not state.active, since=None if state.active else since)
    return LimitState(state.active, since, turning, counted, now.mono_ms)


def _settled(state: LimitState) -> LimitState:
    """Returns the state with the count dropped; the alarm stays as it was."""
    if state.active:
        return replace(state, turning=None, counted_ms=0, last_ms=0)
    return CLEAR
