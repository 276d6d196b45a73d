"""The lamp's hours by the water's warmth: ``python tests/bench/bench_light.py [--tanks N]``.

Tanks are drawn at random (40 to 120 L, lamps that leave 5 to 25 W in the water, probes in steps of
1/16 K with noise), live for eight days of winter, and are looked at for seven: with a room probe,
without one, and without a lamp. Prints how often hours are named, how often those hold the true
ten, and how often hours are named of a lamp that is not there.
"""

from __future__ import annotations

import argparse
import random
from dataclasses import replace
from datetime import UTC, datetime
from statistics import fmean
from zoneinfo import ZoneInfo

from stillwell.estimate.lamplight import CELL_MS, Cell, LitHours, lit_hours
from stillwell_drivers.tank_keeper import Keeper
from stillwell_drivers.tank_model import TankModel, TankParameters

ZONE = ZoneInfo("Europe/Dublin")
START_MS = round(datetime(2026, 1, 5, tzinfo=UTC).timestamp() * 1000)
A_DAY = 144
LOOKS = 20
TRUE_H = 10.0


def lived(tank: TankParameters, seed: int, days: int) -> list[Cell]:
    """Returns the ten-minute means of a tank's life, after a day to settle."""
    model = TankModel(tank, seed, START_MS, ZONE, keeper=Keeper())
    rng = random.Random(seed)
    cells = []
    for place in range((days + 1) * A_DAY):
        water, room = [], []
        for look in range(LOOKS):
            model.advance(START_MS + place * CELL_MS + look * CELL_MS // LOOKS)
            state = model.state
            water.append(round((state.chamber_c + rng.gauss(0.0, tank.probe_noise_k)) * 16) / 16)
            room.append(state.room_c)
        if place >= A_DAY:
            at = datetime.fromtimestamp((START_MS + place * CELL_MS) / 1000, ZONE)
            cells.append(
                Cell(
                    START_MS + place * CELL_MS,
                    at.hour * 60 + at.minute,
                    fmean(water),
                    fmean(room) + rng.gauss(0.0, 0.03),
                )
            )
    return cells


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tanks", type=int, default=40)
    parser.add_argument("--days", type=int, default=7)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    named = {"with a room probe": 0, "without one": 0, "without a lamp": 0}
    right = dict.fromkeys(named, 0)
    for seed in range(asked.seed, asked.seed + asked.tanks):
        tank = TankParameters.drawn(seed)
        lit = lived(tank, seed, asked.days)
        dark = lived(replace(tank, lamp_w=0.0), seed, asked.days)
        for name, cells in (
            ("with a room probe", lit),
            ("without one", [replace(cell, room_c=None) for cell in lit]),
            ("without a lamp", dark),
        ):
            found = lit_hours(cells)
            if isinstance(found, LitHours):
                named[name] += 1
                right[name] += found.low <= TRUE_H <= found.high
    print(f"{asked.tanks} tanks, {asked.days} days each, seeds from {asked.seed}")
    for name, count in named.items():
        print(f"{name:20} hours named of {count:3d}, right of {right[name]:3d}")


if __name__ == "__main__":
    main()
