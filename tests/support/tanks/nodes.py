"""World "nodes": the display, a chamber behind it, and rock, each stirred, with a pump between.

Evaporation by Shah, glass as a resistance without mass, radiation from surface and panes, switching
metal or a continuous controller in the chamber or the display.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp
from random import Random

from tanks.controls import Bimetal, Continuous, Control
from tanks.draw import Tank
from tanks.physics import (
    GLASS_W_M_K,
    PSYCHROMETRIC_PA_K,
    SEAWATER,
    SEAWATER_J_L_K,
    fan_w_m2_pa,
    latent_j_kg,
    radiation_w_m2_k,
    saturation_pa,
    shah_kg_m2_s,
    upright_w_m2_k,
)
from tanks.trace import Heater

_INSIDE_W_M2_K = 250.0
"""Between stirred water and a pane: free to mildly forced convection in water, 100 to 1,000 (after
Incropera & DeWitt, table 1.1)."""
_FRESH_J_KG_K = 4_180.0
_WATER_EMITS = 0.95
_GLASS_EMITS = 0.88


@dataclass(slots=True)
class Nodes:
    """The heat of a tank as three stirred nodes."""

    display_j_k: float
    chamber_j_k: float
    rock_j_k: float
    pumped_w_k: float
    """What the pump carries between display and chamber, W/K."""
    resting_w_k: float
    """The same while it rests."""
    rock_w_k: float
    top_m2: float
    side_m2: float
    glass_m: float
    base_w_k: float
    chamber_share: float
    """The chamber's share of volume, top and sides."""
    chamber_open: float
    """The open share of the chamber's top."""
    lid_lets: float
    """The share of evaporation that a lid lets through."""
    heaters_in_chamber: tuple[bool, ...]
    plume_k: float
    """By how much a heater's sensor is warmer than the water at full power."""
    refills: bool
    display_c: float = 25.0
    chamber_c: float = 25.0
    rock_c: float = 25.0
    evaporation_w: float = 0.0
    ledger_j: float = 0.0
    _kept: dict[tuple[float, bool], tuple[float, float]] = field(default_factory=dict)

    @property
    def water_c(self) -> float:
        """The mean of all water, by volume."""
        share = self.chamber_share
        return self.display_c * (1.0 - share) + self.chamber_c * share

    def stored_j(self) -> float:
        """Returns the heat above 0 degC, J."""
        return (
            self.display_j_k * self.display_c
            + self.chamber_j_k * self.chamber_c
            + self.rock_j_k * self.rock_c
        )

    def settle(self, t_c: float) -> None:
        """Makes all nodes as warm as `t_c`."""
        self.display_c = self.chamber_c = self.rock_c = t_c

    def seen_by_heater(self, index: int, share: float) -> float:
        """Returns the water's temperature around heater `index`."""
        water = self.chamber_c if self.heaters_in_chamber[index] else self.display_c
        return water + self.plume_k * share

    def seen_by_probe(self, place: int) -> float:
        """Returns the display's temperature for place 0, the chamber's for 1."""
        return self.chamber_c if place else self.display_c

    def _panes_w_m2_k(self, t_c: float, room_c: float) -> float:
        outside = upright_w_m2_k(0.8 * (t_c - room_c)) + radiation_w_m2_k(t_c, room_c, _GLASS_EMITS)
        return 1.0 / (1.0 / _INSIDE_W_M2_K + self.glass_m / GLASS_W_M_K + 1.0 / outside)

    def _surface_w_m2(
        self, t_c: float, room_c: float, vapour_pa: float, speed_m_s: float
    ) -> tuple[float, float]:
        """Returns the latent and the sensible heat that leave an open surface, W/m2."""
        surface = SEAWATER * saturation_pa(t_c)
        latent = shah_kg_m2_s(t_c, surface, room_c, vapour_pa) * latent_j_kg(t_c)
        moist = surface - vapour_pa
        latent += max(0.0, fan_w_m2_pa(speed_m_s) * moist)
        per_pa = latent / moist if moist > 50.0 else 0.04
        return latent, per_pa * PSYCHROMETRIC_PA_K * (t_c - room_c)

    def loss_w(self, t_c: float, room_c: float, vapour_pa: float, speed_m_s: float) -> float:
        """Returns what goes to the room while all is at `t_c`."""
        latent, sensible = self._surface_w_m2(t_c, room_c, vapour_pa, speed_m_s)
        display = self.top_m2 * (1.0 - self.chamber_share)
        chamber = self.top_m2 * self.chamber_share * self.chamber_open
        panes = self._panes_w_m2_k(t_c, room_c) * self.side_m2 + self.base_w_k
        radiated = radiation_w_m2_k(t_c, room_c, _WATER_EMITS) * display
        return (display + chamber) * (latent + sensible) + (panes + radiated) * (t_c - room_c)

    def pour(self, litres: float, t_c: float) -> None:
        """Puts water into the chamber, or where it is too much for it, into the display."""
        heat_j = litres * SEAWATER_J_L_K
        if heat_j < 0.3 * self.chamber_j_k:
            gain = heat_j * (t_c - self.chamber_c)
            self.chamber_c += gain / self.chamber_j_k
        else:
            gain = heat_j * (t_c - self.display_c)
            self.display_c += gain / self.display_j_k
        self.ledger_j += gain

    def step(
        self,
        dt_s: float,
        room_c: float,
        vapour_pa: float,
        speed_m_s: float,
        covered: bool,
        heaters_w: list[float],
        chiller_w: float,
        lamp_w: float,
        sun_w: float,
        pump_w: float,
        pumping: bool,
    ) -> None:
        """Moves on by `dt_s`: heat from and to outside, then the exchanges between the nodes,
        each by its exact solution, so that no heat is lost and no step is too long."""
        display, chamber = self.display_c, self.chamber_c
        latent, sensible = self._surface_w_m2(display, room_c, vapour_pa, speed_m_s)
        lets = self.lid_lets if covered else 1.0
        top_d = self.top_m2 * (1.0 - self.chamber_share)
        top_c = self.top_m2 * self.chamber_share * self.chamber_open
        radiates = radiation_w_m2_k(display, room_c, _WATER_EMITS) * (0.5 if covered else 1.0)
        panes = self._panes_w_m2_k(display, room_c)
        sides = panes * self.side_m2
        share = self.chamber_share
        out_d = top_d * (lets * (latent + sensible) + radiates * (display - room_c)) + (
            sides * (1.0 - share) + self.base_w_k
        ) * (display - room_c)
        evaporated = latent * lets * top_d
        if (
            not pumping
        ):  # With the pump the two are so nearly as warm that one surface stands for both.
            latent, sensible = self._surface_w_m2(chamber, room_c, vapour_pa, speed_m_s)
        out_c = top_c * (latent + sensible) + sides * share * (chamber - room_c)
        evaporated += latent * top_c
        if self.refills:
            out_c += evaporated / latent_j_kg(display) * _FRESH_J_KG_K * (chamber - room_c)
        in_d, in_c = 0.9 * lamp_w + sun_w, 0.1 * lamp_w + pump_w - chiller_w
        for power, inside in zip(heaters_w, self.heaters_in_chamber, strict=False):
            if inside:
                in_c += power
            else:
                in_d += power
        self.display_c = display + (in_d - out_d) * dt_s / self.display_j_k
        self.chamber_c = chamber + (in_c - out_c) * dt_s / self.chamber_j_k
        self.ledger_j += (in_d + in_c - out_d - out_c) * dt_s
        self.evaporation_w = evaporated
        self._exchange(dt_s, pumping)

    def _exchange(self, dt_s: float, pumping: bool) -> None:
        kept = self._kept.get((dt_s, pumping))
        if kept is None:
            carried = self.pumped_w_k if pumping else self.resting_w_k
            kept = (
                _relaxed(self.display_j_k, self.chamber_j_k, carried, dt_s),
                _relaxed(self.display_j_k, self.rock_j_k, self.rock_w_k, dt_s),
            )
            self._kept[(dt_s, pumping)] = kept
        moved = kept[0] * (self.chamber_c - self.display_c)
        self.display_c += moved / self.display_j_k
        self.chamber_c -= moved / self.chamber_j_k
        moved = kept[1] * (self.rock_c - self.display_c)
        self.display_c += moved / self.display_j_k
        self.rock_c -= moved / self.rock_j_k


