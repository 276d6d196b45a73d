"""Observers take their turns in one order, and each is told what those before it know."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from quiet_observer import QuietObserver
from stillwell.alarm.occurring import Alarms
from stillwell.estimate.answer import Estimate
from stillwell.finding import Finding
from stillwell.observe.known import ORDER, Known, Tells
from stillwell.observe.observing import Observer, Observing
from stillwell.reading import Flag, Moment, Reading
from stillwell.settings import load
from stillwell.store import Store
from stillwell.wiring.assemble import observers
from stillwell.wiring.plans.watch import watch_plan

DEMO = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"
NOW = Moment(1_000, 1_800_000_000_000, 1)
MISSING = Estimate(400.0, 300.0, 500.0, "mL", (), (0, 0))


class Judge(QuietObserver):
    """An observer of the test's own: it doubts each channel when it has seen it twice."""

    name = "heat"

    def __init__(self) -> None:
        self.seen: list[str] = []

    def see(self, reading: Reading) -> Iterable[Finding]:
        self.seen.append(reading.channel)
        return ()

    def tell(self, known: Known) -> Known:
        twice = {name for name in self.seen if self.seen.count(name) > 1}
        return replace(known, doubted=frozenset(twice), missing=MISSING)


class Listener(QuietObserver):
    """An observer of the test's own: it keeps what it is told before each of its readings."""

    name = "salt"

    def __init__(self) -> None:
        self.known = Known()
        self.told: list[tuple[str, frozenset[str]]] = []
        self.at_tick: Estimate | None = None

    def hear(self, known: Known) -> None:
        self.known = known

    def see(self, reading: Reading) -> Iterable[Finding]:
        self.told.append((reading.channel, self.known.doubted))
        return ()

    def tick(self, now: Moment) -> Iterable[Finding]:
        self.at_tick = self.known.missing
        return ()


def reading(channel: str) -> Reading:
    return Reading(channel, NOW, 25.0, Flag.PASS)


class TestWhatIsTold:
    @pytest.mark.parametrize("way", [1, -1], ids=["in order", "from behind"])
    def test_holds_in_the_same_step_however_they_were_given(self, tmp_path: Path, way: int) -> None:
        judge, listener = Judge(), Listener()
        given: Sequence[Observer] = [judge, listener][::way]
        with Store.open(tmp_path / "tank.db") as store:
            observing = Observing(given, store)
            observing.see([reading("water-a")])
            observing.see([reading("water-a"), reading("room")])
            observing.tick(NOW)
        assert listener.told == [
            ("water-a", frozenset()),
            ("water-a", frozenset({"water-a"})),
            ("room", frozenset({"water-a"})),
        ]
        assert listener.at_tick == MISSING


class TestTheDemo:
    def test_every_observer_has_its_turn_and_may_say_that_it_fails(self) -> None:
        settings = load(DEMO)
        alarms = Alarms(watch_plan(settings))
        for observer in observers(settings):
            assert observer.name in ORDER
            assert alarms.defined(f"{observer.name}.failing"), observer.name
        for alarm in ("lamp.not-on", "lamp.not-off", "level.moved", "pump.stopped", "mains.lost"):
            assert alarms.defined(alarm), alarm

    def test_that_of_heat_says_who_is_doubted_and_the_level_what_is_missing(self) -> None:
        made = {o.name: o for o in observers(load(DEMO))}
        tells = {name for name, o in made.items() if isinstance(o, Tells)}
        assert tells == {"flow", "heat", "level"}

    def test_the_level_takes_nothing_from_a_channel_that_is_doubted(self) -> None:
        every = (observers(load(DEMO)) for _ in range(2))
        believing, doubting = ({o.name: o for o in each}["level"] for each in every)
        untouched = doubting.state()
        doubting.hear(Known(doubted=frozenset({"water-a", "water-b", "room"})))  # type: ignore[attr-defined]
        for one in (believing, doubting):
            for channel in ("water-a", "room"):
                one.see(reading(channel))
        assert doubting.state() == untouched
        assert believing.state() != untouched
