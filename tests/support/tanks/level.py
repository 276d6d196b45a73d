"""A return chamber's level as straight lines: it falls steadily, water is poured in, a gauge and
floats look at it; and what the level's model makes of that. Times are ms, levels mm from the fill
mark."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable

from stillwell.estimate.answer import Estimate, NotEnough
from stillwell.estimate.level.evidence import Evidence, Gauge, Share
from stillwell.estimate.level.geometry import Geometry
from stillwell.estimate.level.model import LevelModel
from stillwell.estimate.level.state import LevelState

MIN = 60_000
H = 60 * MIN
DAY = 24 * H
ML_PER_MM = 16.2
CHAMBER = Geometry(16_200.0, 0.05)

Event = tuple[int, Evidence]


def phi(z: float) -> float:
    """Returns the normal distribution's share below `z`."""
    return 0.5 * math.erfc(-z / math.sqrt(2))


class Water:
    """What happens to one chamber."""

    def __init__(
        self,
        ml_per_h: float = 24.0,
        start_mm: float = 0.0,
        pours: Iterable[tuple[int, float]] = (),
    ) -> None:
        """Makes the water. `pours`: times and mL."""
        self.mm_per_h = ml_per_h / ML_PER_MM
        self.start_mm = start_mm
        self.pours = list(pours)

    def pour(self, t_ms: int, ml: float) -> Water:
        self.pours.append((t_ms, ml))
        return self

    def level(self, t_ms: float) -> float:
        up = sum(ml for t, ml in self.pours if t <= t_ms) / ML_PER_MM
        return self.start_mm - self.mm_per_h * t_ms / H + up

    def gauge(self, t0: int, t1: int, noise: float = 0.5, seed: int = 1) -> list[Event]:
        """Returns readings of the gauge, once a minute."""
        draw = random.Random(seed)
        return [(t, Gauge(t, self.level(t) + draw.gauss(0, noise))) for t in range(t0, t1 + 1, MIN)]

    def float_(
        self,
        name: str,
        height: float,
        t0: int,
        t1: int,
        ripple: float = 0.8,
        *,
        upside_down: bool = False,
    ) -> list[Event]:
        """Returns shares of a float without differential, once a minute, by the law (water that
        ripples normally about its level), rounded to looks."""
        out: list[Event] = []
        for t in range(t0 + MIN, t1 + 1, MIN):
            over = (self.level(t - MIN / 2) - height) / ripple
            closed = round(60 * phi(over)) / 60
            out.append((t, Share(name, t - MIN, t, 1 - closed if upside_down else closed, 60)))
        return out


def play(
    model: LevelModel, events: Iterable[Event], until: int, state: LevelState | None = None
) -> LevelState:
    """Returns what the model knows at `until`, from events in any order."""
    state = state or model.start(0)
    for t, e in sorted(events, key=lambda pair: pair[0]):
        state = model.update(state, e, t)
    return model.tick(state, until)


def number(answer: Estimate | NotEnough) -> Estimate:
    assert isinstance(answer, Estimate), answer
    return answer


def reason(answer: object) -> str:
    assert isinstance(answer, NotEnough), answer
    return answer.reason


def holds(answer: Estimate | NotEnough, truth: float) -> bool:
    """Whether the number is withheld with a reason, or its interval holds the truth."""
    if isinstance(answer, NotEnough):
        return bool(answer.reason)
    return answer.low <= truth <= answer.high
