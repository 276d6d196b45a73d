"""What watches along the pipeline: each observer sees every reading and journal entry, finds what
is wrong, publishes numbers, and survives a restart. The mathematics are in `stillwell.estimate`.

`observing` runs them beside the watch; `heat` sees heater, pump and probes by the water's
temperature, `chamber` the level and its sensors, `lamp` the hours of the light, `salt` and `cycle`
what the journal says (`balance`) by the keeper's `plan`.
"""
