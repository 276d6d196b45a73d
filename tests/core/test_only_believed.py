"""Observers that are not shown what a probe says that nobody believes."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from quiet_observer import QuietObserver
from stillwell import wire
from stillwell.alarm.occurring import Alarms
from stillwell.finding import Finding
from stillwell.observe.observing import OnlyBelieved
from stillwell.reading import Flag, Moment, Reading
from stillwell.settings import load

DEMO = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"
NOW = Moment(1_000, 1_800_000_000_000, 1)


class Listener(QuietObserver):
    """An observer of the test's own: it keeps what it is shown."""

    name = "listener"

    def __init__(self) -> None:
        self.shown: list[str] = []

    def see(self, reading: Reading) -> Iterable[Finding]:
        self.shown.append(reading.channel)
        return ()

    def state(self) -> str:
        return " ".join(self.shown)

    def restore(self, state: str) -> None:
        self.shown = state.split()


class TestOnlyBelieved:
    def test_what_is_doubted_now_is_not_shown(self) -> None:
        doubted: set[str] = set()
        listener = Listener()
        observer = OnlyBelieved(listener, lambda: doubted)
        for bad in (set(), {"water-b"}, {"water-b", "room"}, set()):
            doubted = bad
            for name in ("water-a", "water-b", "room"):
                observer.see(Reading(name, NOW, 25.0, Flag.PASS))
        assert listener.shown == [
            *("water-a", "water-b", "room"),
            *("water-a", "room"),
            "water-a",
            *("water-a", "water-b", "room"),
        ]

    def test_all_else_is_the_observers_own(self) -> None:
        listener = Listener()
        observer = OnlyBelieved(listener, lambda: ())
        observer.restore("water-a")
        assert listener.shown == ["water-a"]
        assert (observer.name, observer.state()) == ("listener", "water-a")

    def test_every_estimator_of_the_demo_may_say_that_it_fails(self) -> None:
        settings = load(DEMO)
        alarms = Alarms(wire.watch_plan(settings))
        for observer in wire.observers(settings):
            assert alarms.defined(f"{observer.name}.failing"), observer.name
        for alarm in ("lamp.not-on", "lamp.not-off", "level.moved", "pump.stopped", "mains.lost"):
            assert alarms.defined(alarm), alarm

    def test_level_and_lamp_are_watched_so(self) -> None:
        made = {o.name: o for o in wire.observers(load(DEMO))}
        for name in ("level", "lamp"):
            assert isinstance(made[name], OnlyBelieved)
        # The judge itself must see what it judges.
        assert not isinstance(made["heater"], OnlyBelieved)
