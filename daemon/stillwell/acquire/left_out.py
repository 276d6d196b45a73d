"""Which channels of a bus are left out because they hung, and until when. Pure: time is an
argument.

One probe that does not answer must not stop the reading of its neighbours: it is left out for a
while, longer each time, and then tried by itself, after the others have been read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from stillwell.foreign import MOST_LEFT_BEHIND

FIRST_S = 60.0
LONGEST_S = 3600.0


def to_blame(turns: Sequence[tuple[str, int]], now_ms: int) -> str:
    """Returns the channel that a hung read has waited for the longest; empty where the longest wait
    is for no channel.

    That need not be the last one begun: a probe that the kernel retries over and over may have used
    up the time, so that the deadline falls in its neighbour's turn.

    Args:
        turns: which channel was begun when (monotonic ms), in order; "" stands for what they share.
    """
    ends = [*(began for _, began in turns[1:]), now_ms]
    spans = [end - began for (_, began), end in zip(turns, ends, strict=False)]
    return turns[spans.index(max(spans))][0] if spans else ""


@dataclass(frozen=True, slots=True)
class _Hang:
    times: int
    pause_s: float
    until_ms: int


class LeftOut:
    """The channels of one bus that have hung and are not yet trusted again."""

    def __init__(self) -> None:
        self._hung: dict[str, _Hang] = {}
        self._going_on: dict[str, list[Callable[[], bool]]] = {}
        """For each channel, the reads that were left behind, as functions that say whether they
        still run."""

    def hung(self, channel: str, now_ms: int, hangs: Callable[[], bool]) -> float:
        """Leaves `channel` out from now on, because a read of it did not end. Returns for how long,
        seconds.

        Args:
            hangs: whether the read that was left behind still runs. A few may, since the probe can
                answer again while one of them never returns.
        """
        before = self._hung.get(channel)
        times = 1 if before is None else before.times + 1
        pause_s = min(LONGEST_S, FIRST_S * 2.0 ** min(times - 1, 16))
        self._hung[channel] = _Hang(times, pause_s, now_ms + round(pause_s * 1000))
        self._going_on[channel] = [*self._still(channel), hangs]
        return pause_s

    def _still(self, channel: str) -> list[Callable[[], bool]]:
        return [hangs for hangs in self._going_on.get(channel, ()) if hangs()]

    def sound(self, channels: Iterable[str]) -> list[str]:
        """Returns the channels that have not hung, or are trusted again."""
        return [channel for channel in channels if channel not in self._hung]

    def rounds(self, channels: Iterable[str], now_ms: int) -> list[list[str]]:
        """Returns the channels to read together and after one another: first the sound ones of
        `channels`, then, each by itself, those that have hung and may be tried now. Empty where
        there are none."""
        asked = list(channels)
        tried = [
            [channel]
            for channel in asked
            if (hang := self._hung.get(channel))
            and now_ms >= hang.until_ms
            and len(self._still(channel)) < MOST_LEFT_BEHIND
        ]
        sound = self.sound(asked)
        return [sound, *tried] if sound else tried

    def answered(self, channels: Iterable[str], now_ms: int) -> None:
        """Notes that a read of `channels` has ended. A channel that has been well for as long as it
        was left out is trusted again."""
        for channel in channels:
            hang = self._hung.get(channel)
            if hang is not None and now_ms >= hang.until_ms + round(hang.pause_s * 1000):
                del self._hung[channel]
