"""The MQTT sink against a real mosquitto that dies, freezes, forgets and comes back."""

from __future__ import annotations

import json
import socket
import threading
from typing import Any

import pytest

from stillwell.deliver.mqtt import Mqtt, MqttSettings
from stillwell.deliver.outbox import Outbox, OutboxThread
from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.ports import Published, Stream
from stillwell.reading import Flag, Moment, Quantity, Reading
from stillwell.words import Reader

ROOT = "stillwell/reading-room"
T0 = 1_764_061_200_000


def reading(value: float, at_s: int = 0, channel: str = "water-a") -> Reading:
    return Reading(channel, Moment(at_s * 1000, T0 + at_s * 1000), value, Flag.PASS)


def notice(number: int) -> Notice:
    return Notice(
        f"water.low:{number}",
        "water.low",
        "raised",
        Priority.HIGH,
        Moment(0, T0),
        Prose("Water low", "…"),
    )


def transition(after: State, active: bool = True, alarm: str = "water.low") -> Transition:
    said = Message(
        "Water 24.3 °C, below 25.0 for 20 min.",
        "The heater is not heating.",
        "Check its plug.",
        "Unplug it before you reach in.",
    )
    now = Moment(60_000, T0 + 60_000)
    return Transition(
        alarm, now, State.NORMAL, after, "raise", Priority.HIGH, active, said, Moment(0, T0)
    )


def keys(listener: Any) -> list[str]:
    return [json.loads(one.payload)["key"] for one in listener.on(f"{ROOT}/notice")]


