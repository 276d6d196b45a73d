"""The access list that we hand out, in a real mosquitto: who may say what, and who hears it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.ports import Published
from stillwell.reading import Flag, Moment, Reading
from stillwell.request import Command, Reply, Request

ACL = Path(__file__).parents[2] / "config" / "sample-mosquitto.acl"
ROOT = "stillwell/reading-room"
USERS = {name: f"{name}-word" for name in ("stillwell", "display", "phone", "keeper")}
STATES = ["alive", "reading/water-a", "estimate/loss", "alarm/water.low", "notice", "done"]
LASTING = {Command.OUT_OF_SERVICE, Command.RETURN_TO_SERVICE}


@pytest.fixture
def mosquitto(broker: Callable[..., Any], tmp_path: Path) -> Any:
    made = broker(start=False)
    tmp_path.chmod(0o755)  # the broker may read it as another user
    passwords = made.passwords(**USERS)
    made.configure([f"acl_file {ACL}", "allow_anonymous false", f"password_file {passwords}"])
    made.start()
    return made


CLIENTS: list[Client] = []


@pytest.fixture(autouse=True)
def _ends() -> Iterator[None]:
    """No client goes on when its broker is gone."""
    yield
    while CLIENTS:
        one = CLIENTS.pop()
        one.disconnect()
        one.loop_stop()


def says(port: int, user: str, until: Any) -> Callable[[str], bool]:
    """Publishes as `user`; whether the broker took it (its PUBACK says so under MQTT 5)."""
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.username_pw_set(user, USERS[user])
    codes: dict[int, int] = {}
    client.on_publish = lambda _, __, mid, reason, ___: codes.update({mid: reason.value})
    client.connect("127.0.0.1", port)
    client.loop_start()
    CLIENTS.append(client)

    def say(topic: str) -> bool:
        info = client.publish(topic, b"{}", qos=1)
        until(lambda: info.mid in codes, f"an answer about {topic}")
        return codes[info.mid] < 0x80

    return say


class TestNobody:
    @pytest.mark.parametrize("user", ["display", "phone", "keeper"])
    def test_but_the_daemon_says_how_the_tank_is(
        self, mosquitto: Any, until: Any, user: str
    ) -> None:
        say = says(mosquitto.port, user, until)
        assert [state for state in STATES if say(f"{ROOT}/{state}")] == []

    def test_but_the_daemon_hears_what_is_asked(
        self, mosquitto: Any, until: Any, listen: Callable[..., Any]
    ) -> None:
        others = [
            listen(mosquitto.port, "#", username=user, password=USERS[user])
            for user in ("display", "phone", "keeper")
        ]
        assert says(mosquitto.port, "phone", until)(f"{ROOT}/do/answer")
        assert says(mosquitto.port, "stillwell", until)(f"{ROOT}/notice")
        for other in others:
            until(lambda other=other: other.heard, "what came later")
            assert [one.topic for one in other.heard] == [f"{ROOT}/notice"]


class TestEveryCommand:
    @pytest.mark.parametrize("command", sorted(Command))
    def test_is_for_those_who_may(self, mosquitto: Any, until: Any, command: Command) -> None:
        may = {
            user
            for user in ("display", "phone", "keeper")
            if says(mosquitto.port, user, until)(f"{ROOT}/do/{command}")
        }
        assert may == ({"keeper"} if command in LASTING else {"keeper", "phone"})


class TestTheDaemon:
    def test_says_everything_hears_what_is_asked_and_answers_one_alone(
        self, mosquitto: Any, keeper: Callable[..., Any], listen: Callable[..., Any], until: Any
    ) -> None:
        heard: list[Request] = []

        def submit(request: Request, reply: Callable[[Reply], None]) -> None:
            heard.append(request)
            reply(Reply(True, "Done."))

        keeping = keeper(mosquitto.port, username="stillwell", password=USERS["stillwell"])
        keeping.sink.on_request(submit)
        at = Moment(0, 1_780_000_000_000, 1)
        keeping.shelf.put(Reading("water-a", at, 25.0, Flag.PASS))
        state = (State.NORMAL, State.UNACKNOWLEDGED, "raise", Priority.HIGH, True, Message("x"))
        keeping.shelf.put(Transition("water.low", at, *state, at))
        keeping.shelf.put(Notice("k", "water.low", "raised", Priority.HIGH, at, Prose("t", "x")))
        keeping.shelf.put(Published("loss", at.utc_ms, "mL/h", 1.0, 0.5, 1.5, "x"))
        niamh, screen = (
            listen(mosquitto.port, "stillwell/#", username=user, password=USERS[user])
            for user in ("phone", "display")
        )
        keeping.until(lambda: len({one.topic for one in screen.heard}) == 5, "it says everything")
        assert keeping.outbox.health.verdict == ""
        assert keeping.shelf.dead == []
        mine = f"{ROOT}/done/phone"
        niamh.say(f"{ROOT}/do/acknowledge", b"{}", response_topic=mine)
        niamh.say(f"{ROOT}/do/out-of-service", b'{"alarm": "water.low"}', response_topic=mine)
        niamh.say(f"{ROOT}/do/acknowledge", b"{}")
        keeping.until(lambda: niamh.on(f"{ROOT}/done"), "the replies")
        keeping.until(lambda: niamh.on(mine), "the reply that is hers")
        assert {request.command for request in heard} == {Command.ACKNOWLEDGE}
        assert json.loads(niamh.on(mine)[0].payload)["done"] is True
        assert not [one for one in screen.heard if "/done" in one.topic]
