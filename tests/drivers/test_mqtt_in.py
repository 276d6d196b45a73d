"""The driver that listens to a broker, with the real mosquitto."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from real_broker import Broker, Listener
from stillwell.ports import DriverError
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract, ManualClock, within
from stillwell_drivers.mqtt_in import MqttIn, MqttInSettings, Published, number_in

ROOM = {"topic": "shelf/t", "will": "shelf/status"}


def settings(broker: Broker, channels: object = None, **more: object) -> MqttInSettings:
    given = {"channels": channels or {"room": ROOM}, "host": "127.0.0.1", "port": broker.port}
    return MqttInSettings.model_validate({**given, **more})


def read(driver: MqttIn) -> dict[str, Sample]:
    samples = within(30, "MqttIn.read", lambda: list(driver.read()))
    return {sample.channel: sample for sample in samples}


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def shelf(broker: Callable[..., Broker]) -> Broker:
    return broker()


@pytest.fixture
def opened(shelf: Broker, clock: ManualClock) -> Iterator[Callable[..., MqttIn]]:
    """Drivers that have subscribed."""
    made: list[MqttIn] = []

    def make(channels: object = None, **more: object) -> MqttIn:
        driver = MqttIn(settings(shelf, channels, **more))
        driver.use_clock(clock)
        driver.open()
        read(driver)
        made.append(driver)
        return driver

    yield make
    for driver in made:
        driver.close()


@pytest.fixture
def board(shelf: Broker, listen: Callable[..., Listener]) -> Listener:
    """A board that publishes."""
    return listen(shelf.port)


class TestMqttInKeepsTheContract(DriverContract):
    @pytest.fixture
    def case(self, shelf: Broker, free_ports: Callable[[], int]) -> DriverCase:
        given = {"channels": {"room": ROOM}, "host": "127.0.0.1", "port": shelf.port}
        return DriverCase(MqttIn, given, {**given, "port": free_ports()})


class TestPayloads:
    @pytest.mark.parametrize(
        ("at", "payload", "value"),
        [
            ({}, b" 21.5 ", 21.5),
            ({}, b"21,5", 21.5),
            ({}, b"ON", 1.0),
            ({"scale": -10.0, "offset": 185.0}, b"19.5", -10.0),
            ({"pointer": "/sht/t"}, b'{"sht": {"t": 21.5}}', 21.5),
            ({"pointer": "/a~1b/1"}, b'{"a/b": [1, "2.5"]}', 2.5),
            ({"pointer": "/wet"}, b'{"wet": false}', 0.0),
            ({"senml": "g/level"}, b'[{"bn": "g/", "n": "level", "u": "m", "v": -0.0125}]', -12.5),
            ({"senml": "g/t"}, b'[{"bn": "g/", "bu": "K", "bv": 273.15}, {"n": "t", "v": 25}]', 25),
            ({"senml": "g/c"}, b'[{"n": "g/c", "u": "S/m", "v": 5.3}, {"n": "x", "v": 1}]', 53.0),
        ],
    )
    def test_each_form_gives_its_number(
        self, at: dict[str, Any], payload: bytes, value: float
    ) -> None:
        got, _ = number_in(payload, Published(topic="t", **at))
        assert got == pytest.approx(value)

    @pytest.mark.parametrize(
        ("at", "payload", "raw"),
        [
            ({}, b"warm", "warm"),
            ({}, b"\xff\x00", "\\xff\\x00"),
            ({"pointer": "/a/t"}, b'{"b": 1}', 'nothing at /a/t in {"b": 1}'),
            ({"pointer": "/0"}, b'{"b": 1}', 'nothing at /0 in {"b": 1}'),
            ({"pointer": "/a"}, b"{", "no JSON: {"),
            ({"pointer": "/a"}, b"[" * 60_000, "no JSON: " + "[" * 70 + "…"),
            ({"senml": "x"}, b'[{"n": "y", "v": 1}]', 'nothing at x in [{"n": "y", "v": 1}]'),
        ],
    )
    def test_what_gives_none_is_kept_as_evidence(
        self, at: dict[str, Any], payload: bytes, raw: str
    ) -> None:
        assert number_in(payload, Published(topic="t", **at)) == (None, raw)

    @given(
        st.binary(max_size=300)
        | st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
            lambda below: st.lists(below) | st.dictionaries(st.sampled_from("abnuv"), below),
        ).map(lambda tree: json.dumps(tree).encode())
    )
    def test_nothing_that_comes_raises(self, payload: bytes) -> None:
        for at in ({}, {"pointer": "/a/0/b"}, {"pointer": ""}, {"senml": "a"}):
            value, raw = number_in(payload, Published(topic="t", **at))
            assert value is None or abs(value) <= 1e9
            assert len(raw) <= 80


class TestAge:
    def test_a_value_counts_from_its_arrival_until_it_is_too_old(
        self, opened: Callable[..., MqttIn], board: Listener, clock: ManualClock
    ) -> None:
        driver = opened(silent_after="100 s")
        assert read(driver)["room"].failure is Failure.SILENT
        board.say("shelf/t", b"21.5")
        assert read(driver)["room"] == Sample("room", 21.5, None, "21.5")
        clock.advance(99)
        assert read(driver)["room"].value == 21.5
        clock.advance(2)
        assert read(driver)["room"] == Sample(
            "room", None, Failure.SILENT, "nothing on shelf/t for 101 s"
        )

    def test_a_retained_value_is_never_taken_for_a_new_one(
        self, opened: Callable[..., MqttIn], board: Listener
    ) -> None:
        board.say("shelf/t", b"99", retain=True)
        driver = opened()
        for _ in range(3):
            assert read(driver)["room"].value is None
        board.say("shelf/t", b"21.5", retain=True)  # new, and retained for others
        assert read(driver)["room"].value == 21.5

    def test_the_latest_of_many_counts(
        self, opened: Callable[..., MqttIn], board: Listener
    ) -> None:
        driver = opened()
        for number in range(300):
            board.client.publish("shelf/t", str(number), qos=1)
        board.say("shelf/t", b"21.5")
        assert read(driver)["room"].value == 21.5


class TestTheBoard:
    def test_its_last_will_says_that_it_is_away_until_it_speaks(
        self, opened: Callable[..., MqttIn], board: Listener
    ) -> None:
        driver = opened()
        board.say("shelf/t", b"21.5")
        board.say("shelf/status", b"offline", retain=True)
        assert read(driver)["room"] == Sample(
            "room", None, Failure.GONE, "shelf/status says offline"
        )
        board.say("shelf/status", b"online", retain=True)
        assert read(driver)["room"].value == 21.5
        board.say("shelf/status", b"offline")
        assert read(driver)["room"].failure is Failure.GONE
        board.say("shelf/t", b"22")
        assert read(driver)["room"].value == 22.0

    def test_a_will_that_stood_before_we_came_counts(
        self, opened: Callable[..., MqttIn], board: Listener
    ) -> None:
        board.say("shelf/status", b"offline", retain=True)
        assert read(opened())["room"].failure is Failure.GONE


class TestTheBroker:
    def test_killed_and_back(
        self,
        opened: Callable[..., MqttIn],
        shelf: Broker,
        listen: Callable[..., Listener],
    ) -> None:
        driver = opened()
        shelf.kill()
        with pytest.raises(DriverError, match="The broker at"):
            read(driver)
        with pytest.raises(DriverError, match="cannot be reached"):
            driver.open()
        shelf.start()
        driver.open()
        assert read(driver)["room"].failure is Failure.SILENT
        listen(shelf.port).say("shelf/t", b"21.5")
        assert read(driver)["room"].value == 21.5

    def test_one_that_hangs_is_told(self, opened: Callable[..., MqttIn], shelf: Broker) -> None:
        driver = opened()
        with shelf.frozen(), pytest.raises(DriverError, match="does not answer"):
            read(driver)

    def test_a_wrong_password_is_told(
        self, broker: Callable[..., Broker], clock: ManualClock
    ) -> None:
        closed = broker(start=False)
        words = closed.passwords(board="secret")
        closed.configure(["allow_anonymous false", f"password_file {words}"])
        closed.start()
        driver = MqttIn(settings(closed, username="board", password="wrong"))
        driver.use_clock(clock)
        with pytest.raises(DriverError, match="check `username` and `password`"):
            driver.open()


class TestSettings:
    @pytest.mark.parametrize(
        ("at", "words"),
        [
            ({"topic": "shelf/#"}, "is not one topic"),
            ({"topic": "t", "pointer": "sht/t"}, "is no JSON pointer"),
            ({"topic": "t", "pointer": "/a~2"}, "is no JSON pointer"),
            ({"topic": "t", "pointer": "/a", "senml": "x"}, "is SenML or other JSON"),
        ],
    )
    def test_what_cannot_work_is_refused(self, at: object, words: str) -> None:
        with pytest.raises(ValidationError, match=words):
            MqttInSettings.model_validate({"channels": {"room": at}})

    def test_the_password_is_shown_nowhere(self, tmp_path: Path) -> None:
        given = MqttInSettings.model_validate({"channels": {"room": ROOM}, "password": "geheim"})
        assert "geheim" not in repr(given)
