"""The shape of the configuration: one model a table. Values are in the units of `stillwell.units`.

What a driver or a sink wants in its table is its own `Settings` model; only the keys that every
source and every sink has are here. A channel's and a band's units follow from the quantity, so both
come in one model a quantity.
"""
