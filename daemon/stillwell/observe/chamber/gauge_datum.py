"""Whether a level gauge has been moved: it jumps and stays there, and then a pour ends elsewhere.

A gauge that is pushed up or down by some millimetres reads as if water had been poured in or taken
out; at that moment nothing tells the two apart. But whoever pours, pours to the same mark: the
heights at which pours end are the gauge's datum, as a bench mark is a tide gauge's. Where the
reading has jumped by itself and the next pour ends off the mark by as much, the gauge has moved;
where that pour ends at the mark, it was water.

Readings are reduced to medians of ten minutes, so that ripple, outliers and a pump that pauses
for less than an hour make no jump. Limits that name no source are our own choice, checked on
simulated tanks.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from math import sqrt
from statistics import median

BLOCK_S = 600.0
SETTLED = 6
"""For how many blocks (an hour) the level must be steady after a jump: longer than a pump
pauses."""
BEFORE = 3
BETWEEN = 6
"""The most blocks that a jump takes: water is changed in half an hour (common practice)."""
LEAST_MM = 5.0
TIMES_NOISE = 12.0
"""A jump is this many standard deviations of a block. By the slope alone, which six blocks give,
two stretches that are two hours apart differ by three of them."""
_NOISE_BLOCKS = 50
STEADY_MM = 1.5
"""The most that steady blocks scatter about their own slow fall."""
FEWEST_ENDS = 4
"""How many pours must have been seen before their mark is known."""
KEPT_ENDS = 12
NEAREST_MM = LEAST_MM - 1.0
"""The least distance that counts as off the mark, however alike the ends were."""
TIMES = 4.0
"""An end is off the mark when it is this many of the ends' usual deviations away."""
MATCHED = 0.6
"""The share of that distance that is enough when the reading had jumped before by as much,
because two signs then agree."""
MATCH_MM = 4.0
"""The most that the jump and the next pour's distance from the mark may differ."""
JUMP_LIFE_S = 4 * 86_400.0
"""For how long pours are compared with a jump."""
TAKEN_S = 7 * 86_400.0
"""How long a moved gauge is reported; after that the mark is where pours end now."""
GAP_S = 1800.0


@dataclass(frozen=True, slots=True)
class Jump:
    """The reading has gone from one steady height to another; times in s, heights in mm."""

    at_s: float
    before_mm: float
    after_mm: float

    @property
    def by_mm(self) -> float:
        return self.after_mm - self.before_mm


@dataclass(frozen=True, slots=True)
class Moved:
    """The gauge has been moved: it reads something else for the same level."""

    jump: Jump
    end: Jump
    """The pour that ended off the mark."""

    @property
    def by_mm(self) -> float:
        """Returns how far the gauge moved, by the jump itself: where a pour ends is less
        certain."""
        return self.jump.by_mm


