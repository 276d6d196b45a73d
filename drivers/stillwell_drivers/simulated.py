"""A simulated tank instead of hardware: to try stillwell, to demonstrate it, and to test it.

In the configuration::

    [source.tank]
    driver = "simulated"
    every = "30 s"
    seed = 1
    faults = [{ name = "not-heating", after = "2 h" }]
    [source.tank.channels]
    water-a = { sees = "water", noise = "0.03 K" }
    room = { sees = "room" }
    humidity = { sees = "humidity" }
    level = { sees = "level", noise = "1 mm" }
    float-low = { sees = "float", height = "-12 mm", differential = "2 mm" }

The tank is that of `stillwell_drivers.tank_model`; `stillwell_drivers.tank_faults` lists every
fault with its size. Its time is the daemon's monotonic clock, counted from the wall time at the
first `open`: stepping the wall clock does not disturb the water. With ``start`` its life begins at
that instant instead, and is simulated up to now when it opens (a year takes some seconds), so that
two runs with the same seed and start see the same water at the same time; ``after`` counts from
there. Two sources with the same seed, start, tank, keeper and water faults see the same water.
"""

from __future__ import annotations

import difflib
import threading
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, time
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Literal, get_args
from zoneinfo import ZoneInfo

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, field_validator, model_validator

from stillwell.ports import Clock, DriverError
from stillwell.reading import Sample
from stillwell.units import (
    Celsius,
    Dimension,
    Kelvin,
    Millilitres,
    Millimetres,
    Ratio,
    Seconds,
    Watts,
    parse,
)
from stillwell_drivers.tank_faults import FAULTS, Event, EventName, Fault, FaultName, Part
from stillwell_drivers.tank_keeper import Keeper, Note
from stillwell_drivers.tank_model import TankModel, TankParameters, TankState
from stillwell_drivers.tank_sensors import (
    FloatKind,
    FloatSwitch,
    Gauge,
    GaugeKind,
    LampSensor,
    Probe,
    ProbeKind,
    Sensor,
)


class Sees(StrEnum):
    """What a channel of the simulated tank looks at."""

    WATER = "water"
    """The water in the return chamber, beside the heater and the pump."""
    WATER_B = "water-b"
    """The water of the tank itself."""
    ROOM = "room"
    HUMIDITY = "humidity"
    LEVEL = "level"
    FLOAT = "float"
    LAMP = "lamp"


