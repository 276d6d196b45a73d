"""One model of the water's heat: a balance, the devices that act on it, and what may be wrong.

`tests/bench/bench_heat.py` lets it judge the same simulated tanks as the daemon's own watch
and prints both. It takes the place of `estimate/heat` when that table is better in every column.
"""
