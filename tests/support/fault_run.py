"""Runs one line of the catalogue of faults through the real pipeline, on the simulated tank of the
demo configuration.

Learning takes days and is the same for every fault: it is lived once a seed, and the store as it is
then is copied for each fault. The copy goes on as a daemon does after a restart, with a tank of the
same seed and beginning, so that every line is also a test of what survives one.

When a fault can show at all is taken from the tank's own truth, beside a twin to which nothing
happens: a heater that dies while it is off shows nothing until the twin's comes on.
"""

from __future__ import annotations

import fnmatch
import random
import shutil
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from stillwell.acquire.clock import SetClock
from stillwell.entry import Entry
from stillwell.forward import Run, drive, hurry
from stillwell.notice import State, Transition
from stillwell.settings import Settings, load
from stillwell.units import Dimension, parse
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store
from stillwell.wiring.sources import sources
from stillwell_drivers.simulated import Simulated, SimulatedSettings
from stillwell_drivers.tank_model import TankModel

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "config" / "reading-room-simulated.toml"
CATALOGUE = ROOT / "tests" / "whole" / "faults.toml"
DAY_S = 86_400.0
LEARNING_S = 4 * DAY_S
SHOWN_K, SHOWN_MM = 0.05, 2.0
"""How far the truth must differ from the twin's for anybody to see it."""
LOOK_S = 60.0
NOBODY_ELSE: Mapping[str, Any] = {}
"""The usual keeper's habits."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the catalogue."""

    name: str
    says: str
    inject: tuple[Mapping[str, Any], ...]
    """Faults of the simulated tank; empty for those of the machine."""
    alarm: str
    """A pattern that one of the alarms that ring must match; empty: none may ring."""
    also: tuple[str, ...]
    """Patterns of further alarms that must ring at some time while the run listens."""
    priority: str
    shows: str
    """``at once``, ``call`` (when the thermostat calls for heat), ``water``, ``level`` (when the
    truth differs from the twin's), or how long after the fault began."""
    within_s: float
    listen_s: float
    """The least time, after the fault could show, for which the run listens to what rings."""
    never: tuple[str, ...]
    """Patterns that no alarm that rings may match, from the fault on."""
    begins: str
    """Hours after midnight UTC at which the fault begins; empty: drawn."""
    probes: int
    """How many of the tank's three temperature probes are there; with 1 there is nothing but
    that probe."""
    slow: bool
    """Whether it takes days, and so runs only in the long form."""
    journal: tuple[Mapping[str, Any], ...]
    keeper: Mapping[str, Any]
    """Habits of the tank's keeper that differ from the usual, from the learning on."""
    heater: str
    """The heater's power where it is not the demo's, from the learning on; empty for the demo's."""
    told_by: str
    """The test that shows it, for faults of the machine."""
    open: str
    """Why the fault is not reported yet; empty when it is."""


def catalogue(path: Path = CATALOGUE) -> list[Line]:
    """Returns the lines of the table."""
    table = tomllib.loads(path.read_text(encoding="utf-8"))
    return [_line(name, keys) for name, keys in table.items()]


