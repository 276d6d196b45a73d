"""A small saltwater tank as a physical thing: heat, water, salt and the level in its chamber.

Everything is deterministic by seed, also across processes, and no matter in how many calls time is
moved on. One step of `STEP_S` seconds is solved in closed form, four coupled first order lags in a
row, so that a step costs microseconds and no step is too long to be stable:

    heater body   dq/dt = (P u - q) / tau_h                  u: the thermostat's relay, 0 or 1
    water         C dT/dt = q + F - UA (T - room)            F: lamp, pump, less latent heat
    chamber       dx/dt = q (1/c - 1/C) - x G / c            x: chamber above the mean of all water
    thermostat    ds/dt = (T + x - s) / tau_s                u switches where s crosses its limits

The instant of a switch inside a step is found by bisection to 10 ms. Evaporation, room and lamp are
constant within a step, and what begins inside one (a fault, a pour, the lamp) takes effect with the
next. Between two grid points readings are interpolated linearly.

The level moves only in the return chamber: it falls by the water lost divided by the chamber's
area, it rises by what drains back when the pump stops, and the water's thermal expansion shows in
it.

The estimators of the daemon share no code with this module, on purpose.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from stillwell_drivers.tank_faults import Event, EventName, Fault, FaultName
from stillwell_drivers.tank_keeper import (
    Deed,
    DeedKind,
    Keeper,
    Note,
    deeds_of,
    local_midnight,
    next_day,
)
from stillwell_drivers.tank_room import (
    BLOCK_S,
    CALM,
    Climate,
    Disturbance,
    Room,
    saturation_pressure_pa,
)

STEP_S = 60
"""The grid of the simulation, seconds from its first moment."""

SPECIFIC_HEAT = 3.999
"""Specific heat of seawater of 35 g/kg at 25 °C, J/(g K). IOC Manual 56 (2010), TEOS-10: 3998.98
J/(kg K)."""
FRESH_SPECIFIC_HEAT = 4.18
"""Specific heat of fresh water at 25 °C, J/(g K); from memory."""
SEAWATER_G_PER_ML = 1.02334
"""Density of that seawater. TEOS-10."""
FRESH_G_PER_ML = 0.99705
"""Density of pure water at 25 °C. UNESCO Technical Paper 44 (1983): 997.048 kg/m3."""
EXPANSION_PER_K = 2.97e-4
"""Thermal expansion of that seawater, 1/K. TEOS-10."""
NEW_SALT_G_PER_KG = 35.16504
"""Salinity of new salt water: 35 ppt (common practice), which is a practical salinity (Millero et
al., Deep-Sea Research I 55 (2008) 50)."""
_REFERENCE_C = 25.0
"""The temperature for which the fill volume is given."""
_STILL_SURFACE = 0.7
"""Evaporation of a surface that no pump stirs, as a share of that of a stirred one; an
assumption."""


def water_activity(salinity: float) -> float:
    """Returns the vapour pressure over seawater divided by that over pure water, for 0 to 50 g/kg.

    Its logarithm is a parabola from 0 through the values of IAPWS-08 at 25 °C: 0.98416 at 30 g/kg
    and 0.97859 at 40 g/kg. It hardly depends on the temperature.
    """
    return math.exp(-5.057e-4 * salinity - 8.84e-7 * salinity * salinity)


def latent_heat_j_per_g(water_c: float) -> float:
    """Returns the latent heat of evaporation for 15 to 35 °C: a line through the IAPWS-97 values
    2453.55 J/g at 20 °C and 2429.84 J/g at 30 °C."""
    return 2500.97 - 2.371 * water_c


_ABOVE_ZERO = (
    "volume_ml",
    "surface_m2",
    "loss_w_per_k",
    "differential_k",
    "heater_lag_s",
    "thermostat_lag_s",
    "pump_l_per_h",
    "still_w_per_k",
    "chamber_area_mm2",
    "chamber_ml",
    "ripple_s",
)
_NOT_BELOW_ZERO = (
    "salinity",
    "glass_j_per_k",
    "activity",
    "heater_w",
    "pump_w",
    "lamp_w",
    "drain_back_ml",
    "ripple_mm",
    "still_ripple_mm",
    "probe_noise_k",
)


@dataclass(frozen=True, slots=True)
class TankParameters:
    """Every physical number of one tank. The defaults are the reading room's rock pool.

    Raises ValueError for values that no tank can have. Surfaces in m2, the chamber's area in mm2;
    heat in W and W/K.
    """

    volume_ml: float = 68_000.0
    """All water, at 25 °C with the chamber filled to the mark."""
    filled_c: float | None = None
    """The temperature of the water at first; None: the thermostat's setting."""
    salinity: float = NEW_SALT_G_PER_KG
    """g/kg."""
    glass_j_per_k: float = 12_000.0
    """Heat capacity of glass and rock."""
    surface_m2: float = 0.158
    """All open water, the chamber's included."""
    activity: float = 0.5
    """ASHRAE's activity factor: 0.5 for a calm pool."""
    loss_w_per_k: float = 3.5
    """Heat loss to the room without evaporation."""

    heater_w: float = 75.0
    setting_c: float = 25.3
    differential_k: float = 0.4
    """The thermostat switches at half of this below and above its setting."""
    heater_lag_s: float = 90.0
    """Time constant of the heater's body."""
    thermostat_lag_s: float = 60.0
    pump_w: float = 8.0
    """The part of the pump's power that heats the water."""
    pump_l_per_h: float = 1500.0
    still_w_per_k: float = 3.0
    """Heat exchange between chamber and tank while the pump has stopped."""
    lamp_w: float = 12.0
    """The part of the lamp's power that heats the water."""
    lamp_on: time = time(12, 0)
    lamp_off: time = time(22, 0)

    chamber_area_mm2: float = 16_200.0
    """180 mm by 90 mm."""
    chamber_ml: float = 2_500.0
    drain_back_ml: float = 320.0
    """Water that runs back into the chamber when the pump stops."""
    chamber_floor_mm: float = -140.0
    """The chamber is dry here: the level cannot be lower."""
    chamber_rim_mm: float = 80.0
    """Water above this level runs onto the floor."""
    ripple_mm: float = 0.8
    """Ripple of the surface with the pump running, standard deviation."""
    still_ripple_mm: float = 0.1
    ripple_s: float = 2.0
    """Correlation time of the ripple."""

    probe_noise_k: float = 0.03
    """Noise of the temperature probes in this tank."""
    climate: Climate = field(default_factory=Climate)

    def __post_init__(self) -> None:
        for name in _ABOVE_ZERO:
            if not getattr(self, name) > 0:
                raise ValueError(f"tank: {name} must be above 0, not {getattr(self, name)}.")
        for name in _NOT_BELOW_ZERO:
            if not getattr(self, name) >= 0:
                raise ValueError(f"tank: {name} must not be below 0, not {getattr(self, name)}.")
        if self.filled_c is not None and not 0 < self.filled_c < 45:
            raise ValueError(f"tank: no tank is filled with water of {self.filled_c:g} °C.")
        if not self.chamber_ml < self.volume_ml:
            raise ValueError("tank: the chamber holds less than the whole tank.")
        if not self.chamber_floor_mm < 0 < self.chamber_rim_mm:
            raise ValueError("tank: the fill mark lies between the chamber's floor and its rim.")

    @property
    def heat_capacity(self) -> float:
        """Returns the heat capacity of the full tank, J/K."""
        return self.volume_ml * SEAWATER_G_PER_ML * SPECIFIC_HEAT + self.glass_j_per_k

    @staticmethod
    def drawn(seed: int) -> TankParameters:
        """Returns a tank drawn at random: 40 to 120 L, 50 to 150 W, a room of 17 to 26 °C, a
        differential of 0.2 to 1.0 K, probe noise of 0.02 to 0.06 K; surfaces and losses as usual
        for such a volume. Its heater always has power to spare in its room: what the tank needs at
        night in the room's coldest hours is below 85 % of it.
        """
        rng = random.Random(f"{seed}/tank")
        while True:
            litres = rng.uniform(40, 120)
            bulk = (litres / 68) ** (2 / 3)
            climate = Climate(
                mean_c=rng.uniform(17, 26),
                seasonal_k=rng.uniform(0.0, 1.5),
                daily_k=rng.uniform(0.2, 1.2),
                noise_k=rng.uniform(0.1, 0.5),
                humidity_summer=rng.uniform(50, 65),
                humidity_heating=rng.uniform(32, 45),
                air_speed=rng.uniform(0.0, 0.1),
            )
            area = 16_200.0 * bulk * rng.uniform(0.8, 1.25)
            tank = TankParameters(
                volume_ml=litres * 1000,
                glass_j_per_k=12_000.0 * bulk * rng.uniform(0.8, 1.4),
                surface_m2=0.158 * bulk * rng.uniform(0.8, 1.2),
                activity=rng.uniform(0.4, 0.65),
                loss_w_per_k=3.5 * bulk * rng.uniform(0.75, 1.3),
                heater_w=rng.uniform(50, 150),
                setting_c=rng.uniform(24.8, 25.8),
                differential_k=rng.uniform(0.2, 1.0),
                heater_lag_s=rng.uniform(50, 150),
                thermostat_lag_s=rng.uniform(30, 150),
                pump_w=rng.uniform(4, 12),
                pump_l_per_h=rng.uniform(800, 2500),
                lamp_w=rng.uniform(5, 20) * bulk,
                chamber_area_mm2=area,
                chamber_ml=area * 0.15,
                drain_back_ml=area * rng.uniform(0.012, 0.022),
                ripple_mm=rng.uniform(0.4, 1.2),
                ripple_s=rng.uniform(1.0, 4.0),
                probe_noise_k=rng.uniform(0.02, 0.06),
                climate=climate,
            )
            coldest = climate.mean_c - climate.seasonal_k - climate.daily_k - 2 * climate.noise_k
            if tank.heat_need_w(coldest, 40.0) < 0.85 * tank.heater_w:
                return tank

    def heat_need_w(self, room_c: float, humidity: float) -> float:
        """Returns the heat that the water needs at night to hold the setting, W; below 0 if it must
        be cooled."""
        need = self.loss_w_per_k * (self.setting_c - room_c) - self.pump_w
        rate = self.evaporation_g_per_s(self.setting_c, self.salinity, room_c, humidity)
        return need + rate * latent_heat_j_per_g(self.setting_c)

    def evaporation_g_per_s(
        self, water_c: float, salinity: float, room_c: float, humidity: float
    ) -> float:
        """Returns the evaporation from the stirred surface, never below 0.

        ASHRAE Handbook, HVAC Applications, Places of Assembly, natatoriums, with the activity
        factor and seawater's lower vapour pressure: w = A Fa (pw - pa) (0.089 + 0.0782 V) / Y.
        """
        driving_pa = water_activity(salinity) * saturation_pressure_pa(
            water_c
        ) - humidity / 100 * saturation_pressure_pa(room_c)
        transfer = 0.089 + 0.0782 * self.climate.air_speed
        latent = latent_heat_j_per_g(water_c)
        return max(0.0, self.surface_m2 * self.activity * transfer * driving_pa / latent)


