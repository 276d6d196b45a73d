"""Which of the probes that see the same water is likelier wrong?

This is QARTOD's neighbour test, between channels of one tank, on the means of their stretches (see
`rate`). With three or more, the one that stands alone is likelier wrong. With two, values alone
can't say, so each channel is compared with its own habits: whether it left the other faster than
water can change, has become noisier than it used to be, or does not move although it used to. Where
none of that shows, the answer is "unknown", not a guess: a probe that moves while the other does
not may be the only one that still sees the water.

The alarm decides how long they must be apart before anybody is told.

The numbers are choices of ours: QARTOD leaves those of this test to the operator (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from statistics import median
from typing import NamedTuple

from stillwell.reading import Flag

_UNREST_WEIGHT = 0.05  # weight of the newest step: remembers about twenty steps
_USUAL_WEIGHT = 0.005  # weight of the newest step: remembers about two hundred steps
_HABIT_STEPS = 20
"""How many steps must be seen before the habits of a channel count as known."""
_NOISIER = 3.0
_TOO_STILL = 20.0
"""A channel counts as still after this many times its usual wait between moves."""


class Seen(NamedTuple):
    """A value of one channel that passed its own tests, and its monotonic time."""

    value: float
    mono_ms: int


@dataclass(frozen=True, slots=True)
class Terms:
    """What counts as agreement, in the unit of the channels."""

    within: float
    """Values agree when their range is at most this."""
    max_age_s: float
    """A value of a channel that is older than this is not compared."""
    fastest_per_s: float | None = None
    """The fastest that the water itself can change; None where it is not known."""


@dataclass(frozen=True, slots=True)
class Habit:
    """How much a channel moves from one value to the next."""

    unrest: float = 0.0
    """Mean size of its last steps."""
    usual: float = 0.0
    """Mean size of its steps while it agreed with the others."""
    wait: float = 0.0
    """Mean number of steps from one move to the next while it agreed with the others; 0 where it
    was never seen to move."""
    steps: int = 0
    """How many steps `usual` has been learned from."""
    idle: int = 0
    """How many steps ago it last moved."""


@dataclass(frozen=True, slots=True)
class Company:
    """All that is remembered of the channels of one agreement. Its size is bounded by their
    number."""

    latest: Mapping[str, Seen] = field(default_factory=dict)
    agreed: Mapping[str, Seen] = field(default_factory=dict)
    """Each channel's value when they were last found to agree."""
    habits: Mapping[str, Habit] = field(default_factory=dict)
    odd: str = ""
    """The channel that was found likelier wrong at some time since they have been apart."""
    because: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """How the channels compare now."""

    flag: Flag
    """PASS: they agree. SUSPECT: they are apart. NOT_EVALUATED: fewer than two have a recent
    value."""
    spread: float = 0.0
    """The highest value less the lowest."""
    odd: str = ""
    """The channel that is likelier wrong; empty when that can't be said."""
    because: str = ""
    """The reason for it: "stands alone", "moved faster than the water can", "has become noisy",
    "stands still"."""

    @property
    def apart(self) -> bool:
        return self.flag is Flag.SUSPECT


def seen(
    company: Company, terms: Terms, channel: str, value: float, mono_ms: int
) -> tuple[Company, Verdict]:
    """Takes a new healthy value of one channel and returns the new memory and the verdict.

    Args:
        company: as returned last; `Company()` at the start.
        terms: what counts as agreement.
        channel: the channel that the value is of.
        value: finite, and passed by the channel's own tests.
        mono_ms: its monotonic time.
    """
    latest = {**company.latest, channel: Seen(value, mono_ms)}
    habits = {**company.habits, channel: _stepped(company, terms, channel, value)}
    company = replace(company, latest=latest, habits=habits)
    verdict = agreement(company, terms, mono_ms)
    if verdict.flag is Flag.PASS:
        fresh = _fresh(latest, terms, mono_ms)
        company = replace(company, agreed={**company.agreed, **fresh}, odd="", because="")
    elif verdict.apart:
        company = replace(company, odd=verdict.odd, because=verdict.because)
    return company, verdict