class TestState:
    def test_who_comes_late_is_told_the_latest_of_everything(
        self, broker: Any, listen: Any, keeper: Any, until: Any
    ) -> None:
        mosquitto = broker()
        one = keeper(mosquitto.port)
        for number in range(5):
            one.shelf.put(reading(25 + number / 10, number))
        one.shelf.put(reading(-12.0, 5, "level"))
        one.shelf.put(transition(State.UNACKNOWLEDGED))
        one.shelf.put(Published("loss", T0, "mL/h", 36.0, 18.0, 54.0, "one float"))
        one.until(lambda: len(one.shelf.cursors) == 3, "all streams have moved")
        late = listen(mosquitto.port)
        until(lambda: len(late.heard) >= 5, "the retained messages")
        assert all(message.retained for message in late.heard)
        water = json.loads(late.on(f"{ROOT}/reading/water-a")[0].payload)
        assert water[0] == {
            "n": "reading-room/water-a",
            "u": "Cel",
            "t": T0 / 1000 + 4,
            "v": 25.4,
        }
        level = json.loads(late.on(f"{ROOT}/reading/level")[0].payload)
        assert (level[0]["u"], level[0]["v"]) == ("m", -0.012)
        alarm = json.loads(late.on(f"{ROOT}/alarm/water.low")[0].payload)
        assert alarm["state"] == "unacknowledged"
        assert alarm["active"] is True
        loss = json.loads(late.on(f"{ROOT}/estimate/loss")[0].payload)
        assert loss[0]["u"] == "m3/s"
        assert loss[0]["v"] == pytest.approx(1e-8)
        alive = json.loads(late.on(f"{ROOT}/alive")[0].payload)
        assert alive["state"] == "online"

    def test_a_backlog_of_readings_arrives_as_its_latest_only(
        self, broker: Any, listen: Any, keeper: Any, until: Any
    ) -> None:
        mosquitto = broker()
        ear = listen(mosquitto.port, f"{ROOT}/reading/#")
        one = keeper(mosquitto.port)
        for number in range(5_000):
            one.shelf.put(reading(20 + number / 1000, number))
        one.until(
            lambda: one.shelf.cursors.get(Stream.READINGS) == 5_000, "the cursor is at the end"
        )
        until(lambda: ear.heard, "a reading")
        assert [json.loads(message.payload)[0]["v"] for message in ear.heard] == [24.999]

    def test_a_killed_broker_is_told_everything_again(
        self, broker: Any, listen: Any, keeper: Any, until: Any
    ) -> None:
        mosquitto = broker()
        one = keeper(mosquitto.port)
        one.shelf.put(reading(25.1))
        one.shelf.put(transition(State.ACKNOWLEDGED))
        one.until(lambda: len(one.shelf.cursors) == 2, "both have moved")
        for _ in range(3):
            mosquitto.kill()
            one.until(lambda: one.outbox.health.away, "the loss is noticed")
            mosquitto.start()
            one.until_well()
            late = listen(mosquitto.port)
            until(lambda late=late: len(late.heard) >= 3, "state after the kill")
            assert {message.topic for message in late.heard} == {
                f"{ROOT}/alive",
                f"{ROOT}/reading/water-a",
                f"{ROOT}/alarm/water.low",
            }

    def test_a_restarted_daemon_shows_what_the_store_holds_without_new_rows(
        self, broker: Any, listen: Any, keeper: Any, until: Any
    ) -> None:
        mosquitto = broker()
        first = keeper(mosquitto.port)
        first.shelf.put(reading(25.1))
        first.until(lambda: first.shelf.cursors, "the row has moved")
        first.outbox.close()
        mosquitto.kill()
        mosquitto.start()
        again = keeper(mosquitto.port, first.shelf)
        again.until_well()
        late = listen(mosquitto.port, f"{ROOT}/reading/+")
        until(lambda: late.heard, "the reading of before")
        assert json.loads(late.heard[0].payload)[0]["v"] == 25.1

    def test_a_vanished_daemon_is_lost_and_a_stopped_one_is_stopped(
        self, broker: Any, listen: Any, keeper: Any, relay: Any, until: Any
    ) -> None:
        mosquitto = broker()
        cable = relay(mosquitto.port)
        ear = listen(mosquitto.port, f"{ROOT}/alive")

        def last() -> str:
            return str(json.loads(ear.heard[-1].payload)["state"]) if ear.heard else ""

        one = keeper(cable.port)
        one.until_well()
        until(lambda: last() == "online", "online")
        cable.cut()
        until(lambda: last() == "lost", "the last will")
        one.until(lambda: last() == "online", "online again")
        one.outbox.close()
        until(lambda: last() == "stopped", "stopped")
        late = listen(mosquitto.port, f"{ROOT}/alive")
        until(lambda: late.heard, "the retained state")
        assert json.loads(late.heard[-1].payload) == {"state": "stopped"}

    def test_online_is_said_again_and_has_an_end_but_lost_and_stopped_have_none(
        self, broker: Any, listen: Any, keeper: Any, until: Any
    ) -> None:
        mosquitto = broker()
        ear = listen(mosquitto.port, f"{ROOT}/alive")
        one = keeper(mosquitto.port, keepalive=5)
        one.until_well()
        until(lambda: ear.heard, "online")
        # MQTT 5.0, 3.3.2.3.3: the server counts the interval down to what is left.
        assert 0 < ear.heard[0].properties.MessageExpiryInterval <= 30
        one.sink._born_s -= 11  # two keep-alives and more have passed
        one.until(lambda: len(ear.heard) == 2, "online is said again")
        assert json.loads(ear.heard[1].payload)["state"] == "online"
        one.outbox.close()
        until(lambda: len(ear.heard) == 3, "stopped")
        assert not hasattr(ear.heard[2].properties, "MessageExpiryInterval")


