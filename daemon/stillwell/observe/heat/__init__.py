"""The observer of the water's heat: what the balance of heat infers becomes alarms."""
