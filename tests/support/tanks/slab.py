"""World "slab": one body of water with its rock, panes that have a mass of their own, and on most
tanks a hood, under which the air is warmer and damper than the room's.

Evaporation by Penman's wind function, sensible heat from the surface by Bowen's ratio, electronic
thermostats or pulses, sensors that sit in the heater's plume.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from random import Random

from tanks.controls import Control, Pulsed, Sampled
from tanks.draw import Tank
from tanks.physics import (
    GLASS_J_M3_K,
    GLASS_W_M_K,
    PSYCHROMETRIC_PA_K,
    SEAWATER,
    SEAWATER_J_L_K,
    latent_j_kg,
    penman_w_m2_pa,
    radiation_w_m2_k,
    saturation_pa,
    upright_w_m2_k,
)
from tanks.trace import Heater

_AIR_J_M3_K = 1_200.0
"""What warms a m3 of air by a kelvin: 1.19 kg/m3 times 1,006 J/(kg K) (Incropera & DeWitt, table
A.4)."""
_VAPOUR_J_KG_K = 461.5
"""The gas constant of water vapour."""
_INSIDE_W_M2_K = 300.0
"""Between stirred water and a pane (after Incropera & DeWitt, table 1.1)."""
_EMITS = 0.9
_FRESH_J_KG_K = 4_180.0


@dataclass(slots=True)
class Slab:
    """The heat of a tank as one stirred node within panes, under air of its own."""

    water_j_k: float
    """The water's heat capacity, with the rock."""
    panes_j_k: float
    panes_w_k: float
    """The conductance between the water and the middle of its panes."""
    top_m2: float
    side_m2: float
    base_w_k: float
    hood: bool
    hood_w_k: float
    """The conductance of the hood's own walls."""
    airs_m3_s: float
    """The flow of the room's air through the hood."""
    hood_lamp: float
    """The share of the lamp's heat that warms the hood's air and not the water."""
    rough: float
    """Evaporation against Penman's: ripples and overflow above 1, films below."""
    plume_k: float
    plume_rest_k: float
    """How much warmer the water around a heater is at full power, with and without the pump."""
    behind_k: float
    """The same at a probe of place 1, in the stream behind the heater."""
    refills: bool
    water_c: float = 25.0
    panes_c: float = 25.0
    evaporation_w: float = 0.0
    ledger_j: float = 0.0
    _plume: float = 0.2
    _given: float = 0.0

    def stored_j(self) -> float:
        """Returns the heat above 0 degC, J."""
        return self.water_j_k * self.water_c + self.panes_j_k * self.panes_c

    def settle(self, t_c: float) -> None:
        """Makes water and panes as warm as `t_c`."""
        self.water_c = self.panes_c = t_c

    def seen_by_heater(self, index: int, share: float) -> float:
        """Returns the water's temperature in the heater's own plume."""
        return self.water_c + self._plume * share

    def seen_by_probe(self, place: int) -> float:
        """Returns the temperature of the stirred water (place 0) or of the stream behind the first
        heater (1)."""
        return self.water_c + (self.behind_k * self._given if place else 0.0)

    def _above(
        self,
        t_c: float,
        room_c: float,
        vapour_pa: float,
        speed_m_s: float,
        lid: bool,
        lamp_w: float,
    ) -> tuple[float, float]:
        """Returns the latent and the sensible heat, with radiation, that leave the surface, W.

        Under a hood the air has the temperature and the damp at which as much goes to the room as
        comes from the water and the lamp.
        """
        surface = SEAWATER * saturation_pa(t_c)
        per_pa = penman_w_m2_pa(speed_m_s) * self.rough * self.top_m2
        radiated = radiation_w_m2_k(t_c, room_c, _EMITS) * self.top_m2
        if not (self.hood or lid):
            latent = max(0.0, per_pa * (surface - vapour_pa))
            return latent, (per_pa * PSYCHROMETRIC_PA_K + radiated) * (t_c - room_c)
        airs = self.airs_m3_s * (0.25 if lid else 1.0) * (1.0 + 8.0 * speed_m_s)
        latent_heat = latent_j_kg(t_c)
        carries = airs * latent_heat / (_VAPOUR_J_KG_K * (room_c + 273.15))
        damp = (per_pa * surface + carries * vapour_pa) / (per_pa + carries)
        latent = max(0.0, per_pa * (surface - damp))
        to_air = per_pa * PSYCHROMETRIC_PA_K + radiated
        to_room = self.hood_w_k + airs * _AIR_J_M3_K
        air = (to_air * t_c + to_room * room_c + self.hood_lamp * lamp_w) / (to_air + to_room)
        return latent, to_air * (t_c - air)

    def _outside_w(self, t_c: float, room_c: float) -> float:
        across = upright_w_m2_k(t_c - room_c) + radiation_w_m2_k(t_c, room_c, _EMITS)
        return across * self.side_m2 * (t_c - room_c)

    def loss_w(self, t_c: float, room_c: float, vapour_pa: float, speed_m_s: float) -> float:
        """Returns what goes to the room while the water stays at `t_c`."""
        latent, sensible = self._above(t_c, room_c, vapour_pa, speed_m_s, False, 0.0)
        panes = room_c + 0.9 * (t_c - room_c)
        for _ in range(12):  # The panes settle where as much goes in as out.
            panes = t_c - self._outside_w(panes, room_c) / self.panes_w_k
        return latent + sensible + self.panes_w_k * (t_c - panes) + self.base_w_k * (t_c - room_c)

    def pour(self, litres: float, t_c: float) -> None:
        """Mixes new water in."""
        gain = litres * SEAWATER_J_L_K * (t_c - self.water_c)
        self.water_c += gain / self.water_j_k
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
        """Goes on by `dt_s`."""
        water = self.water_c
        latent, sensible = self._above(water, room_c, vapour_pa, speed_m_s, covered, lamp_w)
        into = lamp_w * (1.0 - self.hood_lamp) + 0.8 * sun_w + pump_w - chiller_w + sum(heaters_w)
        out = latent + sensible + self.base_w_k * (water - room_c)
        if self.refills:
            out += latent / latent_j_kg(water) * _FRESH_J_KG_K * (water - room_c)
        panes_in = 0.2 * sun_w - self._outside_w(self.panes_c, room_c)
        water += (into - out) * dt_s / self.water_j_k
        panes = self.panes_c + panes_in * dt_s / self.panes_j_k
        both = self.water_j_k * self.panes_j_k / (self.water_j_k + self.panes_j_k)
        moved = both * (1.0 - exp(-self.panes_w_k * dt_s / both)) * (water - panes)
        self.water_c = water - moved / self.water_j_k
        self.panes_c = panes + moved / self.panes_j_k
        self.ledger_j += (into - out + panes_in) * dt_s
        self.evaporation_w = latent
        goal = self.plume_k if pumping else self.plume_rest_k
        self._plume += (goal - self._plume) * min(1.0, dt_s / 120.0)
        self._given = 1.0 if heaters_w and heaters_w[0] > 0.0 else 0.0