_PROBES = (Sees.WATER, Sees.WATER_B)
_DIMENSION = {
    Sees.WATER: Dimension.DIFFERENCE,
    Sees.WATER_B: Dimension.DIFFERENCE,
    Sees.ROOM: Dimension.DIFFERENCE,
    Sees.HUMIDITY: Dimension.HUMIDITY,
    Sees.LEVEL: Dimension.LENGTH,
}
_HUMIDITY_NOISE, _HUMIDITY_STEP, _ROOM_NOISE_K, _ROOM_LAG_S = 0.5, 0.1, 0.03, 60.0
_PLACES: dict[Sees, Callable[[TankState], float]] = {
    Sees.WATER: lambda state: state.chamber_c,
    Sees.WATER_B: lambda state: state.display_c,
    Sees.ROOM: lambda state: state.room_c,
    Sees.HUMIDITY: lambda state: state.humidity,
}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ChannelSettings(_Strict):
    """One simulated sensor. Noise, offset and resolution are in K, %RH or mm, by what it sees."""

    sees: Sees
    noise: str | None = None
    offset: str | None = None
    resolution: str | None = None
    lag: Seconds | None = None
    """How slowly a probe follows the water."""
    bad_days: Ratio = 0.0
    """Share of days on which a probe's check word does not match now and then."""
    outliers: Ratio = 0.0
    """Share of a gauge's values that are far off."""
    height: Millimetres | None = None
    """A float is closed when the water is at or above this height, relative to the fill mark."""
    differential: Millimetres = 2.0
    """A float opens again this far below its height."""
    upside_down: bool = False
    """Whether the float is mounted the wrong way round."""

    @field_validator("sees", mode="before")
    @classmethod
    def _known(cls, sees: object) -> object:
        names = [each.value for each in Sees]
        if isinstance(sees, str) and sees not in names:
            near = difflib.get_close_matches(sees, names, n=1)
            hint = f' Did you mean "{near[0]}"?' if near else ""
            raise ValueError(f'"{sees}" cannot be seen here.{hint} Known: {", ".join(names)}.')
        return sees

    @model_validator(mode="after")
    def _fits(self) -> ChannelSettings:
        dimension = _DIMENSION.get(self.sees)
        for name in ("noise", "offset", "resolution"):
            text = getattr(self, name)
            if text is None:
                continue
            if dimension is None:
                raise ValueError(f"A {self.sees} has no {name}. Leave it out.")
            value = parse(text, dimension)
            if value < 0 and name != "offset":
                raise ValueError(f"{name} must not be below zero. Write it without the sign.")
        if self.sees is Sees.FLOAT and self.height is None:
            raise ValueError(
                'A float needs its height. Write, for instance, height = "-12 mm" for one that '
                "closes 12 mm below the fill mark."
            )
        if self.sees is not Sees.FLOAT and self.height is not None:
            raise ValueError("Only a float has a height. Leave it out.")
        return self

    def amount(self, name: str, usual: float) -> float:
        """Returns noise, offset or resolution as a number, or the usual one."""
        text = getattr(self, name)
        return usual if text is None else parse(text, _DIMENSION[self.sees])


class _Timed(_Strict):
    """How long after the tank's first moment, for how long, how large, where."""

    after: Seconds = 0.0
    lasts: Seconds | None = Field(default=None, alias="for")
    size: float | None = None
    """How large it is, in the unit that the table of faults and events gives."""
    target: str = ""
    """The channel of the sensor; without one, the first that fits."""

    @property
    def end_s(self) -> float | None:
        return None if self.lasts is None else self.after + self.lasts


class FaultSettings(_Timed):
    """One fault."""

    name: FaultName


class EventSettings(_Timed):
    """One event that is no fault."""

    name: EventName


class TankSettings(_Strict):
    """The tank itself; what is left out is the reading room's, or drawn at random by `drawn`."""

    drawn: int | None = None
    """Draws a whole tank at random by this seed."""
    volume: Millilitres | None = None
    heater: Watts | None = None
    setting: Celsius | None = None
    differential: Kelvin | None = None
    room: Celsius | None = None
    chamber_length: Millimetres | None = None
    chamber_width: Millimetres | None = None
    ripple: Millimetres | None = None
    lamp_on: time | None = None
    lamp_off: time | None = None
    filled: Celsius | None = None
    """How warm the water is when its life begins: a new tank is cold."""

    @model_validator(mode="after")
    def _possible(self) -> TankSettings:
        if (self.chamber_length is None) != (self.chamber_width is None):
            raise ValueError("chamber_length and chamber_width belong together. Give both.")
        self.parameters()
        return self

    def parameters(self) -> TankParameters:
        """Returns the tank's physics."""
        base = TankParameters() if self.drawn is None else TankParameters.drawn(self.drawn)
        changes = {
            "volume_ml": self.volume,
            "heater_w": self.heater,
            "setting_c": self.setting,
            "differential_k": self.differential,
            "ripple_mm": self.ripple,
            "lamp_on": self.lamp_on,
            "lamp_off": self.lamp_off,
            "filled_c": self.filled,
        }
        # Values are of different types, each right for its field.
        given: dict[str, object] = {k: v for k, v in changes.items() if v is not None}
        if self.chamber_length is not None and self.chamber_width is not None:
            given["chamber_area_mm2"] = self.chamber_length * self.chamber_width
        if self.room is not None:
            given["climate"] = replace(base.climate, mean_c=self.room)
        return replace(base, **given)  # type: ignore[arg-type]


