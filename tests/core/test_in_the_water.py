"""Which bands are about the tank's water, by what their channels measure and where."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from stillwell.alarm.occurring import Alarms
from stillwell.alarm.watch import Watch
from stillwell.finding import Finding
from stillwell.notice import Message, Priority, State
from stillwell.reading import Moment
from stillwell.settings import Settings, load
from stillwell.settings.schema.watched import HumidityBand
from stillwell.wiring.plans.review import review_plan
from stillwell.wiring.plans.watch import watch_plan

DEMO = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"
NOW = Moment(1_000, 1_800_000_000_000, 1)


@pytest.fixture
def damp() -> Settings:
    """The demo, whose keeper also wants to know of a damp room."""
    settings = load(DEMO)
    said = {"of": ["humidity"], "target": "50 %RH", "tolerance": "15 %RH"}
    band = HumidityBand.model_validate(said)
    return replace(settings, band={**settings.band, "air": band})


class TestABandOfTheRoomsHumidity:
    def test_is_not_of_the_water(self, damp: Settings) -> None:
        of_water = {band.name: band.of_water for band in watch_plan(damp).bands}
        assert not of_water["air"]
        assert all(of for name, of in of_water.items() if "water" in name)
        assert {b.name: b.of_water for b in review_plan(damp).bands} == of_water

    @pytest.mark.parametrize("cause", ["heater.stuck-on", "heater.not-heating", "pump.stopped"])
    def test_does_not_keep_still_because_of_the_heater_or_the_pump(
        self, damp: Settings, cause: str
    ) -> None:
        watch = Watch(watch_plan(damp))
        watch.find(Finding(cause, True, Priority.HIGH, Message(cause)), NOW)
        for alarm in ("air.high", "air.low"):
            watch.find(Finding(alarm, True, Priority.MEDIUM, Message(alarm)), NOW)
        states = {t.alarm: t.after for t in watch.standing()}
        assert states["air.high"] is State.UNACKNOWLEDGED
        assert states["air.low"] is State.UNACKNOWLEDGED

    def test_is_caused_by_no_hand_in_the_tank(self, damp: Settings) -> None:
        assert not {n for n in Alarms(watch_plan(damp)).by_hand if n.startswith("air.")}


class TestInTheWater:
    def test_are_probes_floats_and_gauge_and_not_the_room_or_the_lamp(self) -> None:
        settings = load(DEMO)
        outside = {name for name in settings.channel if not settings.in_water(name)}
        assert outside == {"room", "humidity", "lamp"} & set(settings.channel)
