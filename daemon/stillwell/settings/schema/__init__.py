"""The shape of the configuration: one model per table. Values are in the units of
`stillwell.units`.

The table of a driver or a sink is its own `Settings` model; only the keys that every source and
every sink has are here. The units in a channel or a band follow from its quantity, so both have one
model per quantity.
"""