class TestNotices:
    def test_thousands_through_an_outage_arrive_once_and_in_order(
        self, broker: Any, listen: Any, keeper: Any, until: Any, long_run: bool
    ) -> None:
        total = 1_000 if not long_run else 10_000
        mosquitto = broker(start=False)
        one = keeper(mosquitto.port)
        for number in range(total):
            one.shelf.put(notice(number))
        one.until_away("Nothing listens")
        mosquitto.start()
        ear = listen(mosquitto.port)
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == total, "all are accepted")
        until(lambda: len(ear.heard) >= total, "all are heard")
        assert keys(ear) == [f"water.low:{number}" for number in range(total)]
        assert one.shelf.dead == []

    def test_a_broker_killed_again_and_again_among_them_loses_none(
        self, broker: Any, listen: Any, keeper: Any, until: Any, long_run: bool
    ) -> None:
        mosquitto = broker()
        one = keeper(mosquitto.port)
        ear = listen(mosquitto.port)
        total = 600 if not long_run else 6_000
        for number in range(total):
            one.shelf.put(notice(number))
        for part in range(1, 4 if not long_run else 30):
            goal = part * (150 if not long_run else 190)
            one.until(
                lambda goal=goal: one.shelf.cursors.get(Stream.NOTICES, 0) >= goal, "some are out"
            )
            ear.listening.clear()
            mosquitto.kill()
            mosquitto.start()
            # Who is not connected hears nothing from a broker without persistence.
            assert ear.listening.wait(20)
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == total, "all are accepted")
        wanted = [f"water.low:{number}" for number in range(total)]
        until(lambda: set(keys(ear)) == set(wanted), "every key is heard")
        # Doubles are allowed: the broker had forgotten what it acknowledged. A double is the same
        # to the # last byte, so that a receiver can drop it.
        assert len({message.payload for message in ear.on(f"{ROOT}/notice")}) == total

    def test_a_broker_that_was_only_out_of_reach_is_told_nothing_twice(
        self, broker: Any, listen: Any, keeper: Any, relay: Any, until: Any
    ) -> None:
        mosquitto = broker()
        cable = relay(mosquitto.port)
        ear = listen(mosquitto.port)
        one = keeper(cable.port)
        for number in range(5):
            one.shelf.put(notice(number))
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 5, "five are out")
        before = cable.connections
        cable.cut()
        one.until(lambda: cable.connections > before and not one.outbox.health.away, "back again")
        one.shelf.put(notice(5))
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 6, "the sixth is out")
        until(lambda: "water.low:5" in keys(ear), "the sixth is heard")
        assert keys(ear) == [f"water.low:{number}" for number in range(6)]

    def test_a_broker_that_has_forgotten_us_is_told_the_last_ones_again_under_the_same_key(
        self, broker: Any, listen: Any, keeper: Any, until: Any
    ) -> None:
        mosquitto = broker()
        one = keeper(mosquitto.port)
        one.shelf.put(notice(1))
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 1, "it is acknowledged")
        mosquitto.kill()
        mosquitto.start()
        ear = listen(mosquitto.port)
        one.until(lambda: keys(ear), "it is said again")
        assert keys(ear) == ["water.low:1"]
        assert ear.on(f"{ROOT}/notice")[0].properties.UserProperty == [("key", "water.low:1")]

    def test_it_is_not_said_again_when_the_settings_ask_for_no_overlap(
        self, broker: Any, listen: Any, keeper: Any, until: Any
    ) -> None:
        mosquitto = broker()
        one = keeper(mosquitto.port, resend=0)
        for number in range(3):
            one.shelf.put(notice(number))
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 3, "they are acknowledged")
        one.shelf.put(reading(25.0))
        one.until(lambda: one.shelf.cursors.get(Stream.READINGS) == 1, "something came after them")
        mosquitto.kill()
        mosquitto.start()
        ear = listen(mosquitto.port)
        one.shelf.put(notice(3))
        one.until(lambda: "water.low:3" in keys(ear), "the next one")
        assert keys(ear) == ["water.low:3"]

    def test_a_frozen_broker_gets_what_it_did_not_acknowledge_when_it_thaws(
        self, broker: Any, listen: Any, keeper: Any, until: Any
    ) -> None:
        mosquitto = broker()
        ear = listen(mosquitto.port)
        one = keeper(mosquitto.port, patience=0.5)
        one.until_well()
        with mosquitto.frozen():
            for number in range(50):
                one.shelf.put(notice(number))
            one.until_away("does not acknowledge")
            assert one.shelf.cursors.get(Stream.NOTICES, 0) == 0
            one.until_away("does not answer")
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 50, "all are accepted")
        until(lambda: len(set(keys(ear))) == 50, "all are heard")
        first_heard = list(dict.fromkeys(keys(ear)))
        assert first_heard == [f"water.low:{number}" for number in range(50)]

    def test_never_more_than_twenty_wait_for_their_acknowledgement(
        self, broker: Any, keeper: Any, relay: Any
    ) -> None:
        mosquitto = broker()
        cable = relay(mosquitto.port)
        lock = threading.Lock()
        waiting, most = 0, 0

        def to_broker(packet: bytes) -> bytes:
            nonlocal waiting, most
            if packet[0] >> 4 == 3:
                with lock:
                    waiting += 1
                    most = max(most, waiting)
            return packet

        def to_client(packet: bytes) -> bytes:
            nonlocal waiting
            if packet[0] >> 4 == 4:
                with lock:
                    waiting -= 1
            return packet

        cable.to_broker, cable.to_client = to_broker, to_client
        one = keeper(cable.port)
        for number in range(200):
            one.shelf.put(notice(number))
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 200, "all are accepted")
        assert 1 < most <= 20


