"""The share of the last day that the heater was on, from when its relay switched."""

from __future__ import annotations

import math
from collections import deque
from typing import Any

DAY_S = 86_400.0
EDGE_S = 100.0
"""How well the instant of a switch is known (standard deviation)."""
MOST = 400
"""Switches that are held: of a cycle of ten minutes in a day, and some to spare."""
LEAST_S = 6 * 3600.0
"""Of the last day so much must be known."""


class Duty:
    """Edges in time order; between two of them the relay was on, off, or nobody knows."""

    def __init__(self) -> None:
        self._edges: deque[tuple[float, bool | None]] = deque(maxlen=MOST)

    @property
    def state(self) -> bool | None:
        """Whether the relay is on; None while nobody knows."""
        return self._edges[-1][1] if self._edges else None

    def turn(self, at_s: float, on: bool | None) -> None:
        """From `at_s` on the relay is on, off, or unknown."""
        edges = self._edges
        while edges and edges[-1][0] >= at_s:
            edges.pop()
        if not edges or edges[-1][1] is not on:
            edges.append((at_s, on))
        while len(edges) > 1 and edges[1][0] < at_s - DAY_S:
            edges.popleft()

    def share(
        self, now_s: float, over_s: float = DAY_S, least_s: float = LEAST_S
    ) -> tuple[float, float] | None:
        """Returns the share of the last 24 hours, or of the last `over_s`, and its standard error;
        None where less than `least_s` of them is known."""
        on_s = known_s = 0.0
        count, end = 0, now_s
        for at_s, on in reversed(self._edges):
            begin = max(at_s, now_s - over_s)
            if on is not None:
                known_s += end - begin
                on_s += (end - begin) * on
                count += 1
            if at_s <= now_s - over_s:
                break
            end = at_s
        if known_s < least_s:
            return None
        share = on_s / known_s
        unseen = max(0.0, 1.0 - known_s / over_s)
        unsure = unseen * math.sqrt(max(0.01, share * (1.0 - share)))
        return share, math.hypot(EDGE_S * math.sqrt(count + 1.0) / known_s, unsure)

    def to_json(self) -> list[list[int]]:
        """Seconds, and 1 for on, 0 for off, -1 for unknown."""
        return [[round(at_s), -1 if on is None else int(on)] for at_s, on in self._edges]

    def restore(self, kept: Any) -> None:
        """Takes up `to_json`'s value. Raises ValueError or TypeError for anything else."""
        edges: list[tuple[float, bool | None]] = []
        for at_s, on in kept:
            if on not in (-1, 0, 1):
                raise ValueError("a kept switch is none")
            edges.append((float(at_s), None if on == -1 else bool(on)))
        self._edges = deque(edges, maxlen=MOST)
