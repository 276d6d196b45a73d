"""Estimates the water that was lost from floats, a gauge and the keeper's pours, with an honest
interval.

It is a Bayesian state space (level, rate, and the errors of chamber and sensors as states; see
`bank`), with these choices:

- **Level in mm, loss in mL only at the end.** Every sensor gives mm and every pour mL. With the
  chamber's mm-per-mL as a state the model is linear, and "two returns to one height, the pours
  between them" comes out as the exact ledger, whatever the area, without a special case.
- **Geometry errors are states, not inflation.** A float's height, the area, the ripple and the
  gauge's zero are the same tonight and tomorrow. As states, their errors are correlated across
  windows as they should be and cancel where they cancel, and a noted pour calibrates the area by
  itself. Analytic inflation would double-count in the ledger and can't be calibrated away.
- **Ratio to an expected rate.** The rate is (long-run + today's departure + the day's course)
  times a shape: physics' expected rate where there is one, else a typical constant. So physics
  gives the night its shape, and its amount counts once, as one correlated piece of knowledge, while
  the level shows the real amount. The rate itself is Gaussian, not its logarithm: the filter stays
  linear, so that a window's parts sum to the window; the price is a slightly negative lower end.
- **A course that comes each day** (lamp, fan, lid) is a pair of states that turns once a day, for
  a ladder of floats: they are passed at a few hours only, and a night is not as the whole day.
- **A bare look may be wrong**: contacts chatter near where they close. A single one moves no level
  (`ripple`).
- **Several assumptions about how restless the rate is** run side by side and are weighted by how
  well they predict. A steady night is then estimated nearly as well as if it were known to be
  steady.
- **The ripple is learned like an error of geometry.** A float's stated ripple need not be right; it
  is a state, and the product of ripple and level that a float sees enters by its moments.
- **A float's share closed** is a smooth function of the level, ripple and differential (`ripple`).
  Its likelihood goes in by quadrature (assumed-density filtering), not by a linearisation, since
  its tails (closed throughout, open throughout) carry evidence too. While the level is vague, only
  the end of a long time of being closed counts, and only the beginning of one of being open: water
  falls, and the rest follows.
- **Windows by a counting state** instead of a backward smoother: mm lost since the window's start
  is one more coordinate that later evidence goes on correcting (fixed-point smoothing). Only the
  condensed evidence needs to be stored.
- **All answers are functions of the ledger** (`ledger`): ten-minute slices, pours and pauses of the
  last fifteen days, and checkpoints of the filter twice a day. A late pour is put into the ledger
  and the passage from the checkpoint before it is run again; a restart in between changes no digit.
  A reading costs a few microseconds however long the history is.
- **Pours that nobody noted, noted pours that never happened, sensors at fault** are competing
  explanations of a surprising slice, weighed over two slices before one is taken (`passage`).

Priors and thresholds in this package that name no source are our own choice, checked on
simulated tanks; a default that a keeper may state otherwise (heights, ripple, noise) is common
practice."""