@dataclass(slots=True)
class GaugeDatum:
    """One gauge. Call `see` for every good reading, in time order; times are seconds, heights
    mm."""

    ends: deque[float] = field(default_factory=deque)
    """Where the last pours ended."""
    loose: Jump | None = None
    """The last jump, where it did not end at the mark."""
    moved: Moved | None = None
    noise_mm: float = 0.0
    """The standard deviation of a block's median."""
    _blocks: deque[tuple[float, float]] = field(default_factory=deque)
    _block: int = -1
    _values: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        # What was kept comes back without its bounds on length.
        self.ends = deque(self.ends, KEPT_ENDS)
        self._blocks = deque(self._blocks, BEFORE + BETWEEN + SETTLED)

    def see(self, t_s: float, value: float) -> bool:
        """Takes one reading; returns whether `moved` has changed."""
        block = int(t_s // BLOCK_S)
        if block == self._block:
            self._values.append(value)
            return False
        changed = self._end_block() if self._values else False
        if self._blocks and t_s - self._blocks[-1][0] > GAP_S:
            self._blocks.clear()
        self._block, self._values = block, [value]
        return changed

    @property
    def mark(self) -> tuple[float, float] | None:
        """Returns where pours end, and how far from it an end counts as off; None before enough
        were seen."""
        if len(self.ends) < FEWEST_ENDS:
            return None
        middle = median(self.ends)
        # 1.4826: the standard deviation of a normal distribution over its median deviation
        spread = 1.4826 * median(abs(end - middle) for end in self.ends)
        return middle, max(NEAREST_MM, TIMES * spread)

    def _end_block(self) -> bool:
        middle, n = median(self._values), len(self._values)
        self._blocks.append(((self._block + 0.5) * BLOCK_S, middle))
        # 1.4826 and 1.25: the standard deviations of a normal distribution over its median
        # deviation, and of a median over that of a mean
        own = 1.25 * 1.4826 * median(abs(value - middle) for value in self._values) / sqrt(n)
        self.noise_mm += (own - self.noise_mm) / (_NOISE_BLOCKS if self.noise_mm else 1)
        was = self.moved
        newest = self._blocks[-1][0]
        if self.loose is not None and newest - self.loose.at_s > JUMP_LIFE_S:
            self.loose = None
        if self.moved is not None and newest - self.moved.end.at_s > TAKEN_S:
            self.ends = deque([self.moved.end.after_mm] * FEWEST_ENDS, maxlen=KEPT_ENDS)
            self.moved = None
        jump = self._jump()
        if jump is not None:
            while len(self._blocks) > SETTLED:
                self._blocks.popleft()
            self._weigh(jump)
        return self.moved is not was

    def _jump(self) -> Jump | None:
        """Returns a jump that has just become certain: steady before it, and steady for an hour
        since."""
        blocks = list(self._blocks)
        if len(blocks) < BEFORE + BETWEEN + SETTLED:
            return None
        late = blocks[-SETTLED:]
        slope = _steady(late)
        if slope is None:
            return None
        # The latest steady stretch before the jump: a jump may take no block at all.
        for last in range(len(blocks) - SETTLED, BEFORE - 1, -1):
            early = blocks[last - BEFORE : last]
            if _steady(early) is None:
                continue
            at = (early[-1][0] + late[0][0]) / 2
            before = median(v + slope * (at - t) for t, v in early)
            after = median(v + slope * (at - t) for t, v in late)
            if abs(after - before) >= max(LEAST_MM, TIMES_NOISE * self.noise_mm):
                return Jump(at, before, after)
        return None

    def _weigh(self, jump: Jump) -> None:
        mark = self.mark
        if mark is None:
            if jump.by_mm > 0:
                self.ends.append(jump.after_mm)
            return
        middle, off_mm = mark
        miss = jump.after_mm - middle
        loose = self.loose
        alike = jump.by_mm > 0 and loose is not None and abs(miss - loose.by_mm) < MATCH_MM
        if alike:
            off_mm = max(NEAREST_MM, MATCHED * off_mm)
        if abs(miss) < off_mm:
            # The pour ended where pours end: the gauge is where it was, or is back there.
            if jump.by_mm > 0:
                self.ends.append(jump.after_mm)
                self.loose = self.moved = None
            return
        if alike and loose is not None:
            if self.moved is None:
                self.moved = Moved(loose, jump)
            return
        if self.moved is None:
            self.loose = jump


def _steady(blocks: list[tuple[float, float]]) -> float | None:
    """Returns the slope, mm/s, of blocks that lie about a gently sloping line; None for others."""
    (t0, v0), (t1, v1) = blocks[0], blocks[-1]
    slope = (v1 - v0) / (t1 - t0)
    if abs(slope) * 3600.0 > 2 * STEADY_MM + 1.0:
        return None
    off = [abs(v - v0 - slope * (t - t0)) for t, v in blocks]
    return slope if max(off) <= STEADY_MM else None
