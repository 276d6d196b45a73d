"""Makes the plan of each part, its data about the tank, from the settings."""
