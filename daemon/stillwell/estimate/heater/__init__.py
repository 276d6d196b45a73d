"""Heater and heat, inferred from the temperature alone: learning, judging, saying.

- `sawtooth` takes the trace apart into half cycles and turning points,
- `thermostat` learns from them (`creep`, `running`, `room_law` are its numbers),
- `stories` are the courses that the relay may be taking, `relay_filter` weighs them against what
  it always does,
- `jumps` says by how much the trace has jumped (`tears`, `gaps` and `steps` measure it), `duty`
  counts when the relay was on,
- `heat_share` measures how much of the heater's heat comes, `power` says by it whether that is
  enough, and `dial` whether the thermostat's dial was turned,
- `inference` is one probe's learning and judging (`standing` is what it holds for so),
  `forecast` where it leads,
- `trim` is the advice about the dial,
- `pump` tells a pump that stands from water that was poured,
- `watch` is the observer that speaks, with `texts` for its words.

Figures that name no source, in any of them, are our own choice, checked on simulated tanks: the
heater's bench and the catalogue of faults.
"""

from stillwell.estimate.heater.inference import Inference, Sight
from stillwell.estimate.heater.plan import BandEdges, HeaterPlan
from stillwell.estimate.heater.standing import Condition
from stillwell.estimate.heater.watch import (
    MAINS_LOST,
    PATIENCE,
    PUMP_RESTS,
    PUMP_STOPPED,
    HeaterWatch,
    consequences,
)

__all__ = [
    "MAINS_LOST",
    "PATIENCE",
    "PUMP_RESTS",
    "PUMP_STOPPED",
    "BandEdges",
    "Condition",
    "HeaterPlan",
    "HeaterWatch",
    "Inference",
    "Sight",
    "consequences",
]
