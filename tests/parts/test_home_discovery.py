"""What is announced to a home-automation server, with the real mosquitto; in the long form with the
real server, where one is installed (``HOME_ASSISTANT`` names the Python of its environment)."""

from __future__ import annotations

import datetime as dt
import json
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from real_broker import Broker, Listener, wait_until
from stillwell.alarm.occurring import Alarms
from stillwell.deliver.mqtt import Mqtt, MqttSettings
from stillwell.notice import Message, Priority, State, Transition
from stillwell.observe.publishes import estimates_of
from stillwell.ports import Published, Row, Stream
from stillwell.reading import Flag, Moment, Quantity, Reading
from stillwell.request import Command, Reply, Request
from stillwell.settings import load
from stillwell.wiring.plans.watch import watch_plan
from stillwell.wiring.sinks import make_sink
from stillwell.words import Reader

NOW = round(time.time() * 1000)
MOMENT = Moment(1_000_000, NOW, 1)
CHANNELS = {
    "water-a": Quantity.TEMPERATURE,
    "level": Quantity.LEVEL,
    "humidity": Quantity.HUMIDITY,
    "salt": Quantity.CONDUCTIVITY,
    "ph": Quantity.PH,
    "float-low": Quantity.FLOAT,
    "pump": Quantity.SWITCH,
}
VALUES = {
    "water-a": 25.31,
    "level": -12.5,
    "humidity": 48.0,
    "salt": 53.0,
    "ph": 8.1,
    "float-low": 1.0,
    "pump": 0.0,
}
ALARMS = {"water.low"}
ESTIMATES = {"evaporation": "mL/h"}
SCHEMA = json.loads((Path(__file__).parent / "home-discovery.schema.json").read_text("utf-8"))


def rows() -> list[Row]:
    readings = [
        Row(Stream.READINGS, number, Reading(name, MOMENT, value, Flag.PASS))
        for number, (name, value) in enumerate(VALUES.items(), 1)
    ]
    alarm = Transition(
        alarm="water.low",
        before=State.NORMAL,
        event="raise",
        after=State.UNACKNOWLEDGED,
        priority=Priority.HIGH,
        moment=MOMENT,
        facts=Message("Water 24.1 °C and falling.", "", "Look at the heater.", ""),
        since=MOMENT,
        active=True,
    )
    evaporation = Published("evaporation", NOW, "mL/h", 36.0, 30.0, 42.0, "level")
    return [
        *readings,
        Row(Stream.TRANSITIONS, 1, alarm),
        Row(Stream.ESTIMATES, 1, evaporation),
    ]


class Tank:
    """The sink of a daemon, and what is asked of it."""

    def __init__(
        self, port: int, announce: bool | None, channels: dict[str, Quantity], whole: bool
    ) -> None:
        given = MqttSettings(host="127.0.0.1", port=port, announce=announce)
        self.sink = Mqtt("broker", "reading-room", given)
        self.asked: list[Request] = []
        self.sink.use_channels(channels)
        if whole:
            self.sink.use_plan(ALARMS, ESTIMATES)
        self.sink.use_words(Reader())
        self.sink.on_request(self._asked)
        self.sink.open()

    def _asked(self, request: Request, answer: Callable[[Reply], None]) -> None:
        self.asked.append(request)
        answer(Reply(True, "Done."))

    def publish(self) -> None:
        by_stream: dict[Stream, list[Row]] = {}
        for row in rows():
            by_stream.setdefault(row.stream, []).append(row)
        for some in by_stream.values():
            assert self.sink.send(some).accepted == len(some)

    def tend(self) -> None:
        self.sink.tend()


@pytest.fixture
def tank() -> Iterator[Callable[..., Tank]]:
    made: list[Tank] = []

    def make(
        port: int,
        channels: dict[str, Quantity] = CHANNELS,
        announce: bool | None = True,
        whole: bool = True,
    ) -> Tank:
        made.append(Tank(port, announce, channels, whole))
        return made[-1]

    yield make
    for each in made:
        each.sink.close()


