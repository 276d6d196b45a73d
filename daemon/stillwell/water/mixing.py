"""Mixing salt water: how much salt to weigh, how to correct a batch, what a water change does.

Everything is kept in masses, where mixing is exact: salt in g, water in kg, so that no operation
makes or loses salt. Volumes are given and returned at a temperature. Salinity is practical
salinity.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, log

from stillwell.water.heat import heat_capacity_j_per_k
from stillwell.water.seawater import (
    density_kg_m3,
    grams_per_kilogram,
    practical_salinity,
)

FIRST_PORTION = 0.95
"""Share of the salt that goes in first; the rest follows after a reading, so that a batch is
approached from below: salt goes in easily and comes out only by throwing water away (common
practice)."""
US_CUP_ML = 231 * 25.4**3 / 1000 / 16
CUP_HOLDS_G_PER_ML = 1.15
"""How much dry mix a loosely filled cup holds: about half a US cup per US gallon (common
practice)."""
CUP_IS_OFF_BY = 0.2
"""A cup is filled more or less tightly: a fifth up or down (common practice)."""


@dataclass(frozen=True, slots=True)
class Water:
    """A body of water of one salinity and temperature."""

    kg: float
    salinity: float
    t_c: float = 25.0

    @classmethod
    def of_volume(cls, ml: float, salinity: float, t_c: float = 25.0) -> Water:
        """Returns `ml` of such water. Raises ValueError for a volume below zero."""
        if not 0.0 <= ml < inf:
            raise ValueError(f"A volume is 0 mL or more, not {ml:g} mL.")
        return cls(ml / 1e6 * density_kg_m3(salinity, t_c), salinity, t_c)

    @property
    def salt_g(self) -> float:
        """Returns the anhydrous salt in it, in g."""
        return self.kg * grams_per_kilogram(self.salinity)

    @property
    def ml(self) -> float:
        """Returns its volume, in mL."""
        return self.kg / density_kg_m3(self.salinity, self.t_c) * 1e6

    def part(self, ml: float) -> Water:
        """Returns `ml` of it. Raises ValueError when there is less."""
        if not 0.0 <= ml <= self.ml * (1 + 1e-9):
            raise ValueError(f"{ml:.0f} mL can't be taken from {self.ml:.0f} mL.")
        return Water.of_volume(ml, self.salinity, self.t_c)


def _made_of(kg: float, salt_g: float, t_c: float) -> Water:
    return Water(kg, practical_salinity(salt_g / kg) if kg > 0 else 0.0, t_c)


def mixed(one: Water, other: Water) -> Water:
    """Returns both together. Salt adds up; so does heat, with equal heat capacities per kg (fresh
    water has 4 % more than seawater: half a tenth of a kelvin in the worst change)."""
    kg = one.kg + other.kg
    if kg <= 0:
        return one
    t_c = (one.kg * one.t_c + other.kg * other.t_c) / kg
    return _made_of(kg, one.salt_g + other.salt_g, t_c)


def without(water: Water, taken_ml: float) -> Water:
    """Returns what is left when `taken_ml` of it are taken out."""
    taken = water.part(taken_ml)
    return Water(max(0.0, water.kg - taken.kg), water.salinity, water.t_c)


def changed(tank: Water, ml: float, new: Water) -> Water:
    """Returns the tank after `ml` of it went out and `ml` of the new water came in."""
    return mixed(without(tank, ml), new.part(ml))


# -- a batch -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DryMix:
    """What is known of a salt: which share of what is weighed is water of crystallisation.

    There is no standard figure. At 0 a batch turns out a little low, never high, and `learned`
    finds the share from the first batch that was measured.
    """

    water_share: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.water_share < 0.5:
            raise ValueError(
                f"The share of water in a dry mix is from 0 to 50 %, not {self.water_share:.0%}."
            )

    def weighed(self, salt_g: float) -> float:
        """Returns the dry mix to weigh for this much anhydrous salt, in g."""
        return salt_g / (1.0 - self.water_share)

    def salt(self, weighed_g: float) -> float:
        """Returns the anhydrous salt in what was weighed, in g."""
        return weighed_g * (1.0 - self.water_share)


@dataclass(frozen=True, slots=True)
class Cups:
    """An amount of dry mix in cups: rough, given with its range. Weigh if there is a scale."""

    low: float
    high: float

    def __str__(self) -> str:
        return f"roughly {self.low:.1f} to {self.high:.1f} US cups; weigh it if you can"


def cups(dry_g: float) -> Cups:
    """Returns roughly how many US cups hold this much dry mix."""
    middle = dry_g / CUP_HOLDS_G_PER_ML / US_CUP_ML
    return Cups(middle * (1 - CUP_IS_OFF_BY), middle * (1 + CUP_IS_OFF_BY))


@dataclass(frozen=True, slots=True)
class Recipe:
    """How to make a batch."""

    dry_g: float
    """All of the dry mix."""
    first_g: float
    """The part of it that goes in before the first reading."""
    fresh_ml: float
    """Fresh water to put the salt into."""
    made: Water

    @property
    def rough(self) -> Cups:
        """Returns the dry mix in cups."""
        return cups(self.dry_g)


def batch(ml: float, salinity: float, t_c: float = 25.0, mix: DryMix | None = None) -> Recipe:
    """Returns how to make `ml` of salt water.

    Args:
        ml: volume of the finished batch at `t_c`.
        salinity: above 0 to 42.
        t_c: the temperature at which volumes are measured.
        mix: the salt.
    """
    mix = mix or DryMix()
    made = Water.of_volume(ml, salinity, t_c)
    dry_g = mix.weighed(made.salt_g)
    fresh = Water(made.kg - dry_g / 1000, 0.0, t_c)
    return Recipe(dry_g, dry_g * FIRST_PORTION, fresh.ml, made)


def learned(fresh: Water, weighed_g: float, read: float) -> DryMix:
    """Returns the salt's share of water, from a batch: `weighed_g` of mix went into `fresh`, and
    the salinity was `read` when all was dissolved. Raises ValueError where that is impossible: then
    the weight, the volume or the reading is wrong."""
    if weighed_g <= 0:
        raise ValueError("No salt was weighed.")
    kg = fresh.kg + weighed_g / 1000
    share = 1.0 - (kg * grams_per_kilogram(read) - fresh.salt_g) / weighed_g
    if -0.03 <= share < 0.0:
        share = 0.0  # within the errors of a scale and a refractometer
    if not 0.0 <= share < 0.5:
        raise ValueError(
            f"{weighed_g:.0f} g in {fresh.ml / 1000:.1f} L can't read {read:g}: check the weight, "
            "the volume and that all salt is dissolved, then read again."
        )
    return DryMix(share)


@dataclass(frozen=True, slots=True)
class Correction:
    """How to bring a batch to its salinity: one of the three ways, or nothing to do."""

    dry_g: float = 0.0
    """Dry mix to stir in; the batch reads low."""
    add_fresh_ml: float = 0.0
    """Fresh water to add, when there is room for it; the batch reads high."""
    swap_fresh_ml: float = 0.0
    """Or the volume to replace by fresh water, when there is no room to add."""


def correction(water: Water, target: float, mix: DryMix | None = None) -> Correction:
    """Returns how to bring a batch from its measured salinity to `target` (0 to 42)."""
    mix = mix or DryMix()
    have, want = grams_per_kilogram(water.salinity), grams_per_kilogram(target)
    if want > have:
        # (kg have + x salt) / (kg + x/1000) = want, with x the mix weighed
        dry = water.kg * (want - have) / (mix.salt(1.0) - want / 1000)
        return Correction(dry_g=dry)
    if want == have:
        return Correction()
    if target <= 0:
        raise ValueError("No amount of fresh water brings salt water to 0: use fresh water.")
    fresh_kg = water.kg * (have / want - 1.0)
    # Swapping volumes: kg out at the batch's density, kg in at fresh water's.
    out_of = density_kg_m3(water.salinity, water.t_c) / 1e6
    into = density_kg_m3(0.0, water.t_c) / 1e6
    # (kg - out x) have / (kg - out x + in x) = want
    swap = water.kg * (have - want) / (out_of * (have - want) + into * want)
    return Correction(add_fresh_ml=Water(fresh_kg, 0.0, water.t_c).ml, swap_fresh_ml=swap)


# -- a water change ------------------------------------------------------------------------------


def needed_for_change(tank: Water, ml: float, target: float) -> float:
    """Returns the salinity that `ml` of new water must have so that the tank reads `target` after
    the change. Raises ValueError where no water can do it in one change of that size."""
    if not 0.0 < ml <= tank.ml:
        raise ValueError(f"{ml:.0f} mL can't be changed in a tank of {tank.ml:.0f} mL.")
    kept = without(tank, ml)
    low, high = (mixed(kept, Water.of_volume(ml, s, tank.t_c)).salinity for s in (0.0, 42.0))
    if not low <= target <= high:
        raise ValueError(
            f"A change of {ml / 1000:.1f} L brings this tank to {low:.1f} to {high:.1f}, not to "
            f"{target:g}. Change more, or in several steps on different days."
        )
    bottom, top = 0.0, 42.0
    for _ in range(60):
        middle = (bottom + top) / 2
        if mixed(kept, Water.of_volume(ml, middle, tank.t_c)).salinity < target:
            bottom = middle
        else:
            top = middle
    return (bottom + top) / 2


def warm_up_s(
    water: Water,
    to_c: float,
    power_w: float,
    room_c: float | None = None,
    loss_w_per_k: float = 0.0,
) -> float:
    """Returns how long a heater takes to warm a batch, in s; infinite when it can't.

    Args:
        water: the batch as it is.
        to_c: where it should come to.
        power_w: of the heater, all the time on.
        room_c: the room's temperature, needed when `loss_w_per_k` is above 0.
        loss_w_per_k: what the vessel loses for each kelvin above the room (a bucket of 20 L: some 2
            to 4 W/K, from memory).
    """
    if to_c <= water.t_c:
        return 0.0
    if power_w <= 0:
        return inf
    middle = (water.t_c + to_c) / 2
    capacity = heat_capacity_j_per_k(water.ml, middle, grams_per_kilogram(water.salinity))
    if loss_w_per_k <= 0:
        return capacity * (to_c - water.t_c) / power_w
    if room_c is None:
        raise ValueError("A vessel that loses heat loses it to a room: give its temperature.")
    end_c = room_c + power_w / loss_w_per_k
    if end_c <= to_c:
        return inf
    return capacity / loss_w_per_k * log((end_c - water.t_c) / (end_c - to_c))