def slab(rng: Random, tank: Tank, heaters: int) -> Slab:
    """Returns the body of `tank`, with what this world adds drawn from its spreads."""
    glass_m = rng.choice((0.005, 0.006, 0.008, 0.01, 0.012))
    hood = rng.random() < 0.55
    return Slab(
        water_j_k=tank.volume_l * SEAWATER_J_L_K * rng.uniform(1.02, 1.15),
        panes_j_k=tank.side_m2 * glass_m * GLASS_J_M3_K,
        panes_w_k=tank.side_m2 / (1.0 / _INSIDE_W_M2_K + 0.5 * glass_m / GLASS_W_M_K),
        top_m2=tank.top_m2,
        side_m2=tank.side_m2,
        base_w_k=tank.top_m2 * rng.uniform(0.5, 2.0),
        hood=hood,
        hood_w_k=tank.top_m2 * rng.uniform(4.0, 8.0),
        airs_m3_s=tank.top_m2 * 0.15 * rng.uniform(4.0, 40.0) / 3_600.0,
        hood_lamp=rng.uniform(0.2, 0.6) if hood else 0.0,
        rough=rng.uniform(0.5, 1.2),
        plume_k=rng.uniform(0.0, 0.15),
        plume_rest_k=rng.uniform(1.0, 3.0),
        behind_k=rng.uniform(0.0, 0.12),
        refills=tank.refills,
    )


def control(rng: Random, kind: Heater, index: int, heats: bool) -> Control:
    """Returns a heater's or a chiller's control: pulses for a proportional heater, else an
    electronic thermostat with 0.1 to 0.8 K between its points, whose noise scatters them by 0.02 to
    0.15 K."""
    error = rng.gauss(0.0, 0.2)
    if not heats:
        least = rng.uniform(120.0, 300.0)
        return Sampled(rng, 0.4 * error, rng.uniform(0.4, 1.5), 30.0, 0.1, 0.02, least)
    if kind is Heater.PROPORTIONAL:
        window = rng.choice((2.0, 10.0, 60.0, 120.0, 300.0, 600.0))
        steps = rng.choice((0.01, 0.0625, 0.1))
        return Pulsed(error, rng.uniform(0.4, 1.5), rng.uniform(0.2, 0.5), window, steps)
    every = rng.choice((5.0, 15.0, 60.0))
    noise = 0.01 * 6.0 ** rng.random()
    error += rng.choice((0.4, -0.4)) * index
    return Sampled(
        rng,
        error,
        rng.uniform(0.1, 0.8),
        every,
        rng.choice((0.0625, 0.1, 0.01)),
        noise,
        rng.choice((0.0, 60.0, 180.0)),
    )
