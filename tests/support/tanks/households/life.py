"""The life of one household, minute by minute."""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from math import sqrt
from random import Random

from tanks.households.draw import Tank
from tanks.households.keepers import Deed, Does
from tanks.households.story import (
    HUMIDITY,
    LEVEL,
    RESERVOIR,
    RESERVOIR_LOW,
    ROOM,
    TOP_UP,
    Fault,
    Household,
    Injected,
    Note,
    Row,
    Truth,
)
from tanks.households.water import relaxed
from tanks.physics import EXPANSION_PER_K, SEAWATER_J_L_K, latent_j_kg, saturation_pa
from tanks.rooms import Air
from tanks.trace import Fault as HeatFault

_MIN_DAY = 1_440
_MIN_S = 60.0
_SLUGGISH_MM = 0.1
"""The ripple while the pump rests."""
_FULL = 0.97
LOOKS_AT = 0.5
"""A machine's float or eye stands where it is calmer: what is left of the ripple there."""
_MIX_S = 90.0


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything that a run begins with."""

    household: Household
    injected: Injected | None
    tank: Tank
    air: Air
    deeds: list[Deed]
    seed: str


@dataclass(slots=True)
class _Sums:
    evaporated: float = 0.0
    leaked: float = 0.0
    poured: float = 0.0
    dosed: float = 0.0
    swelled: float = 0.0


class _Life:
    def __init__(self, setup: Setup) -> None:
        self._setup = setup
        self._tank = deepcopy(setup.tank)
        self._rng = Random(setup.seed)
        self._sums = _Sums()
        self._share = 1.0
        """What the pump still has of its flow."""
        self._still_until = -1
        """The pump rests until this minute by somebody's hand."""
        self._later: list[tuple[int, str, float]] = []
        self._unwritten: list[tuple[int, Note]] = []
        self._covered = False
        self._blows = False
        self._hands = False
        self._doses = 0.0
        """The share of the minute in which the reservoir's pump ran."""
        self._wants = False
        self._looked: dict[str, float] = {}
        """The minutes of closed contacts since each was given last."""
        self._begun_ml = self._tank.water.stored_ml

    def rows(self, days: float) -> Iterator[Row]:
        deeds = iter(self._setup.deeds)
        deed = next(deeds, None)
        for minute in range(int(days * _MIN_DAY)):
            fault = self._fault(minute)
            self._hands = False
            if self._setup.injected is not None:
                self._turn(minute, fault)
            while self._later and self._later[0][0] <= minute:
                self._undo(*self._later.pop(0)[1:])
            while deed is not None and deed.minute <= minute:
                self._do(deed, minute, fault)
                deed = next(deeds, None)
            pumps = self._pumps(minute, fault)
            self._minute(minute, fault, pumps)
            yield self._row(minute, fault, pumps)

    # -- what is so

    def _fault(self, minute: int) -> Fault:
        injected = self._setup.injected
        return (
            injected.fault if injected is not None and injected.holds(minute * 60) else Fault.NONE
        )

    def _pumps(self, minute: int, fault: Fault) -> bool:
        stands = fault in {Fault.PUMP_STOPPED, Fault.MAINS_LOST}
        return not stands and minute >= self._still_until

    def _turn(self, minute: int, fault: Fault) -> None:
        """Does what belongs to the first and the last minute of a fault."""
        injected, tank = self._setup.injected, self._tank
        if injected is None:
            return
        begins, ends = injected.onset_s // 60, injected.end_s // 60
        first = next(iter(tank.instruments.floats.values()), None)
        gauge, stock = tank.instruments.gauge, tank.reservoir
        if minute == begins:
            if first is not None and fault in {Fault.FLOAT_STUCK_UP, Fault.FLOAT_STUCK_DOWN}:
                first.stuck = int(fault is Fault.FLOAT_STUCK_UP)
            if gauge is not None and fault is Fault.GAUGE_MOVED:
                gauge.bias_mm += injected.size
            if stock is not None and fault is Fault.RESERVOIR_EMPTY:
                stock.ml = min(stock.ml, stock.dead_ml + injected.size)
        elif minute == ends:
            if first is not None:
                first.stuck, first.heavy_mm = None, 0.0
            if gauge is not None and injected.fault is Fault.GAUGE_MOVED:
                gauge.bias_mm -= injected.size
            if gauge is not None and injected.fault is Fault.GAUGE_DRIFTS:
                gauge.bias_mm -= injected.size * (ends - begins) / _MIN_DAY
            if stock is not None and injected.fault in {Fault.RESERVOIR_EMPTY, Fault.SIPHON}:
                stock.ml = _FULL * stock.full_ml

    # -- what people do

    def _do(self, deed: Deed, minute: int, fault: Fault) -> None:
        tank, water = self._tank, self._tank.water
        self._hands = deed.does is not Does.LID
        water.wake()
        end = minute + deed.lasts_min
        if deed.does in {Does.TOP_UP, Does.JUG}:
            self._pour(deed, minute)
        elif deed.does is Does.CHANGE:
            self._still_until = max(self._still_until, end)
            self._wait(minute + 3, "out", deed.size)
            self._wait(end - 2, "in", deed.size + deed.misread)
            if deed.noted:
                self._write(end, Note(minute * 60, "water-change", round(deed.size, -2), "mL"))
        elif deed.does is Does.HAND:
            water.in_tank_ml += deed.size
            self._wait(end, "hand", -deed.size)
        elif deed.does is Does.NET:
            water.in_chamber_ml += 0.4 * deed.size
            self._wait(end, "net", -0.4 * deed.size)
        elif deed.does is Does.ROCK:
            water.in_tank_ml += deed.size
        elif deed.does in {Does.PAUSE, Does.CLEAN}:
            self._still_until = max(self._still_until, end)
            if deed.does is Does.CLEAN:
                self._share = 1.0
                if tank.instruments.gauge is not None:
                    tank.instruments.gauge.wipe()
        elif deed.does is Does.REFILL:
            if tank.reservoir is not None and fault is not Fault.RESERVOIR_EMPTY:
                full = tank.reservoir.full_ml * self._rng.uniform(0.93, 1.0)
                tank.reservoir.ml = max(tank.reservoir.ml, full)
        else:
            self._covered = deed.size > 0.0

    def _pour(self, deed: Deed, minute: int) -> None:
        water, tank = self._tank.water, self._tank
        missing = -water.level_mm * water.chamber_mm2 / 1_000.0
        if deed.does is Does.JUG:
            ml = max(0, round(missing / deed.size)) * deed.size
        else:
            ml = missing + deed.size * water.chamber_mm2 / 1_000.0
        if ml < max(30.0, 0.0004 * tank.volume_l * 1_000.0):
            return
        water.chamber_ml += ml
        self._sums.poured += ml
        if not deed.noted:
            return
        stated = round(ml / deed.misread / deed.rounds_to_ml) * deed.rounds_to_ml
        value = None if deed.without_volume else stated
        at = max(0, minute + min(0, deed.misdates_min)) * 60
        unit = "" if value is None else "mL to mark" if deed.to_mark else "mL"
        if value != 0.0:
            self._write(minute + deed.late_min, Note(at, "pour", value, unit))

    def _wait(self, minute: int, what: str, size: float) -> None:
        self._later.append((minute, what, size))
        self._later.sort()

    def _undo(self, what: str, size: float) -> None:
        water = self._tank.water
        water.wake()
        self._hands = True
        if what in {"out", "in"}:
            signed = -size if what == "out" else size
            water.tank_ml += signed
            self._sums.poured += signed
        elif what == "hand":
            water.in_tank_ml += size
        else:
            water.in_chamber_ml += size

    def _write(self, minute: int, note: Note) -> None:
        self._unwritten.append((minute, note))
        self._unwritten.sort(key=lambda pair: pair[0])

    # -- what the world does

    def _minute(self, minute: int, fault: Fault, pumps: bool) -> None:
        tank, water, sums = self._tank, self._tank.water, self._sums
        live = fault is not Fault.MAINS_LOST
        warmth = self._warmth_j
        self._warm(minute, live, pumps)
        self._evaporate(minute, live)
        self._swell(self._warmth_j - warmth)
        spilled = water.spilled_ml
        if fault is Fault.LEAK or fault is Fault.LEAK_ABOVE:
            self._leak(fault)
        self._top_up(minute, fault, live)
        self._share *= 1.0 - tank.fades_day / _MIN_DAY
        if minute % 30 == 0:
            water.wake()
        water.move(_MIN_S, self._share if pumps else None)
        sums.leaked += water.spilled_ml - spilled

    def _warm(self, minute: int, live: bool, pumps: bool) -> None:
        heat, room = self._tank.heat, self._setup.air.room_c[minute]
        if live:
            sees = heat.chamber_c if heat.in_chamber else heat.tank_c
            half = 0.5 * heat.hysteresis_k
            heat.on = sees < heat.setting_c + (half if heat.on else -half)
        warms = heat.heater_w if heat.on and live else 0.0
        into = (heat.pump_w if pumps else 0.0) + (heat.lamp_w if self._lit(minute, live) else 0.0)
        tank_w = into + (0.0 if heat.in_chamber else warms)
        tank_w -= heat.tank_w_k * (heat.tank_c - room)
        chamber_w = warms if heat.in_chamber else 0.0
        chamber_w -= heat.chamber_w_k * (heat.chamber_c - room)
        heat.tank_c += tank_w * _MIN_S / heat.tank_j_k
        heat.chamber_c += chamber_w * _MIN_S / heat.chamber_j_k
        if pumps:
            both = heat.tank_j_k + heat.chamber_j_k
            mean = (heat.tank_c * heat.tank_j_k + heat.chamber_c * heat.chamber_j_k) / both
            heat.tank_c = relaxed(heat.tank_c, mean, _MIN_S, _MIX_S)
            heat.chamber_c = mean + (mean - heat.tank_c) * heat.tank_j_k / heat.chamber_j_k

    @property
    def _warmth_j(self) -> float:
        heat = self._tank.heat
        return heat.tank_j_k * heat.tank_c + heat.chamber_j_k * heat.chamber_c

    def _swell(self, joule: float) -> None:
        """Lets the water swell by what it has been warmed."""
        ml = EXPANSION_PER_K * 1_000.0 * joule / SEAWATER_J_L_K
        self._tank.water.tank_ml += ml
        self._sums.swelled += ml

    def _lit(self, minute: int, live: bool) -> bool:
        begins, ends = self._tank.heat.lamp_hours
        return live and begins * 60 <= minute % _MIN_DAY < ends * 60

    def _evaporate(self, minute: int, live: bool) -> None:
        tank, air, water = self._tank, self._setup.air, self._tank.water
        speed = air.speed_m_s[minute] + (self._fan(minute) if live else 0.0)
        vapour = air.vapour_pa[minute]
        for is_tank in (True, False):
            t_c = tank.heat.tank_c if is_tank else tank.heat.chamber_c
            area = water.tank_mm2 if is_tank else water.chamber_mm2
            ml = tank.air.law.mm_s(t_c, vapour, speed) * _MIN_S * area / 1_000.0
            ml *= tank.air.lid if self._covered else 1.0
            self._sums.evaporated += ml
            joule = ml / 1_000.0 * latent_j_kg(t_c)
            if is_tank:
                water.tank_ml -= ml
                tank.heat.tank_c -= joule / tank.heat.tank_j_k
            else:
                water.chamber_ml -= ml
                tank.heat.chamber_c -= joule / tank.heat.chamber_j_k

    def _fan(self, minute: int) -> float:
        air, heat = self._tank.air, self._tank.heat
        if air.fan_own_k is not None:
            above = heat.tank_c - heat.setting_c - air.fan_own_k
            self._blows = above > (-0.3 if self._blows else 0.0)
            return air.fan_m_s if self._blows else 0.0
        if air.fan_hours is not None:
            begins, ends = air.fan_hours
            return air.fan_m_s if begins * 60 <= minute % _MIN_DAY < ends * 60 else 0.0
        return 0.0

    def _leak(self, fault: Fault) -> None:
        injected, water = self._setup.injected, self._tank.water
        assert injected is not None
        ml = injected.size / 60.0
        if fault is Fault.LEAK_ABOVE:
            seam = self._tank.seam_mm
            ml *= sqrt(max(0.0, water.level_mm - seam) / -seam)
            water.chamber_ml -= ml
        else:
            water.tank_ml -= ml
        self._sums.leaked += ml

    def _top_up(self, minute: int, fault: Fault, live: bool) -> None:
        tank, stock, machine = self._tank, self._tank.reservoir, self._tank.machine
        self._doses, self._wants = 0.0, False
        if stock is None or machine is None:
            return
        if live:
            per_ml = 1_000.0 / tank.water.chamber_mm2
            here = stock.ml > stock.dead_ml and fault is not Fault.TOP_UP_MISSING
            self._doses = machine.share(minute, self._rippling, per_ml if here else 0.0)
            self._wants = self._doses > 0.0
            if fault is Fault.TOP_UP_STUCK_ON:
                self._doses = 1.0
        ml = self._doses * machine.rate_ml_min
        if fault is Fault.TOP_UP_MISSING:
            ml = 0.0
        if fault is Fault.SIPHON:
            ml += machine.rate_ml_min
        ml = min(ml, max(0.0, stock.ml - stock.dead_ml))
        stock.ml -= ml
        tank.water.chamber_ml += ml
        self._sums.dosed += ml
        if ml > 0.0:
            tank.water.wake()

    def _rippling(self) -> float:
        ripple = self._tank.instruments.ripple_mm
        return self._tank.water.level_mm + self._rng.gauss(0.0, LOOKS_AT * ripple)

    # -- what is seen

    def _row(self, minute: int, fault: Fault, pumps: bool) -> Row:
        values: dict[str, float | None] = {}
        self._look_at_chamber(minute, fault, pumps, values)
        self._look_at_reservoir(minute, values)
        self._look_at_climate(minute, values)
        notes: list[Note] = []
        while self._unwritten and self._unwritten[0][0] <= minute:
            notes.append(self._unwritten.pop(0)[1])
        return Row(minute * 60, values, tuple(notes), self._truth(fault, pumps))

    def _look_at_chamber(
        self, minute: int, fault: Fault, pumps: bool, values: dict[str, float | None]
    ) -> None:
        parts, level = self._tank.instruments, self._tank.water.level_mm
        ripple = parts.ripple_mm if pumps else _SLUGGISH_MM
        gauge, injected = parts.gauge, self._setup.injected
        if gauge is not None and minute % parts.gauge_every == 0:
            if injected is not None and fault is Fault.GAUGE_DRIFTS:
                gauge.bias_mm += injected.size * parts.gauge_every / _MIN_DAY
            lit = self._lit(minute, fault is not Fault.MAINS_LOST)
            room = self._setup.air.room_c[minute]
            gauge.age(parts.gauge_every, room + 0.3 * (self._tank.heat.chamber_c - room), lit)
            values[LEVEL] = gauge.read(minute, level, ripple)
        for index, (name, each) in enumerate(parts.floats.items()):
            if index == 0 and injected is not None and fault is Fault.FLOAT_HEAVY:
                each.heavy_mm += injected.size / _MIN_DAY
            self._look(minute, name, each.share(minute, level, ripple), values)

    def _look(self, minute: int, name: str, share: float, values: dict[str, float | None]) -> None:
        """Adds a minute's looks at a contact, and gives their share when it is due; where nobody
        looks every second, a single look."""
        parts = self._tank.instruments
        every = parts.contacts_every
        self._looked[name] = self._looked.get(name, 0.0) + share
        if (minute + 1) % every:
            return
        mean, self._looked[name] = self._looked[name] / every, 0.0
        values[name] = round(mean, 3) if parts.looks else float(self._rng.random() < share)

    def _look_at_reservoir(self, minute: int, values: dict[str, float | None]) -> None:
        parts, stock = self._tank.instruments, self._tank.reservoir
        if stock is None:
            return
        if parts.reservoir is not None and minute % 5 == 0:
            parts.reservoir.age(5, self._setup.air.room_c[minute], False)
            values[RESERVOIR] = parts.reservoir.read(minute, stock.mm - stock.full_mm, 0.0)
        if parts.reservoir_low is not None and minute % 5 == 0:
            values[RESERVOIR_LOW] = parts.reservoir_low.share(minute, stock.mm, 0.1)
        if parts.switch:
            self._look(minute, TOP_UP, self._doses, values)

    def _look_at_climate(self, minute: int, values: dict[str, float | None]) -> None:
        parts, heat, air = self._tank.instruments, self._tank.heat, self._setup.air
        at, room = minute * 60, air.room_c[minute]
        if minute % 2 == 0:
            for name, probe in parts.probes.items():
                t_c = heat.chamber_c if probe.place else heat.tank_c
                values[name] = probe.read(t_c, at, 120.0, HeatFault.NONE, room, 0.0)
        if minute % 5 == 0:
            if parts.room is not None:
                values[ROOM] = parts.room.read(room, at, 300.0, HeatFault.NONE, room, 0.0)
            if parts.damp is not None:
                share = 100.0 * air.vapour_pa[minute] / saturation_pa(room)
                said = share + parts.damp[0] + self._rng.gauss(0.0, parts.damp[1])
                values[HUMIDITY] = round(max(1.0, min(99.0, said)), 1)

    # -- the truth

    def _truth(self, fault: Fault, pumps: bool) -> Truth:
        water, sums, stock = self._tank.water, self._sums, self._tank.reservoir
        over = water.steady_over_mm(water.pumped_ml_s(0.0, self._share))
        needed = over * water.tank_mm2 / 1_000.0 - water.in_tank_ml - water.in_chamber_ml
        return Truth(
            level_mm=water.level_mm,
            missing_ml=needed - water.stored_ml,
            evaporated_ml=sums.evaporated,
            leaked_ml=sums.leaked,
            poured_ml=sums.poured,
            dosed_ml=sums.dosed,
            swelled_ml=sums.swelled,
            stored_ml=water.stored_ml - self._begun_ml,
            reservoir_ml=stock.ml if stock is not None else 0.0,
            pump_runs=pumps,
            water_c=self._tank.heat.tank_c,
            fault=fault is not Fault.NONE,
            shows=self._shows(fault),
            hands=self._hands,
        )

    def _shows(self, fault: Fault) -> bool:
        water, stock = self._tank.water, self._tank.reservoir
        first = next(iter(self._tank.instruments.floats.values()), None)
        if first is not None and fault is Fault.FLOAT_STUCK_UP:
            return water.level_mm < first.height_mm - first.differential_mm - 3.0
        if first is not None and fault is Fault.FLOAT_STUCK_DOWN:
            return water.level_mm > first.height_mm + 3.0
        if first is not None and fault is Fault.FLOAT_HEAVY:
            return first.heavy_mm >= 3.0
        if fault is Fault.LEAK_ABOVE:
            return water.level_mm > self._tank.seam_mm
        if fault is Fault.TOP_UP_MISSING:
            return self._wants
        if fault is Fault.RESERVOIR_EMPTY:
            return stock is not None and stock.ml <= stock.dead_ml
        return fault is not Fault.NONE


def live(setup: Setup, days: float) -> Iterator[Row]:
    """Yields the minutes of a household's life; the setup itself stays as it is."""
    return _Life(setup).rows(days)
