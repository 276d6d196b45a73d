"""Steps of the trace: whether it has gone at once, between two minutes, where no heater brings the
water, and by how much.

Two descriptions of the minutes on either side are held against each other (Quandt, J. Am. Stat.
Assoc. 53 (1958) 873, for lines that change at an unknown time; from memory): a straight line that
the relay bends at most twice, by what the heater is known to do, and the same with a step. What the
second describes so much better has stepped: another probe hangs there, or water was poured in.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul

from stillwell.estimate.heat.sawtooth import Minute

KEPT = 360
"""Minutes that are kept: six hours, as long as most heaters rest."""
SIDE_S = 900.0
"""So much of the trace is looked at on either side; a relay that switches more than twice in it
leaves nothing to see."""
FEWEST = 4
"""Minutes on either side."""
LIKELIER = 5.5
"""Log likelihood ratio at which a step is believed that is looked for in `AMONG_S`: the longer the
search, the more often chance makes one."""
AMONG_S = 1800.0
EXPLAINS = 4.0
"""As that, where a step of the size is all that could speak against a fault."""
NOT_UNLIKELY = 1.5
"""As that, where something else has said that there is a step."""
BEND_COST = 1.0
"""Log of how much less likely a course is for each time that the relay switches in it where it
always does."""
ODD_COST = 4.0
"""And where it never does."""
NEAR_K = 0.08
"""So near to a switching point, as a few minutes show it, it switches where it always does."""
ROUGH = 2.0
"""Minutes that scatter by so many times their noise about either description are neither: a pump
stands, a hand is in the water."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the trace."""

    at_s: float
    by_k: float
    error_k: float
    """Standard error of `by_k`."""
    likelier: float
    """Log likelihood ratio against a trace without one."""


@dataclass(frozen=True, slots=True)
class Habit:
    """What is known of heater and thermostat: where the relay goes on and off, °C; what the heater
    does, K/s; the standard deviation of a minute's mean, K."""

    trough: float
    peak: float
    gain: float
    sigma: float


@dataclass(frozen=True, slots=True)
class _Bend:
    """A column `gain * max(0, t - at)` less what a straight line describes of it, by its sums."""

    at: float
    """s."""
    gain2: float
    """The heater's gain, squared."""
    after: tuple[float, float, float]
    """Sums of 1, t and t² over the minutes after it."""
    level: float
    """What a straight line describes of it: along the constant and along the slope, each of length
    1."""
    slope: float
    own: float
    """Its product with itself."""
    y: float
    """And with the values."""
    s: float
    """And with the step."""


def _bends(
    times: list[float], line: list[float], gain: float, value: list[float], step: list[float]
) -> list[_Bend]:
    """A bend at each minute but the last. `value` and `step` hold nothing of a straight line."""
    found = []
    n = t1 = t2 = lined = line_t = v = v_t = u = u_t = 0.0
    root = math.sqrt(len(times))
    for k in range(len(times) - 1, 0, -1):
        t = times[k]
        n, t1, t2 = n + 1, t1 + t, t2 + t * t
        lined, line_t = lined + line[k], line_t + line[k] * t
        v, v_t = v + value[k], v_t + value[k] * t
        u, u_t = u + step[k], u_t + step[k] * t
        at = times[k - 1]
        level, slope = gain * (t1 - at * n) / root, gain * (line_t - at * lined)
        own = gain * gain * (t2 - 2 * at * t1 + at * at * n) - level * level - slope * slope
        y, s = gain * (v_t - at * v), gain * (u_t - at * u)
        found.append(_Bend(at, gain * gain, (n, t1, t2), level, slope, own, y, s))
    return found[::-1]


