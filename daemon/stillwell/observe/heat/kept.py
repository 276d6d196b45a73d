"""What the observer of heat keeps for its next run."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from stillwell.estimate.heat_balance.devices import Devices
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.estimate.heat_balance.probe import Held
from stillwell.estimate.probes.judge import Judged
from stillwell.estimate.timeline import Timeline
from stillwell.form import Form
from stillwell.observe.heat.lamp import LampKept
from stillwell.observe.heat.mains import Mains
from stillwell.observe.heat.plan import NONE


@dataclass(frozen=True, slots=True)
class Dial:
    """A dial that was moved."""

    since_s: float
    at_c: tuple[float, ...]
    """Where the heater switches since, or holds the water."""
    by_k: float


@dataclass(slots=True)
class Kept:
    """What is known, for the next run."""

    devices: Devices = NONE
    line: Timeline = field(default_factory=Timeline)
    probes: dict[str, Held] = field(default_factory=dict)
    told: dict[str, bool] = field(default_factory=dict)
    """The alarms that stand, and whether the heater is only at its limit."""
    lead: str = ""
    room: tuple[float, float] = (0.0, -math.inf)
    """The room's temperature, °C, and when it was read, s."""
    lamp: tuple[float, float] = (0.0, -math.inf)
    """As `room`, of the lamp's switch."""
    waits: dict[Verdict, float] = field(default_factory=dict)
    """Since when a verdict stands that is not told yet, s."""
    dial: Dial | None = None
    lit: LampKept = field(default_factory=LampKept)
    mains: Mains = field(default_factory=Mains)
    judge: Judged | None = None


KEPT = Form(Kept)
