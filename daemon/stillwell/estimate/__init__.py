"""What the readings add up to: pure, incremental estimators (values in, values out, time an
argument)."""