class TestThread:
    def test_the_thread_delivers_and_ends_when_it_is_told(
        self, broker: Any, listen: Any, keeper: Any, until: Any
    ) -> None:
        mosquitto = broker()
        ear = listen(mosquitto.port)
        shelf = keeper(mosquitto.port).shelf
        sink = Mqtt("broker", "reading-room", MqttSettings(host="127.0.0.1", port=mosquitto.port))
        sink.use_words(Reader())
        sink.use_channels({"water-a": Quantity.TEMPERATURE})
        runner = OutboxThread(Outbox("broker", sink, shelf, {}, shelf.move, latest=shelf.latest))
        runner.start()
        shelf.put(notice(1))
        shelf.put(reading(25.0))
        until(lambda: keys(ear) and ear.on(f"{ROOT}/reading/water-a"), "both are heard")
        before = runner.outbox.progress
        until(lambda: runner.outbox.progress > before, "it keeps going")
        assert runner.stop()
        until(lambda: json.loads(ear.heard[-1].payload) == {"state": "stopped"}, "its goodbye")

    def test_the_thread_goes_on_while_nothing_listens_and_stops_in_the_middle_of_it(
        self, free_port: int, keeper: Any, until: Any
    ) -> None:
        shelf = keeper(free_port).shelf
        sink = Mqtt("broker", "reading-room", MqttSettings(host="127.0.0.1", port=free_port))
        sink.use_words(Reader())
        runner = OutboxThread(Outbox("broker", sink, shelf, {}, shelf.move))
        shelf.put(notice(1))
        runner.start()
        until(lambda: runner.outbox.health.attempts >= 2, "it tries again")
        assert "Nothing listens" in runner.outbox.health.verdict
        assert runner.stop()
        assert shelf.cursors == {}


class TestSilence:
    def test_a_socket_that_accepts_and_never_answers_is_a_verdict(self, keeper: Any) -> None:
        before = set(threading.enumerate())
        with socket.create_server(("127.0.0.1", 0)) as server:
            one = keeper(server.getsockname()[1], patience=0.3)
            one.shelf.put(notice(1))
            one.until_away("takes the connection and does not answer")
            # Thrown-away connections do not pile up.
            for _ in range(5):
                one.step()
            more = set(threading.enumerate()) - before
            busy = [t for t in more if t.name.startswith("paho-mqtt-client")]
            assert len(busy) <= 4
        assert one.shelf.cursors == {}

    def test_garbage_for_an_acknowledgement_ends_the_connection_and_the_next_one_delivers(
        self, broker: Any, listen: Any, keeper: Any, relay: Any, until: Any
    ) -> None:
        mosquitto = broker()
        cable = relay(mosquitto.port)
        one = keeper(cable.port)
        one.until_well()
        # An acknowledgement of one byte: too short for the number of what it acknowledges.
        cable.to_client = lambda packet: b"\x40\x01\x00" if packet[0] >> 4 == 4 else packet
        one.shelf.put(notice(1))
        one.until(lambda: one.outbox.health.away, "the broken connection is noticed")
        assert one.shelf.cursors == {}
        cable.to_client = lambda packet: packet
        ear = listen(mosquitto.port)
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 1, "a new link delivers")
        until(lambda: keys(ear), "it is heard")

    @pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
    def test_a_network_thread_that_has_died_is_replaced(
        self, broker: Any, keeper: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        # A fake inside paho: 2.2 survives all that a broker can send, so its loop is made to raise.
        mosquitto = broker()
        one = keeper(mosquitto.port)
        one.until_well()

        def broken_pipe(*_: object) -> None:
            raise RuntimeError("the thread dies of this")

        monkeypatch.setattr(one.sink._connection._link._client, "_loop", broken_pipe)
        one.until_away("network thread of the MQTT client has ended")
        one.shelf.put(notice(1))
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 1, "a new one delivers")

    def test_a_broker_that_stops_acknowledging_while_nothing_is_sent_is_found_out(
        self, broker: Any, keeper: Any, relay: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        mosquitto = broker()
        cable = relay(mosquitto.port)
        one = keeper(cable.port, patience=0.5)
        one.until_well()
        # Pings are answered, publications are not: the broker's own loop is half dead.
        cable.to_broker = lambda packet: packet if packet[0] >> 4 != 3 else b""
        monkeypatch.setattr(one.sink._connection, "last_answer_s", -1e9)
        one.until_away("does not acknowledge")
