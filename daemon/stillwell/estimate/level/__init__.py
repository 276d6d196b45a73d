"""From floats, a gauge and the keeper's pours to the water lost, with an honest interval.

The shape is a Bayesian state space (level, rate, and the errors of chamber and sensors as states;
see `bank`), with these choices:

- **Level in mm, loss in mL only at the end.** Every sensor speaks mm and every pour mL; with the
  chamber's mm-per-mL as a state the model is linear, and "two returns to one height, the pours
  between them" comes out as the exact ledger, whatever the area, without a special case.
- **Geometry errors are states, not inflation.** A float's height, the area, the ripple and the
  gauge's zero are the same tonight and tomorrow: as states their errors are correlated across
  windows as they should be, cancel where they cancel, and a noted pour calibrates the area by
  itself. Analytic inflation would double-count in the ledger and can't be calibrated away.
- **Ratio to an expected rate.** The rate is (long-run + today's departure) times a shape: physics'
  expected rate where there is one, else a typical constant. So physics shapes the night and its
  amount counts once, as one correlated piece of knowledge, while the level tells the amount.
  Gaussian rather than log-rate: the filter stays linear, so that a window's parts sum to the
  window; a slightly negative lower end is the price.
- **Several opinions on how restless the rate is** run side by side and are weighed by how well they
  predict: a steady night is then estimated nearly as well as if it were known to be steady.
- **The ripple is learned like an error of geometry.** A float's stated ripple need not be right; it
  is a state, and the product of ripple and level that a float sees enters by its moments.
- **A float's share closed** is a smooth function of the level, ripple and differential (`ripple`);
  its likelihood goes in by quadrature (assumed-density filtering), not by a linearisation, since
  its tails (closed throughout, open throughout) carry evidence too. While the level is vague, of
  a long time of being closed only the end counts, and of being open the beginning: water falls,
  and the rest follows.
- **Windows by a counting state** rather than a backward smoother: mm lost since the window's start
  is one more coordinate that later evidence goes on correcting (fixed-point smoothing). Nothing
  needs to be stored but the condensed evidence.
- **All answers are functions of the ledger** (`ledger`): ten-minute slices, pours, pauses of the
  last fifteen days, and checkpoints of the filter twice a day. A late pour is simply in the ledger
  and the passage from the checkpoint before it is run again; a restart in between changes no digit.
  A reading costs a few microseconds and does not know how long the history is.
- **Pours that nobody noted, noted pours that never happened, sensors at fault** are competing
  explanations of a surprising slice, weighed over two slices before one is taken (`passage`).

Priors and thresholds in this package that name no source are our own choice, checked on simulated
tanks; a default that a keeper may state otherwise (heights, ripple, noise) is common practice."""

from stillwell.estimate.level.evidence import (
    Evidence,
    Expect,
    Gauge,
    Pour,
    PumpStopped,
    Share,
    WaterChange,
)
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry, Habits
from stillwell.estimate.level.model import CalibrationWorth, LevelModel, RateView
from stillwell.estimate.level.seen import Oddity
from stillwell.estimate.level.state import LevelState, Refused

__all__ = [
    "CalibrationWorth",
    "Evidence",
    "Expect",
    "FloatSpec",
    "Gauge",
    "GaugeSpec",
    "Geometry",
    "Habits",
    "LevelModel",
    "LevelState",
    "Oddity",
    "Pour",
    "PumpStopped",
    "RateView",
    "Refused",
    "Share",
    "WaterChange",
]
