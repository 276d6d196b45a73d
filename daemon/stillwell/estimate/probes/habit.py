"""One channel's own habits: its last half hour, its noise, and how long it repeats one value."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from stillwell.estimate.noise import Noise

BLOCK_S = 300.0
"""Readings are averaged into blocks of this length, except for noise and repetition."""
KEPT_BLOCKS = 7
"""How many blocks are kept: half an hour."""
EARLIER_BLOCKS = 36
"""How many earlier blocks are kept, three hours, to know where the channel has been."""
BEEN_K = 0.3
GAP_S = 1800.0
"""After this long without a reading the last half hour means nothing."""
KNOWN_S = 6 * 3600.0
"""Habits are known after this long."""
NOISY = 2.5
"""A channel is noisy when its noise is this many times the usual."""
QUIET = 1.6
NOISY_S = 1200.0
STUCK_S = 3600.0
STUCK_TIMES = 5.0
"""A channel is stuck when it repeats one value this many times as long as ever before."""


@dataclass(slots=True)
class Habit:
    """One channel. Call `take` for every good reading, in time order; times are the judge's
    seconds."""

    noise: Noise = field(default_factory=Noise)
    blocks: deque[tuple[float, float]] = field(default_factory=deque)
    """Time and mean of the last blocks."""
    earlier: deque[float] = field(default_factory=deque)
    """Means of the blocks before them."""
    value: float = math.nan
    """The newest reading."""
    same_s: float = 0.0
    """Since when it has read `value`."""
    longest_s: float = 0.0
    """The longest time that it has repeated one value; slowly forgotten."""
    noisy_s: float | None = None
    """Since when its noise has been high."""
    far_s: float | None = None
    """Since when it has been far from another probe; set by `place`."""
    seen_s: float = 0.0
    seconds: float = 0.0
    """How long it has been watched."""
    _block: int = -1
    _total: float = 0.0
    _count: int = 0

    def __post_init__(self) -> None:
        self.blocks = deque(self.blocks, KEPT_BLOCKS)
        self.earlier = deque(self.earlier, EARLIER_BLOCKS)

    def take(self, t_s: float, value: float) -> bool:
        """Takes one reading; returns whether a block has ended with it."""
        if t_s - self.seen_s > GAP_S:
            self.interrupt()
        else:
            self.seconds += t_s - self.seen_s
        self.seen_s = t_s
        self.noise.add(t_s, value)
        self._repeat(t_s, value)
        ended = False
        block = int(t_s // BLOCK_S)
        if block != self._block:
            if self._count:
                at_s = (self._block + 0.5) * BLOCK_S
                if len(self.blocks) == KEPT_BLOCKS:
                    self.earlier.append(self.blocks[0][1])
                self.blocks.append((at_s, self._total / self._count))
                ended = True
            self._block, self._total, self._count = block, 0.0, 0
        self._total += value
        self._count += 1
        return ended

    def interrupt(self) -> None:
        """Forgets its last hours after a long time, or an unknown time, without readings."""
        self.blocks.clear()
        self.earlier.clear()
        self.value, self._block, self._total, self._count = math.nan, -1, 0.0, 0

    def _repeat(self, t_s: float, value: float) -> None:
        if value == self.value:
            return
        lasted = t_s - self.same_s
        if not math.isnan(self.value) and lasted < STUCK_S:
            self.longest_s = max(0.9998 * self.longest_s, lasted)
        self.value, self.same_s = value, t_s

    @property
    def now(self) -> float:
        """Returns the mean of the last block, °C."""
        return self.blocks[-1][1] if self.blocks else self.value

    @property
    def before(self) -> float:
        """Returns the mean of the first block that is kept, half an hour ago, °C."""
        return self.blocks[0][1] if self.blocks else self.value

    def change(self) -> float:
        """Returns the change from the first kept block to the last, K."""
        return self.blocks[-1][1] - self.blocks[0][1] if len(self.blocks) > 1 else 0.0

    def been_at(self, value: float) -> bool:
        """Whether it has read about this value in the hours before the last half hour."""
        return any(abs(mean - value) < BEEN_K for mean in self.earlier)

    def stands(self, t_s: float) -> bool:
        """Whether it has repeated one value longer than it ever did."""
        limit = max(STUCK_S, STUCK_TIMES * self.longest_s)
        known = self.seconds > KNOWN_S and self.longest_s > 0
        return known and t_s - self.same_s > limit

    def moves_again(self, t_s: float) -> bool:
        return t_s - self.same_s < max(600.0, 2 * self.longest_s)

    def noisy(self, t_s: float) -> bool:
        """Whether its noise has been high for `NOISY_S`."""
        if self.seconds < KNOWN_S or self.noise.lately < NOISY * self.noise.usual:
            self.noisy_s = None
            return False
        if self.noisy_s is None:
            self.noisy_s = t_s
        return t_s - self.noisy_s > NOISY_S

    @property
    def quiet(self) -> bool:
        return self.noise.lately < QUIET * self.noise.usual