def announced(listener: Listener) -> dict[str, Any]:
    """What stands on the discovery topics: the JSON by topic, as a server sees it now."""
    latest = {
        heard.topic: heard.payload
        for heard in list(listener.heard)
        if heard.topic.startswith("homeassistant/")
    }
    return {topic: json.loads(payload) for topic, payload in latest.items() if payload}


class TestAnnouncing:
    def test_each_payload_is_one_of_the_published_form(
        self, broker: Callable[..., Broker], listen: Callable[..., Listener], tank: Any
    ) -> None:
        here = broker()
        server = listen(here.port)
        one = tank(here.port)
        one.publish()
        wait_until(lambda: len(announced(server)) >= 12, "everything is announced")
        things = announced(server)
        assert len({body["unique_id"] for body in things.values()}) == len(things) == 12
        for topic, body in things.items():
            home, component, node, word, config = topic.split("/")
            assert (home, node, config) == ("homeassistant", "stillwell-reading-room", "config")
            jsonschema.validate(body, SCHEMA[component])
            assert body["unique_id"] == f"{node}-{word}"
            wanted = body.get("state_topic")
            assert wanted is None or server.on(wanted), f"nothing stands on {wanted}"
        water = things["homeassistant/sensor/stillwell-reading-room/water-a/config"]
        assert (water["device_class"], water["unit_of_measurement"]) == ("temperature", "°C")

    def test_what_is_removed_from_the_settings_is_removed_there(
        self, broker: Callable[..., Broker], listen: Callable[..., Listener], tank: Any
    ) -> None:
        here = broker()
        first = tank(here.port)
        first.publish()
        first.sink.close()
        server = listen(here.port)
        wait_until(lambda: len(announced(server)) == 12, "what the first has announced")
        water = {"water-a": Quantity.TEMPERATURE}
        second = tank(here.port, water, whole=False)
        # What the store holds of before is still the latest of its name.
        second.sink.remember(rows())

        def removed(left: int) -> bool:
            second.tend()
            return len(announced(server)) == left

        wait_until(lambda: removed(4), "the other channels, the alarm and the estimate are removed")
        assert {body["name"] for body in announced(server).values()} == {"water-a", *PRESSES}
        second.sink.close()
        second = tank(here.port, water, announce=False)
        wait_until(lambda: removed(0), "everything is removed")

    def test_what_the_settings_bring_is_announced_before_it_comes(
        self, broker: Callable[..., Broker], listen: Callable[..., Listener]
    ) -> None:
        here = broker()
        server = listen(here.port)
        settings = load(Path(__file__).parents[2] / "config" / "stillwell.toml")
        given = MqttSettings(host="127.0.0.1", port=here.port, announce=True)
        destination = replace(settings.sink["broker"], settings=given)
        sink = make_sink(settings, destination)
        sink.open()
        plan = watch_plan(settings)
        alarms, estimates = Alarms(plan).names, estimates_of(plan.parts)
        wanted = {*alarms, *estimates, *settings.channel, *PRESSES}

        def complete() -> bool:
            sink.tend()
            return {body["name"] for body in announced(server).values()} == wanted

        wait_until(complete, "all that the settings bring is announced")
        sink.close()
        assert {"water.low", "heater.stuck-on", "level.leak"} <= alarms
        assert {"level.now", "heater.gain", "salinity.now"} <= estimates.keys()

    def test_it_is_not_announced_unasked(
        self, broker: Callable[..., Broker], listen: Callable[..., Listener], tank: Any
    ) -> None:
        here = broker()
        server = listen(here.port)
        one = tank(here.port, announce=None)
        one.publish()
        wait_until(lambda: server.on("stillwell/reading-room/reading/pump"), "it publishes")
        assert announced(server) == {}

    def test_a_broker_that_has_forgotten_is_told_again(
        self, broker: Callable[..., Broker], listen: Callable[..., Listener], tank: Any
    ) -> None:
        here = broker()
        one = tank(here.port)
        one.publish()
        here.kill()
        here.start()
        server = listen(here.port)

        def again() -> bool:
            one.tend()
            return len(announced(server)) == 12

        wait_until(again, "everything is announced again")


PRESSES = {
    "Acknowledge": Request(Command.ACKNOWLEDGE, by="home automation"),
    "Maintenance for 2 h": Request(
        Command.SHELVE, "maintenance", by="home automation", seconds=7200.0
    ),
    "End maintenance": Request(Command.UNSHELVE, "maintenance", by="home automation"),
}


