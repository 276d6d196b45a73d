"""Folds the looks of one interval into one sample per channel.

The surface ripples around a float: looked at once a minute, it is open or closed by chance. Looked
at every second, the share of looks at which it was closed gives the level more finely than the
float itself can. So a source may be looked at more often than readings are kept. Floats and
switches become the share of looks at which they were closed; every other channel becomes its latest
good value.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite

from stillwell.reading import Sample


class Fold:
    """Collects looks until `take` is called. Each source has its own; it is not shared between
    threads.

    Args:
        shares: the channels whose looks are averaged (floats and switches).
    """

    def __init__(self, shares: frozenset[str]) -> None:
        self._shares = shares
        self._sums: dict[str, float] = {}
        self._good: dict[str, int] = {}
        self._changes: dict[str, int] = {}
        self._last: dict[str, Sample] = {}
        self._last_good: dict[str, Sample] = {}

    def add(self, samples: Iterable[Sample]) -> None:
        for sample in samples:
            name = sample.channel
            self._last[name] = sample
            # A value that is NaN or infinite is judged as such if no better one comes.
            if sample.value is None or sample.failure is not None or not isfinite(sample.value):
                continue
            if name in self._shares:
                looks = sample.looks or 1
                self._sums[name] = self._sums.get(name, 0.0) + sample.value * looks
                self._good[name] = self._good.get(name, 0) + looks
                before = self._last_good.get(name)
                if before is not None and before.value != sample.value:
                    self._changes[name] = self._changes.get(name, 0) + 1
            self._last_good[name] = sample

    def take(self) -> list[Sample]:
        """Returns one sample per channel for all looks since the last call, and starts again.

        A channel with at least one good look gives a value; a channel with none gives its latest
        failure. A share says how many good looks it rests on.
        """
        out: list[Sample] = []
        for name, last in self._last.items():
            good = self._good.get(name, 0)
            if name in self._shares and good:
                share = self._sums[name] / good
                seen = f"closed {self._sums[name]:g}/{good}, {self._changes.get(name, 0)} changes"
                out.append(Sample(name, share, None, seen, looks=good))
            else:
                out.append(self._last_good.get(name, last))
        self._sums.clear()
        self._good.clear()
        self._changes.clear()
        self._last.clear()
        self._last_good.clear()
        return out
