"""Observers, which run beside the watch: each sees every reading and journal entry, finds what is
wrong, publishes numbers, and survives a restart. The mathematics are in `stillwell.estimate`.

`observing` runs them. `heat` watches heater, pump and probes by the water's temperature,
`chamber` the level and its sensors, `lamp` the hours of the light; `salt` and `cycle` follow
what the journal says (`balance`), with the tank's data from the keeper's `plan`.
"""
