"""Simulated tanks for the heater's benches and tests: what their probes read, and the truth beside
it. The simulator shares no code with the estimator but the units."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from stillwell.alarm.rules.forecast import Forecast
from stillwell.estimate.heat_balance.answers import Answer, answers, setting_c
from stillwell.estimate.heat_balance.devices import Control, Devices
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.estimate.heat_balance.probe import Around, ProbeHeat
from stillwell.observe.heat.found import ahead
from stillwell.reading import Flag, Moment, Reading
from stillwell_drivers.tank_faults import Event, Fault
from stillwell_drivers.tank_keeper import Keeper
from stillwell_drivers.tank_model import TankModel, TankParameters, TankState
from stillwell_drivers.tank_sensors import Gauge, GaugeKind, Probe, ProbeKind

START_MS = int(datetime(2026, 1, 12, tzinfo=UTC).timestamp() * 1000)
ZONE = ZoneInfo("Europe/Dublin")
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Look:
    """One instant: what was read, and what was so."""

    at_s: float
    readings: tuple[Reading, ...]
    state: TankState


class World:
    """One tank with probe A in the chamber, probe B in the tank, a room probe and a gauge."""

    def __init__(
        self,
        parameters: TankParameters,
        seed: int,
        *,
        faults: Sequence[Fault] = (),
        events: Sequence[Event] = (),
        keeper: Keeper | None = None,
        channels: Sequence[str] = ("water-a",),
        every_s: int = 30,
        start_ms: int = START_MS,
    ) -> None:
        self.parameters = parameters
        self.model = TankModel(
            parameters, seed, start_ms, ZONE, faults=faults, events=events, keeper=keeper
        )
        self.every_s = every_s
        self.start_ms = start_ms
        self._at = 0
        noise = parameters.probe_noise_k
        offsets = random.Random(f"{seed}/offsets")
        places = {
            "water-a": lambda s: s.chamber_c,
            "water-b": lambda s: s.display_c,
            "room": lambda s: s.room_c,
        }
        self._sensors: list[Probe | Gauge] = []
        for name in channels:
            if name == "level":
                self._sensors.append(
                    Gauge(name, seed, GaugeKind(), [f for f in faults if f.target == name])
                )
                continue
            offset = offsets.uniform(-0.25, 0.25)
            swaps = [
                (f, places[next(n for n in f.target.split("/") if n != name)])
                for f in faults
                if "/" in f.target and name in f.target.split("/")
            ]
            self._sensors.append(
                Probe(
                    name,
                    seed,
                    ProbeKind(noise=noise, offset=offset),
                    places[name],
                    lambda s: s.room_c,
                    [f for f in faults if f.target == name],
                    swaps,
                    [e for e in events if e.target == name],
                )
            )
        self.offsets = {s.channel: s._kind.offset for s in self._sensors if isinstance(s, Probe)}

    def look(self) -> Look:
        """Moves on to the next instant and reads every channel."""
        utc_ms = self.start_ms + self._at * 1000
        self.model.advance(utc_ms)
        state = self.model.state
        now = Moment(self._at * 1000 + 5_000_000, utc_ms, 1)
        out = []
        for sensor in self._sensors:
            sample = sensor.read(float(self._at), state)
            flag = Flag.PASS if sample.failure is None else Flag.FAIL
            out.append(Reading(sample.channel, now, sample.value, flag))
        look = Look(float(self._at), tuple(out), state)
        self._at += self.every_s
        return look

    def until(self, end_s: float) -> Iterator[Look]:
        while self._at < end_s:
            yield self.look()


class Mind:
    """The balance of heat by one probe, as the observer feeds it.

    Args:
        parameters: of the tank; its settings would say its volume and the heater's power.
        room_seen: whether it is told the room's temperature.
    """

    def __init__(self, parameters: TankParameters, *, room_seen: bool = False) -> None:
        litres = parameters.volume_ml / 1000
        devices = Devices(Control.THERMOSTAT, (parameters.heater_w,), volume_l=litres)
        self.probe = ProbeHeat(devices, room_seen=room_seen)

    def see(self, at_s: float, water: float, room: float | None = None) -> None:
        self.probe.take(at_s, water, Around(room, 0.0, 0.0, at_s / 3600 % 24))

    @property
    def standing(self) -> set[Verdict]:
        return set(self.probe.judgement.since)

    @property
    def learned(self) -> bool:
        return self.probe.learned

    @property
    def setting_c(self) -> float:
        return setting_c(self.probe.tank) or 0.0

    def answers(self) -> dict[str, Answer]:
        return {each.name: each for each in answers(self.probe.tank, self.probe.day)}

    def forecast(self, target: float) -> Forecast | None:
        return ahead(self.probe, self.probe.slope(), target)


def quantile(values: Iterable[float], share: float) -> float:
    """Returns the value below which `share` of the values lie."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]
