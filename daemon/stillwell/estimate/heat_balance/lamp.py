"""Whether the lamp's heat is missing in its hours, or comes outside them, by the balance of heat.

Two stories are held against each other over a window of its hours: the lamp does as always, its
hours perhaps moved by up to `MOVED_H` (the timer's clock, summer time, a keeper who did not tell
the settings); or it has stayed dark, or is on, through the whole of the window. The likelier shift
counts for the first story, so that an hour moved is never a fault, and only what no such shift
explains is evidence.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from stillwell.estimate.heat_balance.law import PIECE_H, LawLearner
from stillwell.estimate.lamp_hours import LampHours

LAMP = 4
"""The place of the lamp's heat among the law's numbers."""
LEAST_H = 1 / 3
"""h: pieces that are shorter say too little about their slope."""
MOVED_H = 2.5
STEP_H = 0.5
SURE, OPEN, WELL = 8.0, 2.0, -4.0
"""Log likelihood ratios at which the lamp is believed not to do as it should (odds of 3000 to 1),
from which on it is not learned from, and at which it is believed to do as it should again."""
MOST = 1.5
"""What a piece may say at most: no single window left open decides."""
STRANGE = 3.5
"""A piece further than so many standard deviations from both stories belongs to neither."""
CARRIES = 4.0
"""The lamp's heat must be so many times its own uncertainty to be missed."""
ALIKE = 2.0
"""So many pieces count as one: those of a day share its draughts and its open lid."""
SCATTER = 0.06
"""K/h: of the slope of a piece, before it is learned. An assumption."""
LEARNS = 0.02
"""Weight of a piece in the scatter: two days of them."""
KEPT_MS = 36 * 3_600_000
_HOUR_MS = 3_600_000


@dataclass(slots=True)
class Piece:
    """A piece of the trace: means of its time, and the slope of the water, K/h."""

    start_ms: int
    """UTC, as is `end_ms`."""
    end_ms: int
    heats: float
    chills: float
    gap: float
    slope: float


@dataclass(slots=True)
class Open:
    """The piece that is under way: sums over its hours."""

    start_ms: int
    water: float
    hours: float = 0.0
    heats: float = 0.0
    chills: float = 0.0
    gap: float = 0.0


@dataclass(slots=True)
class LampSeen:
    """What is kept of the lamp. Mutable."""

    open: Open | None = None
    pieces: list[Piece] = field(default_factory=list)
    scatter2: float = SCATTER**2
    """Variance of a piece's slope about the law, (K/h)^2."""

    def cut(self) -> None:
        """What the devices give is not known just now."""
        self.open = None

    def add(
        self,
        at_ms: int,
        hours: float,
        given: tuple[float, float],
        gap: float,
        water: float,
        edge_ms: int,
    ) -> Piece | None:
        """Takes a step of the trace. Returns the piece that it completes.

        Args:
            at_ms: its end, UTC.
            hours: its length.
            given: the shares of heater and chiller.
            gap: of the room above the water, K.
            water: °C at its end.
            edge_ms: when the lamp should switch next, after its beginning.
        """
        one = self.open
        if one is None:
            self.open = Open(at_ms, water)
            return None
        one.hours += hours
        one.heats += hours * given[0]
        one.chills += hours * given[1]
        one.gap += hours * gap
        if one.hours < PIECE_H and at_ms < edge_ms:
            return None
        self.open = Open(at_ms, water)
        if one.hours < LEAST_H:
            return None
        piece = Piece(
            one.start_ms,
            at_ms,
            one.heats / one.hours,
            one.chills / one.hours,
            one.gap / one.hours,
            (water - one.water) / one.hours,
        )
        self.pieces = [p for p in self.pieces if at_ms - p.end_ms < KEPT_MS]
        self.pieces.append(piece)
        return piece

    def ratio(
        self, learner: LawLearner, hours: LampHours, window: tuple[int, int], lit: bool
    ) -> float:
        """Returns the log likelihood ratio that through all of a window of its hours (`lit`) or of
        its dark ones the lamp did the contrary, against its hours, moved as suits them best.
        Positive speaks for a fault; 0 where its heat is too little known."""
        if learner.theta.x[LAMP] < CARRIES * learner.error(LAMP):
            return 0.0
        inside = [p for p in self.pieces if window[0] <= (p.start_ms + p.end_ms) // 2 < window[1]]
        steps = round(2 * MOVED_H / STEP_H) + 1
        shifts = [round((-MOVED_H + STEP_H * k) * _HOUR_MS) for k in range(steps)]
        totals = [0.0] * steps
        for piece in inside:
            wrong, far = self._density(learner, piece, 0.0 if lit else 1.0)
            right = [
                self._density(learner, piece, hours.share(piece.start_ms, piece.end_ms, shift))
                for shift in shifts
            ]
            if min(far, *(z for _, z in right)) > STRANGE:
                continue
            for k, (density, _) in enumerate(right):
                totals[k] += max(-MOST, min(MOST, (wrong - density) / ALIKE))
        return min(totals)

    def learn(self, learner: LawLearner, piece: Piece, share: float) -> None:
        """Learns how closely the law predicts a piece."""
        mean, variance, _ = learner.theta.project(_row(piece, share))
        off2 = max(0.0, (piece.slope - mean) ** 2 - variance)
        self.scatter2 += LEARNS * (min(off2, 9 * self.scatter2) - self.scatter2)

    def _density(self, learner: LawLearner, piece: Piece, lit: float) -> tuple[float, float]:
        """Returns the log density of a piece's slope, and by how many standard deviations it is
        off."""
        mean, variance, _ = learner.theta.project(_row(piece, lit))
        total = variance + self.scatter2
        z = abs(piece.slope - mean) / math.sqrt(total)
        return -0.5 * (z * z + math.log(total)), z


def _row(piece: Piece, lit: float) -> Sequence[tuple[int, float]]:
    """Returns the law's row; see `law.LawLearner`."""
    row = ((0, piece.heats), (1, -piece.chills), (2, piece.gap), (3, 1.0), (LAMP, lit))
    return [(i, a) for i, a in row if a]
