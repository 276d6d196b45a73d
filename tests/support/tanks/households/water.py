"""The water of a tank with a return chamber, as two bodies: over a weir from the tank into the
chamber, by the pump back, and, while the pump rests, down to where nothing flows any more.

Volumes are mL, lengths mm, areas mm2; a mm over an area of 1,000 mm2 is a mL.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt
from typing import Protocol

from tanks.physics import SEAWATER, saturation_pa

_G = 9.81
_DRY_MM = 12.0
"""Over so many mm above its intake a pump begins to draw air (common practice)."""
_STEP_S = 2.0


class Edge(Protocol):
    """What passes over the edge between tank and chamber."""

    def ml_s(self, over_mm: float) -> float:
        """Returns the flow while the tank's water stands so far over the edge."""
        ...


@dataclass(frozen=True, slots=True)
class Weir:
    """A straight edge: Q = 2/3 Cd b sqrt(2 g) h^(3/2) (Poleni), Cd 0.62 (Bos 1989, Discharge
    Measurement Structures, chapter 5; from memory)."""

    width_mm: float
    """Of what is open of it."""
    cd: float = 0.62

    def ml_s(self, over_mm: float) -> float:
        if over_mm <= 0.0:
            return 0.0
        h = over_mm / 1_000.0
        return 2e6 / 3.0 * self.cd * self.width_mm / 1_000.0 * sqrt(2.0 * _G) * h * sqrt(h)


@dataclass(frozen=True, slots=True)
class Notches:
    """A row of V-shaped notches of 90 degrees: Q = 8/15 Cd tan(45 deg) sqrt(2 g) h^(5/2) each, Cd
    0.58 (Thomson's weir; Bos 1989, chapter 5; from memory)."""

    count: int
    cd: float = 0.58

    def ml_s(self, over_mm: float) -> float:
        if over_mm <= 0.0:
            return 0.0
        h = over_mm / 1_000.0
        return self.count * 8e6 / 15.0 * self.cd * sqrt(2.0 * _G) * h * h * sqrt(h)


@dataclass(frozen=True, slots=True)
class Hole:
    """A bypass hole in the wall: Q = Cd a sqrt(2 g h) (Torricelli; Cd 0.61, Streeter, Fluid
    Mechanics; from memory)."""

    area_mm2: float
    below_mm: float
    """How far below the edge it is; the tank drains to it while the pump rests."""
    cd: float = 0.61

    def ml_s(self, head_mm: float) -> float:
        """Returns the flow under a difference in level."""
        if head_mm <= 0.0:
            return 0.0
        return self.cd * self.area_mm2 * 1e-6 * sqrt(2.0 * _G * head_mm / 1_000.0) * 1e6


