"""Sensor trouble: silent, at fault, stuck. It is about the sensor, never about the water.

- *silent*: nothing arrives, or only "nothing there";
- *fault*: the sensor answers, but with nothing that can be used (CRC, power-on value, out of
  range);
- *stuck*: usable values that have not moved for longer than water can keep still (the flat line
  test).

When the gap has passed without a good reading, the channel is silent or at fault, depending on
whether the last thing that came was an answer. It keeps that kind until it is over, so that one
trouble is one alarm. It is over when good readings have come for as long as the gap, none
further apart than the gap, so that a loose plug is one alarm and not twenty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum, StrEnum

from stillwell.notice import Facts
from stillwell.reading import Flag, Moment, Quantity, Reading


class Worth(Enum):
    """What a reading is worth to the watch."""

    GOOD = "good"
    """The reading may move bands."""
    FLAT = "flat"
    """The reading is in order but has not changed for too long: it moves nothing."""
    BAD = "bad"
    """The sensor answered, but the answer cannot be used."""
    NOTHING = "nothing"
    """The sensor did not answer."""


_FLAT_TESTS = frozenset({"flat-line"})
_DOUBTED_TESTS = frozenset({"spike", "stale", "power-on"})
"""Tests that make a suspect reading unusable. Other suspect readings, beyond the suspect range
or moving fast, may be the very thing to warn of."""

_NO_ANSWER_TESTS = frozenset({"gone", "silent", "driver", "gap", "missing", ""})
_IN_ORDER = (Flag.PASS, Flag.NOT_EVALUATED)


def worth(reading: Reading) -> Worth:
    """Returns what `reading` is worth.

    FAIL and MISSING never count, nor does a suspected spike or stale conversion; a value that is
    suspect because it is extreme or fast does count.
    """
    value = reading.value
    if value is not None and not reading.tests and reading.flag in _IN_ORDER:
        return Worth.GOOD if math.isfinite(value) else Worth.BAD
    tests = frozenset(reading.tests.split(","))
    if value is None or reading.flag == Flag.MISSING:
        return Worth.NOTHING if tests <= _NO_ANSWER_TESTS else Worth.BAD
    if not math.isfinite(value):
        return Worth.BAD
    if tests & _DOUBTED_TESTS or (reading.flag == Flag.FAIL and not tests <= _FLAT_TESTS):
        return Worth.BAD
    return Worth.FLAT if tests & _FLAT_TESTS else Worth.GOOD


class Kind(StrEnum):
    SILENT = "silent"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Trouble:
    """Whether a channel is in trouble, of which kind, and since when."""

    kind: Kind | None = None
    since: Moment | None = None
    mending_ms: int | None = None
    """Monotonic time of the first of the good readings that have come without a gap since."""


NONE = Trouble()
"""No trouble."""


def watch_over(
    trouble: Trouble,
    good: Moment | None,
    answered_ms: int | None,
    started: Moment,
    gap_ms: int,
    now: Moment,
    deaf_ms: int = 0,
) -> Trouble:
    """Returns the trouble of a channel now.

    Args:
        good: when the last good reading came; None before the first.
        answered_ms: monotonic time of the last unusable answer.
        started: when watching began: the gap runs from there until the first good reading.
        gap_ms: the longest time without a good reading that is in order.
        deaf_ms: how long nobody listened since the last good reading, between two runs.
    """
    seen = started if good is None else good
    blind = now.mono_ms - seen.mono_ms - deaf_ms >= gap_ms
    if trouble.kind is None:
        if not blind:
            return trouble
        answers = answered_ms is not None and answered_ms >= seen.mono_ms
        return Trouble(Kind.FAULT if answers else Kind.SILENT, since=seen)
    if good is None or blind:
        return trouble if trouble.mending_ms is None else replace(trouble, mending_ms=None)
    if trouble.mending_ms is None:
        return replace(trouble, mending_ms=good.mono_ms)
    return NONE if now.mono_ms - trouble.mending_ms >= gap_ms else trouble


@dataclass(frozen=True, slots=True)
class ChannelWatch:
    """What the watch must know of a channel.

    `resolution` is the step of its sensor in the unit of its values; None takes the usual one of
    its quantity.
    """

    name: str
    source: str
    quantity: Quantity
    gap_s: float
    label: str = ""
    resolution: float | None = None

    @property
    def called(self) -> str:
        """Returns what people call it."""
        return self.label or self.name

    @property
    def step(self) -> float:
        return _STEP.get(self.quantity, 0.0) if self.resolution is None else self.resolution


_STEP = {Quantity.TEMPERATURE: 1 / 16, Quantity.HUMIDITY: 0.1, Quantity.LEVEL: 0.1}
"""1/16 K: DS18B20 datasheet, 12 bits. The others: common practice."""


@dataclass(frozen=True, slots=True)
class NotRead(Facts):
    """A channel is silent or at fault."""

    called: str
    kind: Kind
    tests: str
    """The tests that its answers have failed."""
    others: bool
    """Whether another channel still shows the same."""


@dataclass(frozen=True, slots=True)
class Reads(Facts):
    """A channel reads again."""

    called: str


@dataclass(frozen=True, slots=True)
class Stuck(Facts):
    """A channel repeats one value."""

    called: str
    quantity: Quantity
    value: float | None


@dataclass(frozen=True, slots=True)
class Moves(Facts):
    """A channel that was stuck moves again."""

    called: str
