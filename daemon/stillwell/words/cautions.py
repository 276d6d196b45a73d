"""The cautions that go with an action, and what to look at first."""

UNPLUG = (
    "Unplug heater and pump, with dry hands, before you reach in. If a plug is wet or the RCD "
    "(GFCI) has tripped, switch the circuit off first."
)
HOT_HEATER = "Leave a hot heater in the water for 15 min."
"""The minutes are common practice."""
FAN = "Keep fan and cords dry, with a drip loop below each socket."
PROBE = "Unplug heater and pump, with dry hands, before you reach in."
IN_SHORT = "Unplug, with dry hands, before you reach in."
"""The short caution of a repeat."""
