"""Tells faults of sensors from changes of the water: which probe not to believe, why, and how
certain that is.

Four things tell them apart:

- *physics* (`place`): water as a whole cannot change faster than heater and heat capacity allow; a
  probe that is pulled out or plugged elsewhere does;
- *the other probe* (`difference`): both are in the same water, so that their difference is steady;
- *the thermostat* (`difference`): it switches at a fixed setting, so that the probe that sees the
  setting creep is the one that drifts (the setting as each probe sees it comes in with the
  readings);
- *each probe's own habit* (`habit`): its noise, and how long it repeats one value.

A probe that is doubted is not believed until it has behaved for a while. The new zero of a replaced
probe, below `difference.REBASED_K`, is accepted without a report.

Figures that name no source are our own choice, checked on simulated tanks by the catalogue of
faults.
"""
