"""How much of the water's heat is the lamp's: what the water loses over a piece of its trace
(`lamp_pieces`), by the room, by the lamp and by the heater.

    loss = coupling (water - room) + rest - lamp f - heater h        K/h

f is the share of the piece in which the lamp burnt, h is 1 where the heater was on, else 0. The
variance of what is predicted holds the coefficients' own uncertainty: outside of what has been seen
of the room nothing is predicted closely, and nothing is concluded there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from stillwell.estimate import least_squares

HALF_LIFE_H = 10 * 24.0
PRIOR = (0.05, 0.0, 0.0, 0.8)
"""Small tanks come to rest within 8 to 50 h, so that the coupling is about 1/20 h (common
practice)."""
PRIOR_SD = (0.03, 0.5, 0.5, 1.0)
LEAST_SD = 0.008
"""A piece's slope is never believed closer, K/h: lid, humidity and hands come and go."""
FIRST_SCATTER = 0.02
ALIKE = 2.0
"""So many pieces count as one: those of a day share its draughts, its humidity and its open lid."""
EACH = 5
"""Pieces with the lamp and without it before anything is concluded."""
KNOWN_SD = 0.2
"""Of the heater's heat, K/h: closer, and what the lamp lifts is told from what the heater does."""
CARRIES = 5.0
"""The lamp's heat must be so many times its own uncertainty."""
_SIZE = 4
_LAMP, _HEATER = 2, 3
_PRIOR = tuple(sd**2 for sd in PRIOR_SD)


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of the trace as the heat balance sees it."""

    start_ms: int
    end_ms: int
    """UTC."""
    loss: float
    """K/h; negative while the heater warms."""
    error: float
    """Standard error of `loss` by the noise of the readings."""
    warmer_k: float
    """Water less room."""
    heated: bool

    def factors(self, lit: float) -> tuple[float, ...]:
        return (self.warmer_k, 1.0, -lit, -1.0 if self.heated else 0.0)


@dataclass(slots=True)
class LampHeat:
    """The regression's state."""

    mean: list[float] = field(default_factory=lambda: list(PRIOR))
    cov: list[list[float]] = field(default_factory=lambda: least_squares.diagonal(_PRIOR))
    scatter: list[float] = field(default_factory=lambda: [FIRST_SCATTER**2, FIRST_SCATTER**2])
    """Variance of a piece's loss about the law, (K/h)^2: with the heater off, and on."""
    lit: float = 0.0
    dark: float = 0.0
    """Pieces learned with the lamp on and off, discounted like the rest."""
    at_ms: int = 0

    def predict(self, piece: Piece, lit: float) -> tuple[float, float]:
        """Returns the loss that is expected of a piece if the lamp burnt for a share `lit` of
        it, K/h, and its variance."""
        x = piece.factors(lit)
        spread = max(0.0, least_squares.variance(self.cov, x))
        return least_squares.predict(self.mean, x), spread + self._noise(piece)

    def _noise(self, piece: Piece) -> float:
        return max(piece.error, LEAST_SD) ** 2 + self.scatter[piece.heated]

    def heats(self, piece: Piece, lit: float) -> bool | None:
        """Whether the heater was on: beside a warm room the lamp may lift the water alone, and in a
        cold one it falls with the heater on. None while the heater is too little known to say."""
        if self.cov[_HEATER][_HEATER] > KNOWN_SD**2:
            return None if piece.heated and lit > 0.0 else piece.heated
        idle, _ = self.predict(replace(piece, heated=False), 0.0)
        return piece.loss < idle - self.mean[_HEATER] / 2

    def learn(self, piece: Piece, lit: float) -> None:
        """Takes a piece of which it is known how long the lamp burnt in it."""
        self._discount(piece.end_ms)
        x = piece.factors(lit)
        loss, variance = self.predict(piece, lit)
        off = piece.loss - loss
        if min(self.lit, self.dark) >= EACH:
            limit = 4 * math.sqrt(variance)
            off = max(-limit, min(limit, off))
        noise = ALIKE * self._noise(piece)
        self.mean, self.cov = least_squares.update(self.mean, self.cov, x, off, noise)
        kind = int(piece.heated)
        left = max(0.0, off * off - variance + self.scatter[kind])
        self.scatter[kind] += 0.05 * (left - self.scatter[kind])
        if lit > 0.5:
            self.lit += 1.0
        else:
            self.dark += 1.0

    def _discount(self, now_ms: int) -> None:
        hours = max(0, now_ms - self.at_ms) / 3_600_000 if self.at_ms else 0.0
        self.at_ms = now_ms
        share = 0.5 ** (hours / HALF_LIFE_H)
        self.lit, self.dark = self.lit * share, self.dark * share
        self.cov = least_squares.discount(self.cov, _PRIOR, share)

    def forget_lamp(self) -> None:
        """Begins anew with the lamp, and keeps what is known of the rest."""
        for i in range(_SIZE):
            self.cov[i][_LAMP] = self.cov[_LAMP][i] = 0.0
        self.cov[_LAMP][_LAMP] = _PRIOR[_LAMP]
        self.mean[_LAMP] = PRIOR[_LAMP]
        self.lit = 0.0

    @property
    def lamp(self) -> tuple[float, float]:
        """What the lamp warms the water by, K/h, and its standard error."""
        return self.mean[_LAMP], math.sqrt(max(0.0, self.cov[_LAMP][_LAMP]))

    @property
    def carries(self) -> bool:
        """Whether the lamp's heat stands out from everything else enough to be missed."""
        warms, error = self.lamp
        return min(self.lit, self.dark) >= EACH and warms > CARRIES * error