def _line(name: str, keys: dict[str, Any]) -> Line:
    inject = keys.pop("inject", [])
    line = Line(
        name=name,
        says=keys.pop("says"),
        inject=tuple([inject] if isinstance(inject, dict) else inject),
        alarm=keys.pop("alarm", ""),
        also=tuple(keys.pop("also", ())),
        priority=keys.pop("priority", ""),
        shows=keys.pop("shows", "at once"),
        within_s=parse(keys.pop("within", "0 s"), Dimension.DURATION),
        listen_s=parse(keys.pop("listen", "0 s"), Dimension.DURATION),
        never=tuple(keys.pop("never", ())),
        begins=keys.pop("begins", ""),
        probes=keys.pop("probes", 3),
        slow=keys.pop("slow", False),
        journal=tuple(keys.pop("journal", ())),
        keeper=keys.pop("keeper", {}),
        heater=keys.pop("heater", ""),
        told_by=keys.pop("told_by", ""),
        open=keys.pop("open", ""),
    )
    if keys:
        raise ValueError(f"{name}: {', '.join(keys)} means nothing in {CATALOGUE.name}.")
    return line


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one fault did on one seed. Times in seconds after the fault began."""

    line: Line
    seed: int
    sounded: tuple[tuple[float, Transition], ...]
    """What somebody heard, without suppressed alarms. Negative times are before the fault."""
    moved: tuple[tuple[float, Transition], ...]
    """Every change of an alarm."""
    shown_s: float
    """When the fault could first show."""
    store: Path

    @property
    def heard(self) -> tuple[float, Transition] | None:
        """Returns the alarm that the line expects, when it first rang after the fault."""
        for at_s, transition in self.sounded:
            if at_s >= 0 and fnmatch.fnmatchcase(transition.alarm, self.line.alarm):
                return at_s, transition
        return None

    @property
    def delay_s(self) -> float | None:
        """Returns its delay from the first moment at which the fault could show."""
        return None if self.heard is None else max(0.0, self.heard[0] - self.shown_s)

    def misses(self) -> list[str]:
        """Returns how the alarm that the line expects fell short; empty when it is as it should
        be."""
        line, heard = self.line, self.heard
        if not line.alarm:
            return []
        if heard is None:
            return [f"{line.alarm} did not sound"]
        late_s = heard[0] - self.shown_s
        if late_s > line.within_s:
            return [
                f"{line.alarm} sounded {late_s / 60:.0f} min after it could show, not within "
                f"{line.within_s / 60:.0f} min"
            ]
        if heard[1].priority.value not in line.priority.split("/"):
            return [f"{heard[1].alarm} is {heard[1].priority.value}, not {line.priority}"]
        after = [t.alarm for at_s, t in self.sounded if at_s >= 0]
        missed = [also for also in line.also if not fnmatch.filter(after, also)]
        return [f"{also} did not sound beside it" for also in missed]

    def cries(self) -> list[str]:
        """Returns what rang and must not; empty when all is as it should be."""
        early = [f"{t.alarm} sounded before the fault" for at_s, t in self.sounded if at_s < 0]
        wrong = {
            t.alarm
            for at_s, t in self.sounded
            if at_s >= 0
            and any(fnmatch.fnmatchcase(t.alarm, pattern) for pattern in self.line.never)
        }
        lasts = [fault.get("for") for fault in self.line.inject]
        over_s = max((parse(each, Dimension.DURATION) for each in lasts if each), default=0.0)
        late = [
            f"{t.alarm} sounded after the fault was over"
            for at_s, t in self.sounded
            if at_s > over_s and None not in lasts
        ]
        return [*early, *late, *(f"{alarm} sounded and must not" for alarm in sorted(wrong))]


def _calls(tank: TankModel, _: TankModel) -> bool:
    """Whether a heater that died while it heated can show: the water is where it should come on."""
    p = tank.parameters
    return tank.state.chamber_c < p.setting_c - p.differential_k / 2


def _warmth_differs(tank: TankModel, twin: TankModel) -> bool:
    return abs(tank.state.chamber_c - twin.state.chamber_c) > SHOWN_K


def _level_differs(tank: TankModel, twin: TankModel) -> bool:
    return abs(tank.state.level_mm - twin.state.level_mm) > SHOWN_MM


SHOWS = {"call": _calls, "water": _warmth_differs, "level": _level_differs}
"""By name: whether a fault shows by now, from the tank's own truth and that of its twin."""