Never = Literal["never"]
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
_WEEKDAYS: tuple[str, ...] = get_args(Weekday)
Share = Annotated[Ratio, Field(ge=0.0, le=1.0)]


class KeeperSettings(_Strict):
    """The keeper of the simulated tank."""

    pours_at: time | Never = time(8, 30)
    pours_missed: Share = 0.0
    """Share of the days without a pour."""
    pours_noted: Share = 1.0
    """Share of the pours that are written down."""
    pours_salt: bool = False
    changes_on: Weekday | Never = "saturday"
    changes_at: time = time(10, 0)
    change_share: Share = 0.15
    changes_noted: Share = 1.0
    feeds_at: time | Never = time(19, 0)
    salinity_every_d: Annotated[int, Field(ge=1)] | None = None

    def keeper(self) -> Keeper:
        """Returns the keeper's habits."""
        said: dict[str, Any] = {
            key: None if value == "never" else value for key, value in self.model_dump().items()
        }
        if said["changes_on"] is not None:
            said["changes_on"] = _WEEKDAYS.index(said["changes_on"])
        return Keeper(**said)


class SimulatedSettings(_Strict):
    """The settings of a simulated tank."""

    channels: dict[str, ChannelSettings] = Field(min_length=1)
    seed: int = 1
    zone: str = "Europe/Dublin"
    """The time zone of the lamp's and the keeper's hours."""
    start: AwareDatetime | None = None
    """When its life began; without it, when it is first opened."""
    tank: TankSettings = TankSettings()
    keeper: KeeperSettings = KeeperSettings()
    faults: list[FaultSettings] = []
    events: list[EventSettings] = []

    @field_validator("zone")
    @classmethod
    def _zone_exists(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (KeyError, ValueError, OSError):
            raise ValueError(
                f'"{zone}" is no time zone. Write one as "Europe/Dublin" or "America/New_York".'
            ) from None
        return zone

    @model_validator(mode="after")
    def _targets_exist(self) -> SimulatedSettings:
        for fault in self.faults:
            part = FAULTS[fault.name].part
            if part not in (Part.PROBE, Part.FLOAT, Part.GAUGE):
                continue
            if not self._fitting(part):
                raise ValueError(
                    f'The fault "{fault.name}" needs a {part}, and no channel sees one. '
                    "Add a channel or take the fault out."
                )
            names = fault.target.split("/") if fault.target else []
            for name in names:
                if name not in self._fitting(part):
                    raise ValueError(
                        f'The fault "{fault.name}" has the target "{name}", which is no {part} '
                        f"here. Known: {', '.join(self._fitting(part))}."
                    )
            if fault.name is FaultName.PROBES_SWAPPED and len(self.swapped(fault.target)) != 2:
                raise ValueError(
                    'The fault "probes-swapped" needs two probes. Write, for instance, '
                    'target = "water-a/room".'
                )
        for event in self.events:
            if event.name is EventName.PROBE_REPLACED and (
                not self._fitting(Part.PROBE)
                or (event.target and event.target not in self._fitting(Part.PROBE))
            ):
                raise ValueError(
                    f'The event "{event.name}" has no probe to replace. Name one as its target.'
                )
        return self

    def _fitting(self, part: Part) -> list[str]:
        """Returns the channels on which a fault of `part` can be, the most likely first."""
        kinds: tuple[Sees, ...] = {
            Part.PROBE: (*_PROBES, Sees.ROOM, Sees.HUMIDITY),
            Part.FLOAT: (Sees.FLOAT,),
            Part.GAUGE: (Sees.LEVEL,),
        }.get(part, ())
        names = [name for name, channel in self.channels.items() if channel.sees in kinds]
        return sorted(names, key=lambda name: self.channels[name].sees not in _PROBES)

    def swapped(self, target: str) -> tuple[str, ...]:
        """Returns the two temperature probes that have changed places; fewer if there are not two.
        Without a target these are the first in the water and, if there is one, the one in the room.
        """
        if target:
            names = tuple(target.split("/"))
        else:
            temperatures = [
                name
                for name in self._fitting(Part.PROBE)
                if self.channels[name].sees is not Sees.HUMIDITY
            ]
            room = [name for name in temperatures if self.channels[name].sees is Sees.ROOM]
            names = tuple(dict.fromkeys([*temperatures[:1], *room[:1], *temperatures[1:2]]))[:2]
        return tuple(n for n in names if self.channels[n].sees is not Sees.HUMIDITY)

    def injected(self) -> list[Fault]:
        """Returns the faults, each sensor fault with its channel."""
        out: list[Fault] = []
        for fault in self.faults:
            target = fault.target
            if fault.name is FaultName.PROBES_SWAPPED:
                target = "/".join(self.swapped(fault.target))
            elif not target:
                target = next(iter(self._fitting(FAULTS[fault.name].part)), "")
            out.append(Fault(fault.name, fault.after, fault.end_s, fault.size, target))
        return out

    def happening(self) -> list[Event]:
        """Returns the events, those of a probe with its channel."""
        out: list[Event] = []
        for event in self.events:
            target = event.target
            if event.name is EventName.PROBE_REPLACED and not target:
                target = self._fitting(Part.PROBE)[0]
            out.append(Event(event.name, event.after, event.end_s, event.size, target))
        return out

    def sensors(self) -> list[Sensor]:
        """Returns one sensor per channel, in the order of the channels."""
        faults, events = self.injected(), self.happening()
        return [self._sensor(name, faults, events) for name in self.channels]

    def _sensor(self, name: str, faults: list[Fault], events: list[Event]) -> Sensor:
        channel = self.channels[name]
        mine = [fault for fault in faults if fault.target == name]
        tank = self.tank.parameters()
        match channel.sees:
            case Sees.FLOAT:
                assert channel.height is not None
                kind = FloatKind(channel.height, channel.differential, channel.upside_down)
                return FloatSwitch(name, self.seed, kind, tank.ripple_s, mine)
            case Sees.LEVEL:
                gauge = GaugeKind(
                    noise_mm=channel.amount("noise", 1.0),
                    offset_mm=channel.amount("offset", 0.0),
                    resolution_mm=channel.amount("resolution", 1.0),
                    outliers=channel.outliers,
                )
                return Gauge(name, self.seed, gauge, mine)
            case Sees.LAMP:
                return LampSensor(name)
        usual = ProbeKind(tank.probe_noise_k)
        if channel.sees is Sees.ROOM:
            usual = ProbeKind(_ROOM_NOISE_K, lag_s=_ROOM_LAG_S)
        elif channel.sees is Sees.HUMIDITY:
            usual = ProbeKind(_HUMIDITY_NOISE, resolution=_HUMIDITY_STEP, lag_s=_ROOM_LAG_S)
        probe = ProbeKind(
            noise=channel.amount("noise", usual.noise),
            offset=channel.amount("offset", 0.0),
            resolution=channel.amount("resolution", usual.resolution),
            lag_s=usual.lag_s if channel.lag is None else channel.lag,
            bad_days=channel.bad_days,
        )
        place = _PLACES[channel.sees]
        air = _PLACES[Sees.HUMIDITY if channel.sees is Sees.HUMIDITY else Sees.ROOM]
        swaps: list[tuple[Fault, Callable[[TankState], float]]] = []
        for fault in faults:
            if fault.name is FaultName.PROBES_SWAPPED and name in fault.target.split("/"):
                other = next(each for each in fault.target.split("/") if each != name)
                swaps.append((fault, _PLACES[self.channels[other].sees]))
        own = [event for event in events if event.target == name]
        return Probe(name, self.seed, probe, place, air, mine, swaps, own)


class Simulated:
    """The driver of a simulated tank. Once opened, `model` is the tank: the truth for tests."""

    Settings: ClassVar[type[BaseModel]] = SimulatedSettings

    def __init__(self, settings: SimulatedSettings) -> None:
        self._settings = settings
        self._clock: Clock | None = None
        self._began_ns = 0
        self._began_ms = 0
        self._model: TankModel | None = None
        self._sensors: list[Sensor] = []
        self._stalls: list[Fault] = []
        self._closed: threading.Event | None = None

    @classmethod
    def bus(cls, settings: SimulatedSettings) -> str:
        """Each source is a bus of its own, named after its channels: one that stalls holds up no
        other."""
        return f"simulated:{'+'.join(settings.channels)}"

    def use_clock(self, clock: Clock) -> None:
        """Takes the clock on which the tank runs."""
        self._clock = clock

    @property
    def model(self) -> TankModel:
        """The tank. Raises DriverError before the first `open`."""
        if self._model is None:
            raise DriverError("The simulated tank is not open.", "Open the driver first.")
        return self._model

    def journal_since(self, after_utc_ms: int) -> list[Note]:
        """Returns what the tank's keeper has written down after `after_utc_ms`, in order."""
        return [] if self._model is None else self._model.journal_since(after_utc_ms)

    def open(self) -> None:
        """Fills the tank on the first call, and simulates its past; later calls continue from
        there."""
        if self._clock is None:
            raise DriverError(
                "The simulated tank has no clock.", "Call use_clock with the daemon's clock first."
            )
        if self._model is None:
            settings = self._settings
            self._began_ns, self._began_ms = self._clock.monotonic_ns(), self._clock.wall_ms()
            start_ms = self._began_ms
            if settings.start is not None:
                start_ms = round(settings.start.astimezone(UTC).timestamp() * 1000)
                # A clock that is behind may put the beginning in the future: then the tank's life
                # begins there.
                self._began_ms = max(self._began_ms, start_ms)
            faults = settings.injected()
            self._model = TankModel(
                settings.tank.parameters(),
                settings.seed,
                start_ms,
                ZoneInfo(settings.zone),
                faults,
                settings.happening(),
                settings.keeper.keeper(),
            )
            self._stalls = [fault for fault in faults if fault.name is FaultName.BUS_STALLED]
            self._sensors = settings.sensors()
        self._closed = threading.Event()
        self._model.advance(self._now_ms(self._clock))

    def read(self) -> Iterable[Sample]:
        """Moves the tank on to now and returns one sample per channel.

        Under the fault ``bus-stalled`` it blocks until `close` is called, and then raises
        DriverError, or until the fault ends.
        """
        clock, closed, model = self._clock, self._closed, self._model
        if clock is None or closed is None or model is None or closed.is_set():
            raise DriverError("The simulated tank is not open.", "Open the driver first.")
        now_ms = self._now_ms(clock)
        while (stalled := self._stalled((now_ms - model.start_utc_ms) / 1000)) is not None:
            if stalled.end_s is None:
                closed.wait()
            else:
                clock.wait(closed, stalled.end_s - (now_ms - model.start_utc_ms) / 1000)
            if closed.is_set():
                raise DriverError(
                    "The simulated bus hung until it was closed.",
                    'Take the fault "bus-stalled" out of the settings.',
                )
            now_ms = self._now_ms(clock)
        model.advance(now_ms)
        state, at_s = model.state, model.elapsed_s
        return [sensor.read(at_s, state) for sensor in self._sensors]

    def close(self) -> None:
        """Ends a read that hangs. The tank stays as it is until the next `open`."""
        if self._closed is not None:
            self._closed.set()

    def _now_ms(self, clock: Clock) -> int:
        return self._began_ms + (clock.monotonic_ns() - self._began_ns) // 1_000_000

    def _stalled(self, at_s: float) -> Fault | None:
        return next((fault for fault in self._stalls if fault.active(at_s)), None)
