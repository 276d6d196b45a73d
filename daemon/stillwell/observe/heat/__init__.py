"""The heater's watch: what is inferred from the water's temperature becomes alarms, in words."""
