"""One model of the water's heat: a balance, the devices that act on it, and what may be wrong.

`tank` learns and weighs, `judge` says what stands; `tests/bench/bench_heat.py` judges both on
simulated tanks.
"""
