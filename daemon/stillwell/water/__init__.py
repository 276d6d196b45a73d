"""Physics of a small body of seawater: pure functions, each with its source. SI, and degC.

Nothing here is fitted to a tank. What a real tank does differs from the best formula for
evaporation by 20 % and more (see `evaporation`): physics says what is plausible and how it changes,
the level says how much it was.
"""
