"""The difference of two probes in one water, or of a probe and the thermostat: its usual and its
recent value. A difference that creeps is a drift; one that jumps and stays is a new zero."""

from __future__ import annotations

from dataclasses import dataclass

DRIFTED_K = 0.2
"""A difference that has crept this far is reported."""
CREPT_K = 0.3
"""The same for a single probe, which has only the thermostat beside it. The dial may have been
turned little by little, so it is reported later."""
TURNED_K = 0.05
"""A setting that moves by more than this at once was changed by the dial or by a new probe, and
is no drift."""
SUDDEN_K = 0.12
REBASED_K = 0.5
STAYED_S = 3600.0
SETTLED_S = 36 * 3600.0
"""How long a difference is learned before a drift is measured from it."""
KNOWN_S = 3600.0
BASE_LIFE_S = 30 * 86_400.0
FAST_LIFE_S = 3 * 3600.0


@dataclass(slots=True)
class Difference:
    """The difference of two things that should go together, K. Times are the judge's seconds."""

    base: float = 0.0
    """Its usual value."""
    fast: float = 0.0
    """Its value in the last hours."""
    seconds: float = 0.0
    odd_s: float | None = None
    """Since when it has been off after a sudden change."""
    suspect: str = ""
    """Which of the two moved at that change."""

    def add(self, value: float, dt_s: float) -> None:
        if self.seconds == 0.0:
            self.base = self.fast = value
        self.seconds += dt_s
        self.fast += min(1.0, dt_s / FAST_LIFE_S) * (value - self.fast)
        if abs(value - self.base) < 0.75 * DRIFTED_K or self.seconds < SETTLED_S:
            life = min(BASE_LIFE_S, self.seconds)
            self.base += min(1.0, dt_s / life) * (value - self.base)

    @property
    def off(self) -> float:
        """Returns how far it has crept, K; 0 before it is settled."""
        return self.fast - self.base if self.seconds > SETTLED_S else 0.0

    def sudden(self, value: float) -> float:
        """Returns how far it has moved suddenly, K; 0 for what may be noise, or before it is
        known."""
        away = value - self.fast
        return away if self.seconds > KNOWN_S and abs(away) > SUDDEN_K else 0.0

    def jump(self, by: float) -> None:
        """Accepts a new zero."""
        self.base += by
        self.fast += by

    def rezero(self, by: float) -> None:
        """Takes the two to be further apart by this much from now on, and their recent
        difference as the usual one."""
        self.base = self.fast = self.fast + by
        self.odd_s, self.suspect = None, ""