@dataclass(slots=True)
class Water:
    """Both bodies. The fill mark is the zero of the chamber's level."""

    tank_mm2: float
    chamber_mm2: float
    edge: Edge
    hole: Hole | None
    siphon_mm: float
    """How far below the edge the air hole of the return pipe is: the tank drains back to it through
    the pipe when the pump stops; 0 for a pipe that ends above the water."""
    edge_mm: float
    """How far the edge stands above the fill mark."""
    rim_mm: float
    """What rises above this runs over onto the floor, from the fill mark."""
    intake_mm: float
    """Below this the pump gets nothing, from the fill mark."""
    lift_mm: float
    """What the pump lifts to while the chamber stands at the mark."""
    shut_mm: float
    """The lift at which nothing comes any more."""
    free_ml_s: float
    """The pump's flow without a lift."""
    tank_ml: float = 0.0
    """In the tank, above its edge."""
    chamber_ml: float = 0.0
    """In the chamber, above the fill mark."""
    in_tank_ml: float = 0.0
    in_chamber_ml: float = 0.0
    """What hands, rock and nets displace."""
    spilled_ml: float = 0.0
    _rests: bool = False
    _solved: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def level_mm(self) -> float:
        """The chamber's level."""
        return (self.chamber_ml + self.in_chamber_ml) * 1_000.0 / self.chamber_mm2

    @property
    def over_mm(self) -> float:
        """How far the tank's water stands over the edge."""
        return (self.tank_ml + self.in_tank_ml) * 1_000.0 / self.tank_mm2

    @property
    def stored_ml(self) -> float:
        """All water above edge and mark."""
        return self.tank_ml + self.chamber_ml

    def pumped_ml_s(self, level_mm: float, share: float) -> float:
        """Returns the pump's flow, which falls with the lift along a straight line and where it
        draws air. `share`: what an aged pump still has of it."""
        flow = self.free_ml_s * share * (1.0 - (self.lift_mm - level_mm) / self.shut_mm)
        return max(0.0, flow) * max(0.0, min(1.0, (level_mm - self.intake_mm) / _DRY_MM))

    def steady_over_mm(self, flow_ml_s: float) -> float:
        """Returns how far over the edge the water stands while so much flows. Where the flow has
        hardly changed, along the tangent of the last solution."""
        flow, over, slope = self._solved
        if flow and abs(flow_ml_s - flow) < 0.003 * flow:
            return over + (flow_ml_s - flow) * slope
        over, more = self._solve(flow_ml_s), self._solve(1.001 * flow_ml_s)
        self._solved = (flow_ml_s, over, (more - over) / max(1e-9, 0.001 * flow_ml_s))
        return over

    def _solve(self, flow_ml_s: float) -> float:
        """By bisection."""
        low, high = (-self.hole.below_mm if self.hole else 0.0), 60.0
        for _ in range(40):
            middle = 0.5 * (low + high)
            if self._falls_ml_s(middle, -1e9, False) < flow_ml_s:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

    def _falls_ml_s(self, over_mm: float, level_mm: float, piped: bool) -> float:
        """Returns what goes from the tank to the chamber."""
        beside = level_mm - self.edge_mm
        flow = self.edge.ml_s(over_mm) if over_mm > beside else 0.0
        if self.hole is not None:
            flow += self.hole.ml_s(over_mm - max(-self.hole.below_mm, beside))
        if piped and self.siphon_mm > 0.0 and over_mm > max(-self.siphon_mm, beside):
            flow += 40.0 * sqrt((over_mm + self.siphon_mm) / 10.0)  # a pipe of the usual width
        return flow

    def move(self, seconds: float, share: float | None) -> None:
        """Lets the water find its levels. `share`: what the pump still has of its flow; None while
        it rests."""
        if share is not None and self._settle(share):
            self._spill()
            return
        if share is None and self._rests:
            self._spill()
            return
        left = seconds
        while left > 1e-9:
            dt = min(_STEP_S, left)
            left -= dt
            level, over = self.level_mm, self.over_mm
            up = 0.0 if share is None else min(self.pumped_ml_s(level, share), self._there() / dt)
            falls = self._falls_ml_s(over, level, share is None)
            self._pass((falls - up) * dt)
            if share is None and falls * dt < 1e-6:
                self._rests = True
                break
        self._spill()

    def wake(self) -> None:
        """Says that the levels were moved by something else than a steady loss."""
        self._rests = False

    def _there(self) -> float:
        """Returns what the pump can take out of the chamber at all."""
        return max(0.0, (self.level_mm - self.intake_mm) * self.chamber_mm2 / 1_000.0)

    def _settle(self, share: float) -> bool:
        """Puts both bodies where they come to while the pump runs; False where that takes
        longer."""
        self._rests = False
        level = self.level_mm
        if level < self.intake_mm + _DRY_MM or level > self.edge_mm:
            return False
        steady = self.steady_over_mm(self.pumped_ml_s(level, share))
        gap = self.over_mm - steady
        if abs(gap) > 0.3:
            return False
        self._move_ml(gap * self.tank_mm2 / 1_000.0)
        return True

    def _move_ml(self, ml: float) -> None:
        self.tank_ml -= ml
        self.chamber_ml += ml

    def _pass(self, ml: float) -> None:
        """Moves what flows down in a step, and no further than to equal levels."""
        apart = (self.over_mm + self.edge_mm - self.level_mm) / 1_000.0
        most = apart / (1.0 / self.tank_mm2 + 1.0 / self.chamber_mm2)
        if ml > 0.0:
            lowest = max(self.siphon_mm, self.hole.below_mm if self.hole else 0.0)
            room = max(0.0, (self.over_mm + lowest) * self.tank_mm2 / 1_000.0)
            ml = min(ml, max(0.0, most), room)
        self._move_ml(ml)

    def _spill(self) -> None:
        """Lets run over what stands above the rim; where the chamber is drowned, of both."""
        level = self.level_mm
        if level > self.edge_mm + max(0.0, self.over_mm):
            apart = (level - self.edge_mm - self.over_mm) / 1_000.0
            self._move_ml(-apart / (1.0 / self.tank_mm2 + 1.0 / self.chamber_mm2))
            level = self.level_mm
        if level > self.rim_mm:
            over = (level - self.rim_mm) * self.chamber_mm2 / 1_000.0
            self.chamber_ml -= over
            self.spilled_ml += over
            self._rests = False


class Evaporates(Protocol):
    """A law of evaporation."""

    def mm_s(self, t_c: float, vapour_pa: float, speed_m_s: float) -> float:
        """Returns what an open surface loses, in mm/s of fresh water."""
        ...


@dataclass(frozen=True, slots=True)
class Natatorium:
    """w = Fa (pw - pa) (0.089 + 0.0782 V) / Y, kg/(m2 s), pressures in kPa, Y the latent heat in
    kJ/kg (ASHRAE Handbook HVAC Applications, Places of Assembly, after Carrier 1918)."""

    activity: float
    """Fa: 0.5 for a home's pool at rest, 1.0 for a public one."""

    def mm_s(self, t_c: float, vapour_pa: float, speed_m_s: float) -> float:
        moist = max(0.0, SEAWATER * saturation_pa(t_c) - vapour_pa) / 1_000.0
        latent = 2_501.0 - 2.361 * t_c
        return self.activity * moist * (0.089 + 0.0782 * speed_m_s) / latent


@dataclass(frozen=True, slots=True)
class Transfer:
    """Mass transfer by currents of air along the surface, kg/(m2 s): the heat transfer of natural
    convection above a warm plate, h = 1.52 (difference in virtual temperature)^(1/3) W/(m2 K)
    (McAdams 1954, table 7-2), beside that of a stream, 5.7 + 3.8 V less its 5.7 of still air
    (Juerges 1924, in McAdams, page 249), by Lewis's relation: h / (rho cp) metres a second, with
    461.5 J/(kg K) of vapour."""

    rough: float
    """Ripples above 1, a film or a frame around the surface below."""
    air_c: float = 22.0

    def mm_s(self, t_c: float, vapour_pa: float, speed_m_s: float) -> float:
        surface = SEAWATER * saturation_pa(t_c)
        moist = max(0.0, surface - vapour_pa)
        lighter = max(0.0, t_c - self.air_c + 295.0 * 0.378 * (surface - vapour_pa) / 101_325.0)
        heat = 1.52 * float(lighter ** (1.0 / 3.0)) + 3.8 * speed_m_s
        return self.rough * heat / (1.19 * 1_006.0) * moist / (461.5 * (t_c + 273.15))


def relaxed(value: float, goal: float, seconds: float, tau_s: float) -> float:
    """Returns a value on its way to a goal, by an exponential."""
    return goal + (value - goal) * exp(-seconds / tau_s)
