"""What each part is told of the tank, from the settings."""
