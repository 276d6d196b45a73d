"""Sensors told apart from water: which probe not to believe, why, and how sure that is.

What tells them apart:

- *physics* (`place`): water as a whole cannot change faster than heater and heat capacity allow, a
  probe that is pulled out or plugged elsewhere does;
- *the other probe* (`difference`): they hang in the same water, so that their difference stands
  still;
- *the thermostat* (`difference`): it switches where it always does, so that the probe that sees it
  creep is the one that drifts (the setting as each probe sees it comes in with the readings);
- *each probe's own habit* (`habit`): its noise, and for how long it repeats itself.

A probe that is doubted is not believed until it has behaved for a while. A new probe's other zero,
below `difference.REBASED_K`, is taken as it is and said to nobody.

Figures that name no source are our own choice, checked on simulated tanks by the catalogue of
faults.
"""

from stillwell.estimate.probes.doubt import Doubted, Kind
from stillwell.estimate.probes.judge import ProbeJudge

__all__ = ["Doubted", "Kind", "ProbeJudge"]
