"""A simulated tank's year in which nothing is wrong and much goes on, through the whole pipeline.

Heat waves, opened windows, a cleaned pump, lamp hours that are moved without the settings' being
told, new probes with another zero, pours and water changes of which a part is never written down,
a feeding pause every day. Whatever sounds is looked up in the tank's own truth: an alarm about
something that is so (the water is too warm in a heat wave) is no false one. What counts as so is
`Truth.bears_out`, and everything that is not named there is false.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from in_words import what
from stillwell.forward import Run, drive, hurry
from stillwell.notice import State, Transition
from stillwell.ports import Driver
from stillwell.settings import Settings, load
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store
from stillwell.wiring.sources import sources
from stillwell_drivers.simulated import Simulated, SimulatedSettings
from stillwell_drivers.tank_faults import Event, EventName
from stillwell_drivers.tank_model import TankModel, TankParameters, TankState

DAY_S = 86_400.0
LOOK_S = 120.0
_BEFORE = 60
"""How many looks back the truth may lie: delays are part of every alarm."""
_TEN_MINUTES = 5
_HALF_AN_HOUR = 15


@dataclass(frozen=True, slots=True)
class Tank:
    """One tank and its sensors, and how wide its band is."""

    name: str
    seed: int
    drawn: int | None
    """Arguments of `TankParameters.drawn`; None: the reading room's tank."""
    channels: tuple[str, ...]
    tolerance_k: float
    on_delay: str = "5 min"
    """The on-delay of the band. A single probe beside the heater sees the chamber grow warm at
    every pause of the pump, so its keeper waits for longer than a water change takes."""
    low_mm: float = -40.0
    high_mm: float = 10.0

    @property
    def parameters(self) -> TankParameters:
        return TankParameters() if self.drawn is None else TankParameters.drawn(self.drawn)


ALL = ("water-a", "water-b", "room", "humidity", "level", "float-low", "float-high")
TANKS = (
    Tank("reading room, every sensor", 101, None, ALL, 0.5),
    Tank(
        "113 L, 102 W, two probes, gauge and low float",
        102,
        1,
        ("water-a", "water-b", "level", "float-low"),
        0.9,
    ),
    Tank("58 L, 128 W, one probe and a gauge", 103, 9, ("water-a", "level"), 0.6, "35 min"),
)
"""Tanks that differ in size, heater, differential, room and sensors."""
FLOATS_ONLY = Tank(
    "113 L, one probe, two floats",
    104,
    1,
    ("water-a", "room", "float-low", "float-high"),
    0.9,
    "35 min",
)
"""A tank without a gauge costs the level's model some ten times as much, so it is not among the
three years."""


@dataclass(frozen=True, slots=True)
class Sounded:
    """One alarm that somebody heard."""

    tank: str
    day: int
    """The day of the year; the first is 0."""
    transition: Transition
    true: bool
    """Whether the alarm was true."""

    def __str__(self) -> str:
        t = self.transition
        at = datetime.fromtimestamp(t.moment.utc_ms / 1000, UTC)
        verdict = "true " if self.true else "FALSE"
        return (
            f"{verdict} {self.tank[:12]:12} day {self.day:3} {at:%a %Y-%m-%d %H:%M}Z "
            f"{t.alarm} ({t.priority}): {what(t)}"
        )