class TestButtons:
    @pytest.mark.parametrize("name", PRESSES)
    def test_what_a_press_sends_is_a_request_with_its_time(
        self, broker: Callable[..., Broker], listen: Callable[..., Listener], tank: Any, name: str
    ) -> None:
        here = broker()
        server = listen(here.port)
        one = tank(here.port)
        one.tend()
        wait_until(lambda: len(announced(server)) >= 10, "the buttons are announced")
        (button,) = [body for body in announced(server).values() if body["name"] == name]
        # What the server makes of the template.
        sent = button["command_template"].replace("{{ utcnow().isoformat() }}", _utc_now())
        server.say(button["command_topic"], sent.encode())
        wait_until(lambda: one.tend() or one.asked, "the request arrives")
        (asked,) = one.asked
        assert asked.age_s is not None
        assert asked.age_s < 60
        wanted = PRESSES[name]
        assert (asked.command, asked.subject, asked.by, asked.seconds) == (
            wanted.command,
            wanted.subject,
            wanted.by,
            wanted.seconds,
        )


def _utc_now() -> str:
    return dt.datetime.now(dt.UTC).isoformat()


class Home:
    """The real server as a process of its own environment."""

    def __init__(self, python: str, folder: Path, port: int) -> None:
        folder.mkdir()
        (folder / "configuration.yaml").touch()
        script = Path(__file__).parents[1] / "support" / "home_server.py"
        self._process = subprocess.Popen(
            [python, str(script), str(folder), str(port)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # it misses parts that are not wanted here
            text=True,
        )
        assert self._said().startswith("ready")

    def _said(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline()

    def ask(self, *words: str) -> str:
        assert self._process.stdin is not None
        self._process.stdin.write(" ".join(words) + "\n")
        self._process.stdin.flush()
        return self._said()

    def states(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.ask("states"))
        return {name: state for name, state in found.items() if "reading_room" in name}

    def stop(self) -> None:
        self._process.kill()
        self._process.wait()


class TestTheRealServer:
    def test_it_finds_everything_shows_it_and_presses(
        self,
        broker: Callable[..., Broker],
        tank: Any,
        tmp_path: Path,
        long_run: bool,
    ) -> None:
        python = os.environ.get("HOME_ASSISTANT", "")
        if not (long_run and python):
            pytest.skip("long form: HOME_ASSISTANT=…/bin/python of homeassistant 2024.3.3")
        here = broker()
        one = tank(here.port)
        one.publish()
        home = Home(python, tmp_path / "home", here.port)
        try:
            wait_until(lambda: len(home.states()) == 12, "everything is found", 60)
            wait_until(lambda: not _nothing(home.states()), "values are shown", 60)
            states = {name: state for name, (state, _) in home.states().items()}
            shown = {name: float(states[f"sensor.reading_room_{name}"]) for name in SHOWN}
            assert shown == pytest.approx(SHOWN)
            for contact, state in CONTACTS.items():
                assert states[f"binary_sensor.reading_room_{contact}"] == state
            home.ask("press", "button.reading_room_acknowledge")
            wait_until(lambda: one.tend() or one.asked, "the request arrives", 60)
            assert one.asked[0].command is Command.ACKNOWLEDGE
            one.sink.close()
            wait_until(lambda: home.states()[WATER][0] == "unavailable", "it is told away", 60)
            one = tank(here.port, {"water-a": Quantity.TEMPERATURE}, whole=False)
            wait_until(lambda: one.tend() or len(home.states()) == 4, "the others go", 60)
        finally:
            home.stop()


def _nothing(states: dict[str, Any]) -> list[str]:
    """The sensors that show no value."""
    empty = ("unknown", "unavailable")
    return [name for name, (state, _) in states.items() if "sensor." in name and state in empty]


WATER = "sensor.reading_room_water_a"
SHOWN = {"water_a": 25.31, "level": -12.5, "humidity": 48.0, "salt": 53.0, "ph": 8.1}
CONTACTS = {"float_low": "on", "pump": "off", "water_low": "on"}
