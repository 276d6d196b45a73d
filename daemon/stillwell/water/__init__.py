"""Physics of a small body of seawater: pure functions, each with its source. SI, and degC.

Nothing here is fitted to a tank. A real tank differs from the best formula for evaporation by 20 %
and more (see `evaporation`): physics tells what is plausible and how it changes, the level tells
how much it was.
"""