def live(
    tank: Tank,
    start: datetime,
    days: int,
    folder: Path,
    heard: Callable[[Sounded], None],
    *,
    chamber: bool = True,
    lived: Callable[[int], None] = lambda _day: None,
) -> None:
    """Lives through `days` from midnight of `start` on; hands over what sounds, as it does.

    Args:
        chamber: whether the settings know the chamber. Without it the level's model does not run,
            which takes most of the time, and nobody measures the salinity, of which the balance
            knows nothing without the level; all else goes on.
        lived: is told now and then how many days have passed.
    """
    settings = settings_of(tank, start, days, folder, chamber=chamber)
    path = folder / f"{tank.seed}.db"
    path.unlink(missing_ok=True)
    models: list[TankModel] = []
    source = settings.source["tank"].settings
    assert isinstance(source, SimulatedSettings)
    truth = Truth(tank, source.happening())
    start_ms = round(start.timestamp() * 1000)

    def told(t: Transition) -> None:
        if t.after is State.UNACKNOWLEDGED and t.event in ("raise", "unsuppress"):
            day = (t.moment.utc_ms - start_ms) // 86_400_000
            heard(Sounded(tank.name, day, t, truth.bears_out(t.alarm)))

    def look(utc_ms: int) -> None:
        if models:
            truth.see(models[0].state)
        lived((utc_ms - start_ms) // 86_400_000)

    store = open_store(settings, path, bulk=True)
    line = assemble.pipeline(settings, store, told)
    every = [s for on_bus in sources(settings).values() for s in on_bus]
    made = every[0].make

    def make() -> Driver:
        driver = made()
        assert isinstance(driver, Simulated)
        opened = driver.open

        def open_and_keep() -> None:
            opened()
            models[:] = [driver.model]

        driver.open = open_and_keep  # type: ignore[method-assign]
        return driver

    with hurry():
        run = Run(line, start_ms, boot_id="clean", look=look, look_ms=round(LOOK_S * 1000))
        drive(run, [replace(every[0], make=make)], start_ms + days * 86_400_000)
        run.end()
    line.end()
    path.unlink(missing_ok=True)


class Truth:
    """What was true in the last two hours."""

    def __init__(self, tank: Tank, events: Sequence[Event] = ()) -> None:
        self._tank = tank
        self._replaced = [e for e in events if e.name is EventName.PROBE_REPLACED]
        self._start_ms: int | None = None
        self._parameters = tank.parameters
        self._seen: deque[TankState] = deque(maxlen=_BEFORE + 1)

    def see(self, state: TankState) -> None:
        if self._start_ms is None:
            self._start_ms = state.utc_ms
        self._seen.append(state)

    def bears_out(self, alarm: str) -> bool:
        """Returns whether the tank has been, within the last two hours, what the alarm says."""
        if not self._seen:
            return False
        p, tank = self._parameters, self._tank
        band_low, band_high = p.setting_c - tank.tolerance_k, p.setting_c + tank.tolerance_k
        off_c = p.setting_c + p.differential_k / 2
        first, last = self._seen[0], self._seen[-1]
        match alarm:
            case "water.high":
                return any(s.display_c > band_high - PROBE_K for s in self._seen)
            case "water.low":
                return any(s.display_c < band_low + PROBE_K for s in self._seen)
            case "water.apart":
                # Each new probe has another zero: in a year they add up, and the two differ.
                return self._zeros_apart(last.utc_ms) > APART_K - NOISE_K
            case "room.too-warm":
                return last.display_c > off_c + 0.2 and not last.heater_on
            case "heater.too-weak":
                # Reported too while the water still holds and the heater has no power to spare.
                seconds = (last.utc_ms - first.utc_ms) / 1000
                return last.heater_on_s_total - first.heater_on_s_total > 0.9 * seconds
            case "top-up":
                return any(s.level_mm < tank.low_mm + 2 for s in self._seen)
            case "level.top-up":
                return last.level_mm < LOWEST_SAFE_MM + 15
            case "too-full":
                lately = list(self._seen)[-_TEN_MINUTES:]
                return all(s.level_mm > tank.high_mm - 2 for s in lately)
            case "pump.stopped":
                lately = list(self._seen)[-_HALF_AN_HOUR:]
                return sum(not s.pump_on for s in lately) > 0.8 * len(lately)
            case "salinity.high":
                return last.salinity > SALINITY[1] - 0.3
            case "salinity.low":
                return last.salinity < SALINITY[0] + 0.3
        return False

    def _zeros_apart(self, utc_ms: int) -> float:
        """Returns by how much the zeros of the probes in the water differ, K."""
        zeros = {name: 0.0 for name in self._tank.channels if name.startswith("water")}
        assert self._start_ms is not None
        for event in self._replaced:
            if event.active((utc_ms - self._start_ms) / 1000):
                zeros[event.target] += event.amount
        return max(zeros.values()) - min(zeros.values())


NOISE_K = 0.1
"""How far two probes may read apart by their noise and steps."""
APART_K = 0.5
"""How far apart two probes must read before the keeper wants to be told."""
PROBE_K = 0.2
"""The largest error of a right reading: a DS18B20 is sold as within 0.5 K (Maxim data sheet),
and probes are replaced here by ones with another error."""
LOWEST_SAFE_MM = -60.0
SALINITY = (34.0, 36.0)


def settings_of(
    tank: Tank, start: datetime, days: int, folder: Path, *, chamber: bool = True
) -> Settings:
    """Returns the configuration of one tank's life."""
    path = folder / f"{tank.seed}.toml"
    path.write_text(_toml(tank, start, days, chamber), encoding="utf-8")
    settings = load(path)
    assert isinstance(settings.source["tank"].settings, SimulatedSettings)
    return settings


def _toml(tank: Tank, start: datetime, days: int, chamber: bool) -> str:
    p = tank.parameters
    water = [name for name in tank.channels if name.startswith("water")]
    side = (p.chamber_area_mm2 / 2) ** 0.5
    surface = (p.surface_m2 * 1e6) ** 0.5
    drawn = "" if tank.drawn is None else f"drawn = {tank.drawn}\n"
    text = f"""
[tank]
name = "clean"
zone = "Europe/Dublin"
volume = "{p.volume_ml / 1000:.1f} L"
surface = {{ length = "{surface:.0f} mm", width = "{surface:.0f} mm" }}
heater = {{ power = "{p.heater_w:.0f} W" }}
lamp = {{ on = "12:00", off = "22:00" }}
{_chamber(side) if chamber else ""}
[store]
path = "unused.db"
[source.tank]
driver = "simulated"
every = "60 s"
seed = {tank.seed}
start = {start.isoformat()}
events = [{", ".join(_events(tank, start, days))}]
[source.tank.tank]
{drawn}
[source.tank.keeper]
pours_noted = 0.7
changes_noted = 0.6
{"salinity_every_d = 7" if chamber else ""}
[source.tank.channels]
"""
    text += "".join(f"{name} = {{ {_sensor(name, tank)} }}\n" for name in tank.channels)
    text += "".join(f"[channel.{name}]\n{_channel(name, tank)}\n" for name in tank.channels)
    of = ", ".join(f'"{name}"' for name in water)
    text += f"""
[band.water]
of = [{of}]
target = "{p.setting_c:.2f} degC"
tolerance = "{tank.tolerance_k} K"
deadband = "0.1 K"
on_delay = "{tank.on_delay}"
off_delay = "5 min"
priority = "high"
rate = "3 K/h"
"""
    if len(water) > 1:
        text += f'[agreement.water]\nof = [{of}]\nwithin = "{APART_K} K"\n'
    text += "".join(said for name, said in _STATES.items() if name in tank.channels)
    return text


def _chamber(side: float) -> str:
    return f"""
[tank.chamber]
length = "{2 * side:.0f} mm"
width = "{side:.0f} mm"
uncertainty = "5 %"
lowest_safe = "{LOWEST_SAFE_MM} mm"
highest_safe = "25 mm"
"""


_STATES = {
    "float-low": """
[state.top-up]
of = "float-low"
wrong = "below"
on_delay = "30 min"
off_delay = "2 min"
priority = "medium"
says = "Top up with fresh water to the fill mark."
""",
    "float-high": """
[state.too-full]
of = "float-high"
wrong = "above"
on_delay = "10 min"
off_delay = "2 min"
priority = "medium"
says = "Take water out to the fill mark."
""",
}


def _sensor(name: str, tank: Tank) -> str:
    return {
        "water-a": 'sees = "water", bad_days = 0.02',
        "water-b": 'sees = "water-b", bad_days = 0.02',
        "room": 'sees = "room"',
        "humidity": 'sees = "humidity"',
        "level": 'sees = "level", noise = "1 mm"',
        "float-low": f'sees = "float", height = "{tank.low_mm} mm"',
        "float-high": f'sees = "float", height = "{tank.high_mm} mm"',
    }[name]


def _channel(name: str, tank: Tank) -> str:
    if name.startswith("float"):
        height = tank.low_mm if name == "float-low" else tank.high_mm
        return f'quantity = "float"\nheight = "{height} mm"\ndifferential = "2 mm"'
    if name == "level":
        return 'quantity = "level"\nnoise = "1 mm"\nresolution = "1 mm"'
    return f'quantity = "{"humidity" if name == "humidity" else "temperature"}"'


def _events(tank: Tank, start: datetime, days: int) -> Iterator[str]:
    """Yields the events of the life: as often as in a real one, or more, by our own choice."""
    rng = random.Random(f"{tank.seed}/{start:%Y-%m-%d}/events")

    def one(
        name: str, day: float, hours: float | None, size: float | None, target: str = ""
    ) -> str:
        lasts = "" if hours is None else f', for = "{hours * 3600:.0f} s"'
        sized = "" if size is None else f", size = {size:.2f}"
        to = f', target = "{target}"' if target else ""
        return f'{{ name = "{name}", after = "{day * DAY_S:.0f} s"{lasts}{sized}{to} }}'

    lamp_moved_to = 0
    for day in range(days):
        month = (start + timedelta(days=day)).month
        summer = 6 <= month <= 8
        if summer and rng.random() < 1 / 25:
            yield one("heat-wave", day + rng.random(), 24 * rng.uniform(2, 5), rng.uniform(2, 5))
        if rng.random() < (1 / 4 if summer else 1 / 10):
            hour = rng.uniform(8, 21)
            yield one("window-open", day + hour / 24, rng.uniform(0.2, 2.0), rng.uniform(2, 6))
        if rng.random() < 1 / 30:
            hour = rng.uniform(10, 20)
            yield one("pump-cleaning", day + hour / 24, rng.uniform(0.1, 0.45), None)
        if rng.random() < 1 / 60 and day >= lamp_moved_to:
            lamp_moved_to = day + rng.randint(10, 40)
            hours = 24.0 * (lamp_moved_to - day)
            yield one("lamp-hours-moved", day, hours, rng.choice([-2, -1, 1, 2]))
        if rng.random() < 1 / 90:
            target = rng.choice([n for n in tank.channels if n.startswith("water")])
            by = rng.choice([-1, 1]) * rng.uniform(0.1, 0.3)
            yield one("probe-replaced", day + rng.uniform(9, 20) / 24, None, by, target)