@dataclass(frozen=True, slots=True)
class TankState:
    """The true state at one instant. Totals count from the tank's first moment."""

    utc_ms: int
    water_c: float
    """Mean temperature of all water."""
    chamber_c: float
    """Temperature of the water in the return chamber, where heater and probe A are."""
    display_c: float
    """Temperature of the rest."""
    level_mm: float
    """Level in the chamber, relative to the fill mark, as anybody would see it now; without
    ripple."""
    volume_ml: float
    """Volume of all water, at 25 °C."""
    salinity: float
    """g/kg."""
    room_c: float
    humidity: float
    evaporated_ml_total: float
    """Fresh water that has evaporated."""
    leaked_ml_total: float
    """Water lost by leaks and over the rim."""
    poured_ml_total: float
    """Fresh or salt water poured by hand."""
    exchanged_ml_total: float
    """Water gained by water changes: new minus old."""
    heater_on_s_total: float
    heater_j_total: float
    other_j_total: float
    """Heat from pump and lamp."""
    room_j_total: float
    """Heat lost to the room, without the latent heat."""
    latent_j_total: float
    heater_body_w: float
    """The heat that the heater's body gives to the water now."""
    heater_on: bool
    """Whether the element is heating, at the end of the step that this instant is in."""
    pump_on: bool
    lamp_on: bool
    ripple_mm: float
    """Standard deviation of the surface now."""


