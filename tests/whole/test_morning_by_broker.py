"""The morning by MQTT: the daemon with a real broker after a night without power, its clock running
fast."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from live_daemon import Live, SteppedClock
from real_broker import Broker, wait_until
from stillwell.forward import Run, drive
from stillwell.settings import Settings, load
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store
from stillwell.wiring.sources import sources

ROOM = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"
ROOT = "stillwell/reading-room"
QUARTER = 0.25


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


EVENING = (utc("2026-01-13T12:00Z"), utc("2026-01-14T21:00Z"))
"""Dublin keeps UTC in January. The power goes an hour before the night begins."""
BACK = "2026-01-15T09:30Z"
"""It comes back when the time of the review is long over."""


@pytest.fixture
def mosquitto(broker: Callable[..., Broker]) -> Broker:
    return broker()


@pytest.fixture
def settings(tmp_path: Path, mosquitto: Broker) -> Settings:
    path = tmp_path / "room.toml"
    sink = f'[sink.broker]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {mosquitto.port}\n'
    path.write_text(f"{ROOM.read_text(encoding='utf-8')}\n{sink}", encoding="utf-8")
    environ = {
        "STILLWELL__STORE__PATH": str(tmp_path / "tank.db"),
        # In the clock's own seconds, of which there are many in a real one.
        "STILLWELL__SOURCE__TANK__DEADLINE": "60 min",
        "STILLWELL__SOURCE__TANK__EVERY": "2 min",
    }
    return load(path, environ=environ)


@pytest.fixture
def before(settings: Settings) -> None:
    """A day and an evening, up to where the power goes."""
    store = open_store(settings, bulk=True)
    line = assemble.pipeline(settings, store)
    run = Run(line, EVENING[0], boot_id="boot-0", tick_ms=120_000)
    drive(run, [s for bus in sources(settings).values() for s in bus], EVENING[1])
    run.end()
    line.end()


@pytest.fixture
def live(settings: Settings, before: None) -> Iterator[Callable[[str], Live]]:
    made: list[Live] = []

    def make(start: str) -> Live:
        # A minute after the start, as it is shipped, the estimates have long been published; a busy
        # machine needs more of the clock's time for them.
        made.append(Live(settings, SteppedClock(utc(start)), calendar_every_s=2.0))
        return made[-1]

    yield make
    for each in made:
        each.stop()


def reviews(ear: Any) -> list[dict[str, Any]]:
    told = [json.loads(heard.payload) for heard in ear.heard if heard.topic == f"{ROOT}/notice"]
    return [notice for notice in told if notice["key"].startswith("review-")]


class TestAfterANightWithoutPower:
    def test_the_notice_comes_once_and_the_estimates_are_there_for_whoever_comes_late(
        self, mosquitto: Broker, listen: Any, live: Callable[[str], Live]
    ) -> None:
        ear = listen(mosquitto.port)
        tank = live(BACK)
        wait_until(lambda: reviews(ear), "the morning's notice")
        tank.pass_h(QUARTER)
        tank.stop()
        again = live("2026-01-15T10:30Z")
        again.pass_h(QUARTER)
        again.stop()
        [notice] = reviews(ear)
        assert notice["key"] == "review-2026-01-14"
        assert "not enough evidence" in notice["text"]
        assert "said nothing all night" in notice["text"]
        late = listen(mosquitto.port, f"{ROOT}/estimate/#")
        topics = [f"{ROOT}/estimate/{name}" for name in ("level.now", "level.rate", "night.loss")]
        wait_until(lambda: all(late.on(topic) for topic in topics), "the retained estimates")
        for topic in topics:
            [heard] = late.on(topic)
            assert heard.retained
            records = json.loads(heard.payload)
            # RFC 8428, sections 4.1 and 4.5.1: a record's name is base name and name together.
            base = records[0].get("bn", "")
            names = [base + record.get("n", "") for record in records]
            assert any(name.endswith("basis") for name in names)

    def test_a_broker_that_has_forgotten_is_told_the_estimates_of_the_last_run(
        self, mosquitto: Broker, listen: Any, live: Callable[[str], Live]
    ) -> None:
        """The evening's: the daemon has published none yet when it connects."""
        tank = live("2026-01-14T21:10Z")
        late = listen(mosquitto.port, f"{ROOT}/estimate/#")
        wait_until(lambda: late.on(f"{ROOT}/estimate/night.loss"), "last night's loss")
        tank.stop()