def _relaxed(one_j_k: float, other_j_k: float, carried_w_k: float, dt_s: float) -> float:
    """Returns the heat, J for a K of difference, that two nodes exchange in `dt_s`."""
    both = one_j_k * other_j_k / (one_j_k + other_j_k)
    return both * (1.0 - exp(-carried_w_k * dt_s / both))


def nodes(rng: Random, tank: Tank, heaters: int) -> Nodes:
    """Returns the body of `tank`, with what this world adds drawn from its spreads."""
    share = rng.uniform(0.08, 0.25)
    water_j_k = tank.volume_l * SEAWATER_J_L_K
    turns_h, rock = rng.uniform(2.0, 10.0), rng.uniform(0.05, 0.2)
    first_in_chamber = rng.random() < 0.7
    inside = tuple(first_in_chamber if index == 0 else index % 2 == 0 for index in range(heaters))
    carried = turns_h * water_j_k / 3_600.0
    return Nodes(
        display_j_k=water_j_k * (1.0 - share),
        chamber_j_k=water_j_k * share,
        rock_j_k=water_j_k * rock,
        pumped_w_k=carried,
        resting_w_k=carried * rng.uniform(0.002, 0.02),
        rock_w_k=water_j_k * rock / (rng.uniform(10.0, 90.0) * 60.0),
        top_m2=tank.top_m2,
        side_m2=tank.side_m2,
        glass_m=rng.choice((0.004, 0.005, 0.006, 0.008, 0.01)),
        base_w_k=tank.top_m2 * rng.uniform(1.0, 2.5),
        chamber_share=share,
        chamber_open=rng.uniform(0.2, 1.0),
        lid_lets=rng.uniform(0.1, 0.4),
        heaters_in_chamber=inside,
        plume_k=rng.uniform(0.0, 0.2),
        refills=tank.refills,
    )


def control(rng: Random, kind: Heater, index: int, heats: bool) -> Control:
    """Returns a heater's or a chiller's control: a continuous one for a proportional heater, else a
    switching metal with 0.3 to 1.2 K between its points and 0.02 to 0.15 K of scatter."""
    apart = -0.35 * index + rng.uniform(-0.15, 0.15) * index
    error = rng.gauss(0.0, 0.25) + apart
    lag_s = rng.uniform(30.0, 300.0)
    if kind is Heater.PROPORTIONAL and heats:
        return Continuous(
            error, rng.uniform(0.3, 1.5), rng.uniform(1_800.0, 14_400.0), rng.uniform(10.0, 90.0)
        )
    return Bimetal(
        rng,
        0.4 * error if not heats else error,
        rng.uniform(0.3, 1.2) * (1.3 if not heats else 1.0),
        lag_s,
        0.02 * 7.5 ** rng.random(),
        rng.choice((0.0, 0.01, 0.03)),
        rng.uniform(0.0, 0.15) if heats else 0.0,
    )
