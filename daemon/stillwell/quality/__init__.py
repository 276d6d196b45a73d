"""Is this number a measurement? One module per test, pure, named as in the QARTOD manuals.

Flags and tests follow the manuals of U.S. IOOS, *Manual for Real-Time Quality Control of In-situ
Temperature and Salinity Data* (QARTOD; v2.0 2015, doi:10.7289/V5V40SD4). Each judges the
newest value by what came before it. Where they differ from the manual and from ioos-qc 3.0.0, which
judge a finished series, it is on purpose:

===========  =================================  ==================================================
test         manual and ioos-qc                 the newest value, here
===========  =================================  ==================================================
all          an infinite value fails the        NaN or nothing is MISSING, infinite is FAIL in
             gross range and is missing to      every test: a sensor that says so has answered,
             the other tests                    and wrongly
spike        the value before the newest        the newest itself, at once: SUSPECT when further
             against the mean of its            than the threshold from both values before it. The
             neighbours: one value late, and    way back passes. A step that stays is suspect
             the neighbours are flagged too     once, then it is believed.
rate of      against the value before, by the   against the last value that *passed*, by monotonic
change       wall clock in whole seconds; one   time: the way back from a spike passes, a step is
             step of the sensor's resolution    believed once time enough has gone by to explain
             within a second is a rate, and     it. Less a floor, so that steps of the sensor's
             the way back from a spike too      resolution are no rate.
flat line,   made into counts by the median     elapsed time. A silence longer than the gap limit
thresholds   interval: irregular readings are   begins a new run: what nobody saw was not flat.
             flagged wrongly
flat line,   range < tolerance over a sliding   range < tolerance since the run began: equal to
tolerance    window; 0 never flags              the sliding window while the tolerance is under one
                                                step of the resolution, as it must be, and never
                                                earlier. 0 is refused.
gap          asked when the clock says so       the same; and a gap empties the spike test's memory
===========  =================================  ==================================================

Gross range is the same in both. Not in the manual, but needed beside a tank: `power_on` (85 °C) and
`stale_conversion`. `judge` runs the tests of one channel on its samples; the manual's neighbour
test, here between probes centimetres apart, flags no reading and is one of the alarm rules
(`stillwell.alarm.rules.neighbours`).
"""
