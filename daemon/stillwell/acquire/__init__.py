"""From hardware to stamped samples: a thread a bus, deadlines, a monotonic ticker, the clock's
epochs."""