class Lives:
    """Simulated tanks with a finished learning, by seed, and what faults do to them."""

    def __init__(self, folder: Path, every: str = "30 s") -> None:
        """Makes the runs. `every`: the interval between readings of the sensors."""
        self._folder = folder
        self._every = every
        self._learned: dict[str, Path] = {}

    def run(self, line: Line, seed: int) -> Outcome:
        """Runs one fault on one seed."""
        learned = self._learn(seed, line.probes, line.keeper, line.heater)
        begins_s = LEARNING_S + _begins_s(line, seed)
        faults = [{**fault, "after": _after(fault, begins_s)} for fault in line.inject]
        shown_s = self._shown_s(line, seed, faults, begins_s)
        until_s = begins_s + shown_s + max(line.within_s + 600.0, line.listen_s)
        store = self._folder / f"{line.name}-{seed}.db"
        shutil.copy(learned, store)
        heard = self._live(
            self._settings(seed, line.probes, faults, line.keeper, line.heater),
            store,
            _start_ms(seed),
            (LEARNING_S, until_s),
            _entries(line, seed, begins_s),
        )
        moved = tuple(
            (t.moment.utc_ms / 1000 - _start_ms(seed) / 1000 - begins_s, t) for t in heard
        )
        sounded = tuple(
            (at_s, t)
            for at_s, t in moved
            if t.after is State.UNACKNOWLEDGED and t.event in ("raise", "unsuppress")
        )
        return Outcome(line, seed, sounded, moved, shown_s, store)

    def spans(
        self,
        name: str,
        seed: int,
        faults: Sequence[tuple[str, float] | tuple[str, float, str]],
        spans_s: Sequence[tuple[float, float]],
        probes: int = 3,
        lasts: str = "",
        meanwhile: Callable[[Path], None] = lambda store: None,
    ) -> list[list[tuple[float, Transition]]]:
        """Lives through several spans after the learning, each a run of its own: what lies between
        two of them nobody has seen. Times are seconds since the end of learning.

        Args:
            faults: name and beginning, and the channel of a sensor's.
            lasts: how long each fault lasts; empty: to the end.
            meanwhile: what happens to the store's file after each span.

        Returns:
            what changed in each span, with its time.
        """
        learned = self._learn(seed, probes)
        store = self._folder / f"{name}.db"
        shutil.copy(learned, store)
        said = [
            {
                "name": name,
                "after": f"{LEARNING_S + at_s:.0f} s",
                **({"target": target[0]} if target else {}),
                **({"for": lasts} if lasts else {}),
            }
            for name, at_s, *target in faults
        ]
        settings = self._settings(seed, probes, said)
        start_ms = _start_ms(seed)
        out = []
        for begin_s, end_s in spans_s:
            span = (LEARNING_S + begin_s, LEARNING_S + end_s)
            heard = self._live(settings, store, start_ms, span)
            meanwhile(store)
            out.append([((t.moment.utc_ms - start_ms) / 1000 - LEARNING_S, t) for t in heard])
        return out

    def _learn(
        self, seed: int, probes: int, keeper: Mapping[str, Any] = NOBODY_ELSE, heater: str = ""
    ) -> Path:
        habits = "".join(f"-{habit}-{is_}" for habit, is_ in keeper.items())
        key = f"{seed}-{probes}{habits}{heater and '-'}{heater}"
        path = self._learned.get(key)
        if path is None:
            path = self._folder / f"learned-{key}.db"
            settings = self._settings(seed, probes, [], keeper, heater)
            self._live(settings, path, _start_ms(seed), (0.0, LEARNING_S))
            self._learned[key] = path
        return path

    @staticmethod
    def _live(
        settings: Settings,
        path: Path,
        start_ms: int,
        span_s: tuple[float, float],
        journal: Sequence[Entry] = (),
    ) -> list[Transition]:
        """Runs a span of a tank's life, in seconds after its first moment."""
        heard: list[Transition] = []
        store = open_store(settings, path, bulk=True)
        line = assemble.pipeline(settings, store, heard.append)
        begin_ms, end_ms = (start_ms + round(at_s * 1000) for at_s in span_s)
        with hurry():
            run = Run(line, begin_ms, boot_id=f"simulated-{begin_ms}")
            for entry in journal:
                store.put_journal(entry)
            drive(run, [s for on_bus in sources(settings).values() for s in on_bus], end_ms)
            run.end()
        line.end()
        return heard

    def _settings(
        self,
        seed: int,
        probes: int,
        faults: Sequence[Mapping[str, Any]],
        keeper: Mapping[str, Any] = NOBODY_ELSE,
        heater: str = "",
    ) -> Settings:
        """Returns the demo's configuration with another seed, beginning, keeper's habits, faults
        and heater."""
        text = DEMO.read_text(encoding="utf-8")
        start = datetime.fromtimestamp(_start_ms(seed) / 1000, UTC).isoformat()
        said = ", ".join(_inline(fault) for fault in faults)
        own = f"seed = {seed}\nstart = {start}\nfaults = [{said}]\nkeeper = {_inline(keeper)}\n"
        text = _replaced(text, "seed = 1\n", own)
        text = _replaced(text, 'every = "30 s"\nseed', f'every = "{self._every}"\nseed')
        if heater:
            text = _replaced(text, '\nheater = "75 W"', f'\nheater = "{heater}"')
            text = _replaced(text, '\npower = "75 W"', f'\npower = "{heater}"')
        path = self._folder / "tank.toml"
        path.write_text(text, encoding="utf-8")
        settings = load(path)
        return _with_one_probe(settings) if probes == 1 else settings

    def _shown_s(
        self, line: Line, seed: int, faults: Sequence[Mapping[str, Any]], begins_s: float
    ) -> float:
        """Returns the seconds after the fault began until anybody could see it."""
        if line.shows == "at once":
            return 0.0
        if line.shows not in SHOWS:
            return parse(line.shows, Dimension.DURATION)
        tank, twin = (
            _model(self._settings(seed, line.probes, which, line.keeper, line.heater))
            for which in (faults, ())
        )
        at_s = begins_s + max(_later_s(fault) for fault in line.inject)
        while at_s < begins_s + 2 * DAY_S:
            for model in (tank, twin):
                model.advance(model.start_utc_ms + round(at_s * 1000))
            if SHOWS[line.shows](tank, twin):
                return at_s - begins_s
            at_s += LOOK_S
        raise ValueError(f"{line.name} changes nothing in two days of the tank's life.")