class _Course:
    """Minutes on either side of a split, and how well bends of the relay describe them."""

    def __init__(self, before: list[Minute], after: list[Minute], at_s: float, habit: Habit):
        seen = [*before, *after]
        self._habit, self._split = habit, len(before)
        self._times = [t - at_s for t, _ in seen]
        self._values = [v for _, v in seen]
        n = len(seen)
        mean = sum(self._times) / n
        centred = [t - mean for t in self._times]
        length = math.sqrt(sum(map(mul, centred, centred)))
        self._line = [t / length for t in centred]
        value = self._bare(self._values)
        step = self._bare([0.0] * len(before) + [1.0] * len(after))
        self.ss = sum(map(mul, step, step))
        self._yy, self._ys = sum(map(mul, value, value)), sum(map(mul, value, step))
        self._bends = _bends(self._times, self._line, habit.gain, value, step)
        self.without = math.inf
        """Squares that are left at best without a step, the price of the bends included."""
        self.stepped = math.inf
        """And with one."""
        self.by = 0.0
        """How large that is, K."""
        self.left = math.inf
        """The same without any price."""
        self._try_all()

    def _bare(self, column: list[float]) -> list[float]:
        """What no straight line describes."""
        level, slope = sum(column) / len(column), sum(map(mul, column, self._line))
        return [c - level - slope * x for c, x in zip(column, self._line, strict=True)]

    def _try_all(self) -> None:
        yy, ys, ss = self._yy, self._ys, self.ss
        self._try(yy, ys, ())
        noise2 = self._habit.sigma * self._habit.sigma
        dear = 4 * BEND_COST * noise2  # what two bends cost at least
        for i, one in enumerate(self._bends):
            self._try(yy - 2 * one.y + one.own, ys - one.s, ((i, True),))
            self._try(yy + 2 * one.y + one.own, ys + one.s, ((i, False),))
            at, gain2, level, slope = one.at, one.gain2, one.level, one.slope
            for j, other in enumerate(self._bends[i + 1 :], i + 1):
                # What both hinges have in common, less what a straight line describes of it.
                n, t, t2 = other.after
                common = gain2 * (t2 - (at + other.at) * t + at * other.at * n)
                common -= level * other.level + slope * other.slope
                both = yy + one.own + other.own - 2 * common
                up, along = 2 * (one.y - other.y), one.s - other.s
                for on, rest, by in (
                    (True, both - up, ys - along),
                    (False, both + up, ys + along),
                ):
                    if rest - by * by / ss + dear < self.stepped or rest + dear < self.without:
                        self._try(rest, by, ((i, on), (j, not on)))

    def _try(self, rest: float, along: float, bends: tuple[tuple[int, bool], ...]) -> None:
        ss = self.ss
        left = rest - along * along / ss
        if rest < self.without:
            self.without = min(self.without, rest + self._price(bends, 0.0))
        if left < self.stepped:
            total = left + self._price(bends, along / ss)
            if total < self.stepped:
                self.stepped, self.by, self.left = total, along / ss, left

    def _price(self, bends: tuple[tuple[int, bool], ...], by: float) -> float:
        habit = self._habit
        price = 0.0
        for i, on in bends:
            near = self._values[max(0, i - 1) : i + 2]
            place = sum(near) / len(near) - (by if i >= self._split else 0.0)
            usual = habit.trough if on else habit.peak
            price += BEND_COST if abs(place - usual) < NEAR_K else ODD_COST
        return 2 * price * habit.sigma * habit.sigma


def step_at(minutes: Sequence[Minute], split: int, habit: Habit) -> Step | None:
    """Returns the step between `minutes[split - 1]` and `minutes[split]`, likely or not; None where
    there are too few minutes, in time order, or they are too rough."""
    at = (minutes[split - 1][0] + minutes[split][0]) / 2
    before = [m for m in minutes[:split] if at - m[0] <= SIDE_S]
    after = [m for m in minutes[split:] if m[0] - at <= SIDE_S]
    if min(len(before), len(after)) < FEWEST:
        return None
    course = _Course(before, after, at, habit)
    noise2 = habit.sigma * habit.sigma
    if course.left > ROUGH * ROUGH * noise2 * (len(before) + len(after)):
        return None
    error = habit.sigma / math.sqrt(course.ss)
    return Step(at, course.by, error, (course.without - course.stepped) / (2 * noise2))


class Trail:
    """The minutes of the last hours, to look back upon."""

    def __init__(self) -> None:
        self.usual_s = -math.inf
        """When the relay was last seen to switch where it always does."""
        self.settled_s = -math.inf
        """Up to when steps have been accounted for."""
        self._minutes: deque[Minute] = deque(maxlen=KEPT)

    @property
    def open_s(self) -> float:
        """From when on a step may explain what is odd now."""
        return max(self.usual_s, self.settled_s)

    def add(self, minute: Minute) -> None:
        self._minutes.append(minute)

    def clear(self) -> None:
        """Nobody has looked for long: what comes next is not comparable with what was."""
        self._minutes.clear()

    def step_since(
        self,
        from_s: float,
        habit: Habit,
        likelier: float = LIKELIER,
        least_k: float = 0.0,
        way: float = 0.0,
    ) -> Step | None:
        """Returns the likeliest step after `from_s`; None for none.

        Args:
            likelier: its log likelihood ratio against none, at least; see `AMONG_S`.
            least_k: it is larger than this, K.
            way: 1 for one upwards, -1 downwards, 0 for either.
        """
        minutes, width = list(self._minutes), FEWEST
        if minutes:
            searched = minutes[-1][0] - max(from_s, minutes[0][0])
            likelier += math.log(max(1.0, searched / AMONG_S))
        contrast = {
            i: sum(v for _, v in minutes[i : i + width]) - sum(v for _, v in minutes[i - width : i])
            for i in range(width, len(minutes) - width + 1)
            if minutes[i][0] > from_s
        }
        tried: set[int] = set()
        found: Step | None = None
        for i in sorted(contrast, key=lambda i: contrast[i] * way or abs(contrast[i]))[-6:]:
            for split in (i - 1, i, i + 1):
                if split in tried or not width <= split <= len(minutes) - width:
                    continue
                tried.add(split)
                step = step_at(minutes, split, habit)
                if step is None or step.likelier < likelier or abs(step.by_k) < least_k:
                    continue
                if step.by_k * way < 0:
                    continue
                if found is None or step.likelier > found.likelier:
                    found = step
        return found
