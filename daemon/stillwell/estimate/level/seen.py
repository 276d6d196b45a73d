"""What a passage found: the evidence that there was, and what it had to work out."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Oddity:
    """Something that the passage worked out."""

    t_ms: int
    kind: str
    """One of ``unnoted pour``, ``drain``, ``pour not seen``, ``rate break``."""
    ml: float = 0.0
    sd_ml: float = 0.0


@dataclass(slots=True)
class Seen:
    """What evidence a window held."""

    gauge: int = 0
    intervals: dict[str, int] = field(default_factory=dict)
    partly: dict[str, int] = field(default_factory=dict)
    pours: int = 0
    inferred: int = 0
    marks: int = 0
    expected: int = 0
    distrusted: set[str] = field(default_factory=set)
    paused: int = 0
    dry: bool = False
    """Whether the water stood so low that the pump may have drawn air."""
