"""A tank's salt, simulated with masses: what the keeper does and writes down, what really happened.

Shares no code with the estimator: kg of water and g of salt are moved about, and the journal is
what a keeper with a can, a bucket and a refractometer would note.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from stillwell.estimate.salt.told import Check, Event, Exchange, TopUp

DAY = 86_400_000
HOUR = 3_600_000
FULL_KG = 69.57
"""68 L at a salinity of 35 and 25 °C."""
FRESH_KG_PER_L, SALT_KG_PER_L = 0.99705, 1.0233
"""At 25 °C, of pure water and at a salinity of 35: EOS-80 (UNESCO Technical Paper in Marine Science
44, 1983): 997.048 and 1023.343 kg/m3."""


@dataclass(frozen=True)
class Habits:
    """What a keeper does, and how well."""

    days: int = 90
    check_every_d: int = 7
    check_sd: float = 0.5
    change_every_d: int = 7
    change_l: float = 10.0
    batch_sd: float = 0.4
    evaporation_l_d: float = 0.54
    splash_per_root_day: float = 0.03
    """The standard deviation of salinity that comes and goes irregularly."""
    leak_per_day: float = 0.0
    """The salinity that is steadily lost in a day, and not noted."""
    missed_top_up: float = 0.1
    """The share of days without a top-up."""
    salt_can_from_d: int | None = None
    """The day from which the top-up can holds salt water, without anybody knowing."""


@dataclass(frozen=True)
class Water:
    """The water of one day."""

    end_kg: float
    change: tuple[float, float, float]
    """The water before a water change, taken out, filled in; kg, zeros on other days."""


@dataclass
class Run:
    """What was noted, and what was true."""

    events: list[Event] = field(default_factory=list)
    truth: list[tuple[int, float]] = field(default_factory=list)
    """Time and salinity of each day at 21:00."""
    water: list[Water] = field(default_factory=list)
    """What no keeper knows, day by day."""


def simulate(habits: Habits, seed: int) -> Run:
    rng = random.Random(seed)
    run = Run()
    water_kg, salt = FULL_KG, FULL_KG * rng.gauss(35.0, 0.5)  # salt in kg x salinity
    rate = habits.evaporation_l_d * rng.lognormvariate(0.0, 0.2)
    weather = 0.0
    for day in range(habits.days):
        weather = 0.8 * weather + rng.gauss(0.0, 0.06)
        water_kg -= rate * max(0.2, 1 + weather) * FRESH_KG_PER_L
        salt += FULL_KG * (rng.gauss(0.0, habits.splash_per_root_day) - habits.leak_per_day)
        start = day * DAY
        change = (0.0, 0.0, 0.0)
        if day % habits.change_every_d == 3:
            taken = habits.change_l * rng.gauss(1.0, 0.03) * SALT_KG_PER_L
            before = water_kg
            salt -= taken * salt / water_kg
            water_kg -= taken
            new = rng.gauss(35.0, habits.batch_sd)
            filled = max(0.0, FULL_KG - water_kg + rng.gauss(0.0, 0.1))
            salt += filled * new
            water_kg += filled
            change = (before, taken, filled)
            run.events.append(Exchange(start + 17 * HOUR, habits.change_l * 1000, 35.0))
        elif rng.random() > habits.missed_top_up:
            poured = max(0.0, FULL_KG - water_kg + rng.gauss(0.0, 0.1))
            water_kg += poured
            if habits.salt_can_from_d is not None and day >= habits.salt_can_from_d:
                salt += poured * 35.0
            noted = poured / FRESH_KG_PER_L * rng.gauss(1.0, 0.05) * 1000
            run.events.append(TopUp(start + 18 * HOUR, noted, to_mark=True))
        if day % habits.check_every_d == 0:
            read = rng.gauss(salt / water_kg, habits.check_sd)
            run.events.append(Check(start + 20 * HOUR, read, habits.check_sd))
        run.water.append(Water(water_kg, change))
        run.truth.append((start + 21 * HOUR, salt / water_kg))
    return run
