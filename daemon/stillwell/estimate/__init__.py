"""What the readings add up to: pure, incremental estimators. They take values and return values;
time is an argument."""