def _begins_s(line: Line, seed: int) -> float:
    """Returns when the fault begins, after the end of learning: at its hour, or drawn within a
    night and a morning, the first hour left to the restart."""
    if line.begins:
        return parse(line.begins, Dimension.DURATION)
    return 3600.0 * random.Random(f"{seed}/{line.name}").uniform(1.0, 7.0)


def _after(fault: Mapping[str, Any], begins_s: float) -> str:
    return f"{begins_s + _later_s(fault):.0f} s"


def _later_s(fault: Mapping[str, Any]) -> float:
    """Returns how long this fault begins after the first fault of its line."""
    return parse(fault["after"], Dimension.DURATION) if "after" in fault else 0.0


def _start_ms(seed: int) -> int:
    """Returns the tank's first moment: midnight UTC, each seed in another season, never with a
    change of clocks or of water within its days of learning."""
    month = 1 + seed % 12
    return round(datetime(2026, month, 8, tzinfo=UTC).timestamp() * 1000)


def _entries(line: Line, seed: int, begins_s: float) -> list[Entry]:
    return [
        Entry(
            kind=note["kind"],
            at_ms=_start_ms(seed)
            + round(1000 * (begins_s + parse(note["after"], Dimension.DURATION))),
            value=note["value"],
            unit=note["unit"],
            by="test",
        )
        for note in line.journal
    ]


def _replaced(text: str, old: str, new: str) -> str:
    if text.count(old) != 1:
        raise ValueError(f"{DEMO} holds {old!r} {text.count(old)} times.")
    return text.replace(old, new)


def _inline(fault: Mapping[str, Any]) -> str:
    words = (
        f"{key} = {value}" if isinstance(value, int | float) else f'{key} = "{value}"'
        for key, value in fault.items()
    )
    return f"{{ {', '.join(words)} }}"


def _with_one_probe(settings: Settings) -> Settings:
    """Returns a tank with one probe beside its heater, and nothing else."""
    only = "water-a"
    source = settings.source["tank"]
    model = source.settings
    assert isinstance(model, SimulatedSettings)
    seen = model.model_copy(update={"channels": {only: model.channels[only]}})
    band = settings.band["water"].model_copy(update={"of": (only,)})
    return replace(
        settings,
        source={"tank": replace(source, settings=seen, channels=(only,))},
        channel={only: settings.channel[only]},
        agreement={},
        state={},
        band={"water": band},
        tank=settings.tank.model_copy(update={"chamber": None, "lamp": None}),
    )


def _model(settings: Settings) -> TankModel:
    """Returns the tank alone, at its first moment, without sensors."""
    driver = settings.source["tank"].settings
    assert isinstance(driver, SimulatedSettings)
    simulated = Simulated(driver)
    assert driver.start is not None
    simulated.use_clock(SetClock(round(driver.start.timestamp() * 1000)))
    simulated.open()
    return simulated.model
