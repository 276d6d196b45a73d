"""Where a new tank stands in its nitrogen cycle, and when the cycle ends."""