def agreement(company: Company, terms: Terms, now_ms: int) -> Verdict:
    """Judges the channels as they stand at `now_ms`, a monotonic time."""
    fresh = _fresh(company.latest, terms, now_ms)
    if len(fresh) < 2:
        return Verdict(Flag.NOT_EVALUATED)
    values = {name: one.value for name, one in fresh.items()}
    spread = max(values.values()) - min(values.values())
    if spread <= terms.within:
        return Verdict(Flag.PASS, spread)
    if len(values) > 2:
        odd, because = _stands_alone(values, terms.within), "stands alone"
    elif company.odd in values:
        # What showed which one is wrong when they parted fades with time; what was known then stays
        # true.
        odd, because = company.odd, company.because
    else:
        odd, because = _out_of_habit(company, terms, fresh)
    return Verdict(Flag.SUSPECT, spread, odd, because if odd else "")


def _fresh(latest: Mapping[str, Seen], terms: Terms, now_ms: int) -> dict[str, Seen]:
    oldest_ms = now_ms - terms.max_age_s * 1000
    return {name: one for name, one in latest.items() if one.mono_ms >= oldest_ms}


def _stepped(company: Company, terms: Terms, channel: str, value: float) -> Habit:
    """Returns the channel's habit after one more step. `usual` learns only in agreement."""
    before = company.latest.get(channel)
    habit = company.habits.get(channel, Habit())
    if before is None:
        return habit
    step = abs(value - before.value)
    idle = 0 if step else habit.idle + 1
    unrest = habit.unrest + _UNREST_WEIGHT * (step - habit.unrest)
    others = [one.value for name, one in company.latest.items() if name != channel]
    pairs = [abs(one - other) for one in (value, before.value) for other in others]
    if not pairs or max(pairs) > terms.within:
        return replace(habit, unrest=unrest, idle=idle)
    steps = min(habit.steps + 1, 1_000_000)
    weight = max(_USUAL_WEIGHT, 1 / steps)
    # The wait is learned when it ends, so that standing still does not teach itself to be usual.
    wait = habit.wait + weight * (habit.idle + 1 - habit.wait) if step else habit.wait
    usual = habit.usual + weight * (step - habit.usual)
    return Habit(unrest, usual, wait, steps, idle)


def _stands_alone(values: Mapping[str, float], within: float) -> str:
    """Returns the one channel without which the others agree, if there is exactly one."""
    alone = []
    for name, value in values.items():
        others = [other for key, other in values.items() if key != name]
        if max(others) - min(others) <= within and abs(value - median(others)) > within:
            alone.append(name)
    return alone[0] if len(alone) == 1 else ""


def _out_of_habit(company: Company, terms: Terms, fresh: Mapping[str, Seen]) -> tuple[str, str]:
    """Returns which of two channels has left its habits, and how; two empty strings if neither
    or both have."""
    signs = {
        "moved faster than the water can": _too_fast,
        "has become noisy": _noisy,
        "stands still": _still,
    }
    for because, sign in signs.items():
        shown = [name for name in fresh if sign(company, terms, name)]
        if len(shown) == 1:
            return shown[0], because
    return "", ""


def _too_fast(company: Company, terms: Terms, name: str) -> bool:
    agreed, now = company.agreed.get(name), company.latest[name]
    if agreed is None or terms.fastest_per_s is None:
        return False
    elapsed_s = max(0.0, (now.mono_ms - agreed.mono_ms) / 1000)
    # Half of what still counts as agreeing is granted to noise and resolution.
    moved = abs(now.value - agreed.value) - terms.within / 2
    return moved > terms.fastest_per_s * elapsed_s


def _noisy(company: Company, terms: Terms, name: str) -> bool:
    habit = company.habits.get(name, Habit())
    if habit.steps < _HABIT_STEPS:
        return False
    return habit.unrest > max(_NOISIER * habit.usual, terms.within / 10)


def _still(company: Company, terms: Terms, name: str) -> bool:
    habit = company.habits.get(name, Habit())
    return habit.steps >= _HABIT_STEPS and 0 < habit.wait * _TOO_STILL < habit.idle
