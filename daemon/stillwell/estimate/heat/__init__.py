"""Heater and heat, inferred from the temperature alone: learning and judging.

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
- `pump` tells a pump that stands from water that was poured.

`stillwell.observe.heat` speaks of it.

Figures that name no source, in any of them, are our own choice, checked on simulated tanks: the
heater's bench and the catalogue of faults.
"""

from stillwell.estimate.heat.inference import Inference, Sight
from stillwell.estimate.heat.plan import BandEdges, HeaterPlan
from stillwell.estimate.heat.standing import Condition

__all__ = [
    "BandEdges",
    "Condition",
    "HeaterPlan",
    "Inference",
    "Sight",
]
