"""What a tank's heat is known by: all that is to be kept for the next run, as plain values."""

from __future__ import annotations

from dataclasses import dataclass, field

from stillwell.estimate.heat_balance.kalman import Point
from stillwell.estimate.heat_balance.law import Alike, Piece
from stillwell.estimate.heat_balance.points import Turn, Turns, Zigzag
from stillwell.estimate.heat_balance.rests import Rests
from stillwell.estimate.heat_balance.transitions import Belief


@dataclass(slots=True)
class Knowledge:
    """Mutable; owned by one tank. Hours count from any fixed moment."""

    law: list[float] = field(default_factory=list)
    """The numbers of the law; see `law.LawLearner`. Empty: as on the first day."""
    covariance: list[list[float]] = field(default_factory=list)
    alike: Alike = field(default_factory=Alike)
    sound: tuple[list[float], list[list[float]]] | None = None
    """The law's numbers and covariance when a device last switched where it should."""
    turns: tuple[Turns, Turns] = field(default_factory=lambda: (Turns(), Turns()))
    """The heater's and the chiller's, as by day."""
    pairs: list[tuple[Point, Point] | None] = field(default_factory=lambda: [None, None])
    """Where heater and chiller switch, as last known, as by day."""
    zigzag: Zigzag = field(default_factory=Zigzag)
    belief: Belief | None = None
    """None: it is not known yet where the devices switch."""
    proportional: bool = False
    clean: int = 0
    """So many turning points in a row were where the device switches."""
    at_h: float | None = None
    start_h: float = 0.0
    aged_h: float = 0.0
    """When the law's numbers were last let wander."""
    disturbed_h: float = -1e9
    jolted_h: float = -1e9
    """When the water last changed at once, as by hands."""
    recent: list[Turn] = field(default_factory=list)
    """The last three turning points, as by day."""
    moved_turns: Turns = field(default_factory=Turns)
    flat: list[float] = field(default_factory=list)
    """The water every ten minutes, for a day."""
    flat_h: float = -1e9
    shifted_h: float = -1e9
    """When the heater was last set otherwise than by day."""
    base: float = 0.0
    """Stands for the room where it is not seen, °C."""
    usual_rest: float = 0.0
    """Where the water would settle, as control has come to terms with it, °C."""
    piece: Piece | None = None
    rests: Rests = field(default_factory=Rests)
