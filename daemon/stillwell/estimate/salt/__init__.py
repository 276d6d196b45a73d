"""What the tank's salinity is between two checks, and how well that is known."""
