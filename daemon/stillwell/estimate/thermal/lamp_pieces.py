"""Pieces of the water's trace whose slope tells of the lamp: one way all through, as long as is
worth a line, and cut where the lamp switches.

In a cold room a half cycle of the thermostat is such a piece. In a warm one it lasts for most of a
day: one slope of it would mix the lamp's hours with the dark, and come when they are over.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from stillwell.estimate.heat.sawtooth import LONGEST, Line, Minute, SawTooth, fit

SHORTEST_S = 1200.0
"""Pieces that are shorter say too little about their slope."""
PIECE_S = 7200.0
"""So long is a piece at most."""
TIP_S = 420.0
"""Next to a turning point the heater's heat still comes or goes (four lags of its body)."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One piece of the trace."""

    line: Line
    rising: bool
    start_s: float
    end_s: float


class LampPieces:
    """Takes minutes in time order, and gives each piece once it is over.

    Args:
        edge: given an instant of the same clock, s, the next at which the lamp should switch.
    """

    def __init__(self, edge: Callable[[float], float]) -> None:
        self._edge = edge
        self._saw = SawTooth()
        self._minutes: deque[Minute] = deque(maxlen=LONGEST)
        self._turned_s: float | None = None
        self._from_s = 0.0
        """Where the next piece begins."""

    def restart(self) -> None:
        """Forgets the piece that is going on: something has cut it."""
        self._saw.restart()
        self._minutes.clear()
        self._turned_s = None

    def add(self, minute: Minute, sigma: float) -> list[Stretch]:
        """Takes one minute, whose mean has a standard deviation of `sigma`, K; returns the pieces
        that are over."""
        saw, rising, before_s = self._saw, self._saw.rising, self._turned_s
        saw.add(minute, sigma, None)
        self._minutes.append(minute)
        turned_s = saw.turned_s
        out = []
        if turned_s is None:
            self._turned_s = None
            return []
        if turned_s != before_s:
            if before_s is not None and rising is not None and saw.rising is not rising:
                out = self._cut(turned_s - TIP_S, rising, sigma, last=True)
            self._turned_s, self._from_s = turned_s, turned_s + TIP_S
        if saw.rising is not None:
            out += self._cut(saw.furthest_s - TIP_S, saw.rising, sigma)
        return out

    def _cut(self, until_s: float, rising: bool, sigma: float, last: bool = False) -> list[Stretch]:
        """The pieces that are over by `until_s`; the `last` one of its way is over there."""
        out: list[Stretch] = []
        while True:
            end_s = min(self._from_s + PIECE_S, self._edge(self._from_s))
            if end_s > until_s:
                if not last:
                    return out
                end_s = until_s
            if end_s - self._from_s >= SHORTEST_S:
                out += self._piece(self._from_s, end_s, rising, sigma)
            self._from_s = end_s
            if end_s >= until_s:
                return out

    def _piece(self, start_s: float, end_s: float, rising: bool, sigma: float) -> list[Stretch]:
        line = fit([m for m in self._minutes if start_s <= m[0] <= end_s])
        if line is None or line.rms > 2.0 * sigma + 0.008 or line.count * 60 < SHORTEST_S / 2:
            return []
        return [Stretch(line, rising, start_s, end_s)]
