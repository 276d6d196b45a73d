"""From hardware to stamped samples: one thread per bus, deadlines, a monotonic ticker, the clock's
epochs."""