_Snapshot = tuple[float, ...]


def _apart(*lags_s: float) -> tuple[float, ...]:
    """Returns the rates 1/lag, changed so that they differ by at least 1 %: the closed form divides
    by their differences."""
    rates: list[float] = []
    for lag in lags_s:
        rate = 1 / lag
        while any(abs(rate / other - 1) < 0.01 for other in rates):
            rate *= 1.011
        rates.append(rate)
    return tuple(rates)


class TankModel:
    """One tank from `start_utc_ms` on.

    Args:
        parameters: its physics.
        seed: of everything that is random in it.
        start_utc_ms: its first moment; the chamber is filled to the mark, the water at the setting
            unless told otherwise.
        zone: for the lamp's and the keeper's hours.
        faults: what goes wrong; faults of sensors are ignored here.
        events: what happens that is no fault.
        keeper: who pours and changes water.
    """

    def __init__(
        self,
        parameters: TankParameters,
        seed: int,
        start_utc_ms: int,
        zone: ZoneInfo,
        faults: Sequence[Fault] = (),
        events: Sequence[Event] = (),
        keeper: Keeper | None = None,
    ) -> None:
        self.parameters = parameters
        self.seed = seed
        self.start_utc_ms = start_utc_ms
        self.zone = zone
        self.keeper = Keeper() if keeper is None else keeper
        self.faults: tuple[Fault, ...] = tuple(faults)
        self.events: tuple[Event, ...] = tuple(events)
        self.notes: list[Note] = []
        """All notes of the keeper, in time order, up to at most one step ahead of now."""
        self._now_ms = start_utc_ms
        self._k = 0

        p = parameters
        self._room = Room(p.climate, seed, zone, start_utc_ms)
        self._room_c = self._room.temperature_c
        self._humidity = self._room.humidity
        self._room_slope = self._humidity_slope = 0.0
        self._air_pa = 0.0
        self._air_pa_slope = 0.0

        self._water = self._sensed = p.setting_c if p.filled_c is None else p.filled_c
        self._excess = 0.0
        self._body_w = 0.0
        self._relay = False
        self._volume = p.volume_ml
        self._mass = p.volume_ml * SEAWATER_G_PER_ML
        self._salt = self._mass * p.salinity / 1000
        self._evaporated = self._leaked = self._poured = self._exchanged = 0.0
        self._on_s = self._heater_j = self._other_j = self._room_j = self._latent_j = 0.0

        # _refresh sets these: the effect of faults, lamp and keeper until _next_change_s.
        self._next_change_s = -math.inf
        self._element_w = p.heater_w
        self._lower = p.setting_c - p.differential_k / 2
        self._upper = p.setting_c + p.differential_k / 2
        self._pump = self._lamp = True
        self._other_w = 0.0
        self._leak_g = 0.0
        self._transfer = 0.0
        self._ripple = p.ripple_mm
        self._disturbance = CALM
        self._pours = True
        self._pours_salt = self.keeper.pours_salt
        self._rates: tuple[float, ...] = ()
        self._decays: tuple[float, ...] = ()

        self._paused = False
        self._taken_ml = 0.0
        self._deeds: list[Deed] = []
        self._planned_to_ms = start_utc_ms
        self._plan_day = self._local_date(start_utc_ms)
        self._short_w: dict[Fault, float] = {}
        self._overfilled: set[Fault] = set()
        self._level = self._seen_level()
        self._after = self._before = self._snapshot()

    # -- time ------------------------------------------------------------------------------------

    def advance(self, to_utc_ms: int) -> None:
        """Moves the tank on to `to_utc_ms`; a time in its past changes nothing."""
        if to_utc_ms <= self._now_ms:
            return
        steps = -(-(to_utc_ms - self.start_utc_ms) // (STEP_S * 1000))
        while self._k < steps:
            self._step()
        self._now_ms = to_utc_ms

    @property
    def now_utc_ms(self) -> int:
        return self._now_ms

    @property
    def elapsed_s(self) -> float:
        """Seconds since the tank's first moment."""
        return (self._now_ms - self.start_utc_ms) / 1000

    @property
    def state(self) -> TankState:
        """The true state now."""
        end_s = self._k * STEP_S
        share = 1.0 - (end_s - self.elapsed_s) / STEP_S if self._k else 1.0
        values = (a + (b - a) * share for a, b in zip(self._before, self._after, strict=True))
        (
            water,
            excess,
            level,
            volume,
            mass,
            salt,
            room,
            humidity,
            evaporated,
            leaked,
            poured,
            exchanged,
            on_s,
            heater_j,
            other_j,
            room_j,
            latent_j,
            body_w,
        ) = values
        part = self.parameters.chamber_ml / self.parameters.volume_ml
        return TankState(
            utc_ms=self._now_ms,
            water_c=water,
            chamber_c=water + excess,
            display_c=water - excess * part / (1 - part),
            level_mm=level,
            volume_ml=volume,
            salinity=salt / mass * 1000,
            room_c=room,
            humidity=humidity,
            evaporated_ml_total=evaporated,
            leaked_ml_total=leaked,
            poured_ml_total=poured,
            exchanged_ml_total=exchanged,
            heater_on_s_total=on_s,
            heater_j_total=heater_j,
            other_j_total=other_j,
            room_j_total=room_j,
            latent_j_total=latent_j,
            heater_body_w=body_w,
            heater_on=self._relay and self._element_w > 0,
            pump_on=self._pump,
            lamp_on=self._lamp,
            ripple_mm=self._ripple,
        )

    def journal_since(self, after_utc_ms: int) -> list[Note]:
        """Returns what the keeper has written down after `after_utc_ms` and up to now, in order."""
        return [note for note in self.notes if after_utc_ms < note.utc_ms <= self._now_ms]

    def inject(self, fault: Fault) -> None:
        """Adds a fault; the part of its time that has already passed has no effect."""
        self.faults = (*self.faults, fault)
        self._next_change_s = -math.inf

    def _snapshot(self) -> _Snapshot:
        return (
            self._water,
            self._excess,
            self._level,
            self._volume,
            self._mass,
            self._salt,
            self._room_c,
            self._humidity,
            self._evaporated,
            self._leaked,
            self._poured,
            self._exchanged,
            self._on_s,
            self._heater_j,
            self._other_j,
            self._room_j,
            self._latent_j,
            self._body_w,
        )

    # -- one step --------------------------------------------------------------------------------

    def _step(self) -> None:
        at_s = self._k * STEP_S
        if at_s >= self._next_change_s:
            self._refresh(at_s)
        if at_s % BLOCK_S == 0:
            self._move_room(at_s)
        self._before = self._after
        water = self._water
        salinity = self._salt / self._mass * 1000
        # water_activity and saturation_pressure_pa in one exponential: this runs in every step.
        vapour_pa = 611.21 * math.exp(
            (18.678 - water / 234.5) * (water / (257.14 + water))
            - 5.057e-4 * salinity
            - 8.84e-7 * salinity * salinity
        )
        latent_w = self._transfer * (vapour_pa - self._air_pa)
        if latent_w < 0:
            latent_w = 0.0
        capacity = self._mass * SPECIFIC_HEAT + self.parameters.glass_j_per_k
        other_w = self._other_w
        self._move_heat(capacity, other_w - latent_w)
        self._other_j += other_w * STEP_S
        self._latent_j += latent_w * STEP_S

        gone_g = latent_w * STEP_S / (2500.97 - 2.371 * water)
        gone_ml = gone_g / FRESH_G_PER_ML
        self._mass -= gone_g
        self._volume -= gone_ml
        self._evaporated += gone_ml
        if self._leak_g:
            self._lose(self._leak_g)
        self._room_c += self._room_slope
        self._humidity += self._humidity_slope
        self._air_pa += self._air_pa_slope
        self._level = self._seen_level()
        if self._level > self.parameters.chamber_rim_mm:
            over = self._level - self.parameters.chamber_rim_mm
            self._lose(over * self.parameters.chamber_area_mm2 / 1000 * SEAWATER_G_PER_ML)
            self._level = self.parameters.chamber_rim_mm
        self._k += 1
        self._after = self._snapshot()

    def _lose(self, grams: float) -> None:
        """Takes out seawater with its salt."""
        millilitres = grams / SEAWATER_G_PER_ML
        self._salt -= self._salt * grams / self._mass
        self._mass -= grams
        self._volume -= millilitres
        self._leaked += millilitres

    def _running_level(self) -> float:
        """Returns the level with the pump running, mm, however low."""
        p = self.parameters
        swollen = self._volume * EXPANSION_PER_K * (self._water - _REFERENCE_C)
        return (self._volume + swollen - p.volume_ml) / p.chamber_area_mm2 * 1000

    def _seen_level(self) -> float:
        p = self.parameters
        level = self._running_level()
        if not self._pump:
            level += p.drain_back_ml / p.chamber_area_mm2 * 1000
        return max(level, p.chamber_floor_mm)

    def _move_room(self, at_s: int) -> None:
        # The air's vapour pressure is interpolated too, which saves an exponential in each step.
        air_pa = self._humidity / 100 * saturation_pressure_pa(self._room_c)
        self._room.advance(self.start_utc_ms + (at_s + BLOCK_S) * 1000, self._disturbance)
        steps = BLOCK_S // STEP_S
        room, humidity = self._room.temperature_c, self._room.humidity
        self._room_slope = (room - self._room_c) / steps
        self._humidity_slope = (humidity - self._humidity) / steps
        self._air_pa = air_pa
        self._air_pa_slope = (humidity / 100 * saturation_pressure_pa(room) - air_pa) / steps

    def _move_heat(self, capacity: float, forcing_w: float) -> None:
        """Moves heater body, water, chamber and thermostat over one step, switches included."""
        loss = self.parameters.loss_w_per_k
        room = self._room_c
        a, m, s = self._rates
        k = loss / capacity
        gain = 1000 / (self.parameters.chamber_ml * SEAWATER_G_PER_ML * SPECIFIC_HEAT * 1000)
        gain -= 1 / capacity
        left: float = STEP_S
        while True:
            if self._relay:
                if self._sensed >= self._upper:
                    self._relay = False
            elif self._sensed <= self._lower:
                self._relay = True
            power = self._element_w if self._relay else 0.0
            q = self._body_w - power
            steady = room + (forcing_w + power) / loss
            t_a = q / (capacity * (k - a))
            t_k = self._water - steady - t_a
            x_steady = gain * power / m
            x_a = gain * q / (m - a)
            x_m = self._excess - x_steady - x_a
            s_k = t_k * s / (s - k)
            s_a = (t_a + x_a) * s / (s - a)
            s_m = x_m * s / (s - m)
            s_s = self._sensed - steady - x_steady - s_k - s_a - s_m
            limit = self._upper if self._relay else self._lower
            # The four decays over the rest of the step.
            if left == STEP_S:
                e_a, e_m, e_s = self._decays
            else:
                e_a, e_m, e_s = math.exp(-a * left), math.exp(-m * left), math.exp(-s * left)
            e_k = math.exp(-k * left)
            level = steady + x_steady
            sensed = level + s_k * e_k + s_a * e_a + s_m * e_m + s_s * e_s
            span = left
            if (sensed >= limit) if self._relay else (sensed <= limit):
                early, late = 0.0, left
                while late - early > 0.01:
                    span = (early + late) / 2
                    sensed = (
                        level
                        + s_k * math.exp(-k * span)
                        + s_a * math.exp(-a * span)
                        + s_m * math.exp(-m * span)
                        + s_s * math.exp(-s * span)
                    )
                    if (sensed >= limit) if self._relay else (sensed <= limit):
                        late = span
                    else:
                        early = span
                # The later end of the interval: there the limit is reached, so that the relay does
                # switch.
                span = late
                e_k, e_a = math.exp(-k * span), math.exp(-a * span)
                e_m, e_s = math.exp(-m * span), math.exp(-s * span)
                sensed = level + s_k * e_k + s_a * e_a + s_m * e_m + s_s * e_s
            self._water = steady + t_k * e_k + t_a * e_a
            self._excess = x_steady + x_a * e_a + x_m * e_m
            self._body_w = power + q * e_a
            self._sensed = sensed
            mean = t_k * (1 - e_k) / k + t_a * (1 - e_a) / a
            self._room_j += loss * ((steady - room) * span + mean)
            if power:
                self._on_s += span
                self._heater_j += power * span
            left -= span
            if left <= 0:
                return

    # -- what changes at an instant --------------------------------------------------------------

    def _local_date(self, utc_ms: int) -> date:
        return datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(self.zone).date()

    def _refresh(self, at_s: float) -> None:
        """Sets the effect of faults, events, lamp and keeper from `at_s` on."""
        p = self.parameters
        now_ms = self.start_utc_ms + round(at_s * 1000)
        while self._planned_to_ms <= now_ms:
            deeds = deeds_of(self.keeper, self.seed, self._plan_day, self.zone)
            self._deeds += [deed for deed in deeds if deed.utc_ms >= self.start_utc_ms]
            self._deeds.sort()
            self._plan_day = next_day(self._plan_day)
            self._planned_to_ms = local_midnight(self._plan_day, self.zone)

        standing = [fault for fault in self.faults if fault.active(at_s)]
        names = {fault.name for fault in standing}
        size = {fault.name: fault.amount for fault in standing}
        events = [event for event in self.events if event.active(at_s)]
        mains = FaultName.MAINS_LOST not in names

        due = 0
        while due < len(self._deeds) and self._deeds[due].utc_ms <= now_ms:
            due += 1
        pump_works = mains and FaultName.PUMP_STOPPED not in names
        self._pours = FaultName.MISSED_TOP_UP not in names and pump_works
        self._pours_salt = self.keeper.pours_salt or FaultName.SALT_TOP_UP in names
        for deed in self._deeds[:due]:
            self._do(deed)
        del self._deeds[:due]
        for fault in standing:
            if fault.name is FaultName.OVERFILLED and fault not in self._overfilled:
                self._overfilled.add(fault)
                above = self._running_level() * p.chamber_area_mm2 / 1000
                self._pour(max(0.0, fault.amount - above), 0.0)

        cleaning = any(event.name is EventName.PUMP_CLEANING for event in events)
        self._pump = pump_works and not self._paused and not cleaning
        self._element_w = self._heater_power(standing) if mains else 0.0
        setting = p.setting_c + size.get(FaultName.SETTING_MOVED, 0.0)
        welded = FaultName.HEATER_STUCK_ON in names
        self._lower = math.inf if welded else setting - p.differential_k / 2
        self._upper = math.inf if welded else setting + p.differential_k / 2
        lamp, lamp_change_ms = self._lamp_at(now_ms, events)
        if FaultName.LAMP_NOT_ON in names:
            lamp = False
        elif FaultName.LAMP_NOT_OFF in names:
            lamp = True
        self._lamp = lamp and mains
        self._other_w = p.pump_w * self._pump + p.lamp_w * self._lamp
        self._leak_g = size.get(FaultName.LEAK, 0.0) / 3600 * STEP_S * SEAWATER_G_PER_ML
        self._ripple = p.ripple_mm if self._pump else p.still_ripple_mm
        self._disturbance = self._disturb(standing, events, setting)
        speed = p.climate.air_speed + self._disturbance.air_speed
        stirred = 1.0 if self._pump else _STILL_SURFACE
        # In W per Pa: the ASHRAE mass rate in kg/s per kPa is this over the latent heat in kJ/kg.
        self._transfer = p.surface_m2 * p.activity * (0.089 + 0.0782 * speed) * stirred
        flow = p.pump_l_per_h / 3.6 * SEAWATER_G_PER_ML * SPECIFIC_HEAT
        exchange = flow if self._pump else p.still_w_per_k
        chamber = p.chamber_ml * SEAWATER_G_PER_ML * SPECIFIC_HEAT
        self._rates = _apart(p.heater_lag_s, chamber / exchange, p.thermostat_lag_s)
        self._decays = tuple(math.exp(-rate * STEP_S) for rate in self._rates)

        changes = [self._planned_to_ms, lamp_change_ms, *(deed.utc_ms for deed in self._deeds[:1])]
        happenings: list[Fault | Event] = [*self.faults, *self.events]
        edges = [edge for each in happenings for edge in (each.start_s, each.end_s)]
        later = [edge for edge in edges if edge is not None and edge > at_s]
        self._next_change_s = min([(ms - self.start_utc_ms) / 1000 for ms in changes] + later)

    def _heater_power(self, standing: Sequence[Fault]) -> float:
        power = self.parameters.heater_w
        for fault in standing:
            if fault.name is FaultName.NOT_HEATING:
                return 0.0
            if fault.name is FaultName.HEATER_TOO_WEAK:
                if fault.size is not None:
                    power *= min(1.0, max(0.0, fault.size))
                else:
                    if fault not in self._short_w:
                        need = self.parameters.heat_need_w(self._room_c, self._humidity)
                        self._short_w[fault] = max(0.0, 0.85 * need)
                    power = min(power, self._short_w[fault])
        return power

    def _disturb(
        self, standing: Sequence[Fault], events: Sequence[Event], setting_c: float
    ) -> Disturbance:
        out = CALM
        for fault in standing:
            if fault.name is FaultName.ROOM_TOO_WARM:
                out = replace(out, at_least_c=max(out.at_least_c, setting_c + fault.amount))
            elif fault.name is FaultName.ROOM_COOLING:
                out = replace(out, colder_k=out.colder_k + fault.amount)
            elif fault.name is FaultName.COLD_DRAUGHT:
                colder = out.cooler_k + fault.amount
                out = replace(out, cooler_k=colder, air_speed=out.air_speed + 0.3)
        for event in events:
            if event.name is EventName.HEAT_WAVE:
                out = replace(out, warmer_k=out.warmer_k + event.amount)
            elif event.name is EventName.WINDOW_OPEN:
                colder = out.cooler_k + event.amount
                out = replace(out, cooler_k=colder, air_speed=out.air_speed + 0.1)
        return out

    def _lamp_at(self, utc_ms: int, events: Sequence[Event]) -> tuple[bool, int]:
        """Returns whether the lamp is on by its hours, and the UTC milliseconds at which that may
        change."""
        p = self.parameters
        shift_h = sum(e.amount for e in events if e.name is EventName.LAMP_HOURS_MOVED)
        shift_ms = round(shift_h * 3_600_000)
        today = self._local_date(utc_ms)
        lit = False
        edges: list[int] = []
        for day in (today - timedelta(days=1), today, next_day(today)):
            last = day if p.lamp_off > p.lamp_on else next_day(day)
            on = round(datetime.combine(day, p.lamp_on, self.zone).timestamp() * 1000)
            off = round(datetime.combine(last, p.lamp_off, self.zone).timestamp() * 1000)
            lit = lit or on + shift_ms <= utc_ms < off + shift_ms
            edges += [on + shift_ms, off + shift_ms]
        later = [edge for edge in edges if edge > utc_ms]
        return lit, min(later, default=utc_ms + 3_600_000)

    # -- the keeper ------------------------------------------------------------------------------

    def _do(self, deed: Deed) -> None:
        p = self.parameters
        match deed.kind:
            case DeedKind.PAUSE_BEGINS:
                self._paused = True
            case DeedKind.PAUSE_ENDS:
                self._paused = False
            case DeedKind.CHANGE_BEGINS:
                self._paused = True
                self._taken_ml = self.keeper.change_share * self._volume
                share = self._taken_ml / self._volume
                self._mass *= 1 - share
                self._salt *= 1 - share
                self._volume -= self._taken_ml
                self._exchanged -= self._taken_ml
            case DeedKind.CHANGE_ENDS:
                if not self._taken_ml:
                    return
                self._paused = False
                new_ml = self._short_of(deed.miss_mm)
                # New water is warmed, though seldom quite enough (common practice).
                self._mix(new_ml, NEW_SALT_G_PER_KG, p.setting_c - 1.0)
                self._exchanged += new_ml
                if deed.noted:
                    self._note(deed, "water-change", self._taken_ml)
                self._taken_ml = 0.0
            case DeedKind.POUR:
                volume = self._short_of(deed.miss_mm)
                if self._pours and volume > 0:
                    # A keeper who pours salt water by mistake writes down a fresh pour.
                    self._pour(volume, NEW_SALT_G_PER_KG if self._pours_salt else 0.0)
                    if deed.noted:
                        kind = "salt-pour" if self.keeper.pours_salt else "pour"
                        self._note(deed, kind, volume)
            case DeedKind.SALINITY:
                read = self._salt / self._mass * 1000 + deed.note_error
                self.notes.append(Note(deed.utc_ms, "salinity", round(read, 1), "g/kg"))

    def _short_of(self, miss_mm: float) -> float:
        """Returns the water missing to `miss_mm` above the fill mark, mL."""
        return max(0.0, (miss_mm - self._running_level()) * self.parameters.chamber_area_mm2 / 1000)

    def _note(self, deed: Deed, kind: str, volume_ml: float) -> None:
        written = round(volume_ml * max(0.0, 1 + deed.note_error), 0)
        self.notes.append(Note(deed.utc_ms, kind, written, "mL"))

    def _pour(self, volume_ml: float, salinity: float) -> None:
        warm = self.keeper.pour_c if self.keeper.pour_c is not None else self._room_c
        self._mix(volume_ml, salinity, warm)
        self._poured += volume_ml

    def _mix(self, volume_ml: float, salinity: float, at_c: float) -> None:
        """Adds water of a salinity and temperature, by mass."""
        share = salinity / NEW_SALT_G_PER_KG
        density = FRESH_G_PER_ML + share * (SEAWATER_G_PER_ML - FRESH_G_PER_ML)
        added = volume_ml * density
        capacity = self._mass * SPECIFIC_HEAT + self.parameters.glass_j_per_k
        added_capacity = added * (FRESH_SPECIFIC_HEAT if salinity == 0 else SPECIFIC_HEAT)
        self._water += (at_c - self._water) * added_capacity / (capacity + added_capacity)
        self._mass += added
        self._salt += added * salinity / 1000
        self._volume += volume_ml
