"""Commands from people to the MQTT sink, through a real mosquitto: the polite and the hostile."""

from __future__ import annotations

import json
import random
import threading
from collections.abc import Callable
from typing import Any

import pytest

from stillwell.deliver.mqtt.link import MOST_OF_A_TOPIC
from stillwell.request import Command, Reply, Request

ROOT = "stillwell/reading-room"


class Watch:
    """Takes requests as the daemon does: at once, and answers later from another thread."""

    def __init__(self) -> None:
        self.requests: list[Request] = []

    def submit(self, request: Request, reply: Callable[[Reply], None]) -> None:
        self.requests.append(request)
        text = f"{request.subject or 'Everything'} is done."
        threading.Thread(target=reply, args=(Reply(True, text, (request.subject,)),)).start()


@pytest.fixture
def watch() -> Watch:
    return Watch()


@pytest.fixture
def one(broker: Any, keeper: Any, watch: Watch) -> Any:
    keeping = keeper(broker().port)
    keeping.sink.on_request(watch.submit)
    keeping.until_well()
    return keeping


@pytest.fixture
def phone(one: Any, listen: Any) -> Any:
    return listen(one.sink._settings.port)


def replies(phone: Any, topic: str = f"{ROOT}/done") -> list[dict[str, Any]]:
    return [json.loads(message.payload) for message in phone.on(topic)]


class TestPolite:
    def test_an_acknowledgement_reaches_the_daemon_and_its_reply_the_phone(
        self, one: Any, phone: Any, watch: Watch
    ) -> None:
        phone.say(
            f"{ROOT}/do/acknowledge",
            b'{"alarm": "water.low", "by": "Niamh"}',
            response_topic=f"{ROOT}/done/niamh",
            correlation=b"\x00\x01",
        )
        one.until(lambda: phone.on(f"{ROOT}/done/niamh"), "the reply")
        assert watch.requests == [Request(Command.ACKNOWLEDGE, "water.low", "Niamh")]
        reply = phone.on(f"{ROOT}/done/niamh")[0]
        assert json.loads(reply.payload) == {
            "command": "acknowledge",
            "done": True,
            "text": "water.low is done.",
            "alarms": ["water.low"],
        }
        assert reply.properties.CorrelationData == b"\x00\x01"
        assert replies(phone) == []

    def test_without_a_response_topic_the_reply_goes_to_done(
        self, one: Any, phone: Any, watch: Watch
    ) -> None:
        phone.say(f"{ROOT}/do/shelve", b'{"alarm": "top-up", "for": "30 min"}')
        one.until(lambda: replies(phone), "the reply")
        assert watch.requests == [Request(Command.SHELVE, "top-up", seconds=1800.0)]
        assert replies(phone)[0]["done"] is True

    def test_commands_are_heard_again_after_the_broker_was_killed(
        self, broker: Any, keeper: Any, listen: Any, watch: Watch
    ) -> None:
        mosquitto = broker()
        keeping = keeper(mosquitto.port)
        keeping.sink.on_request(watch.submit)
        keeping.until_well()
        mosquitto.kill()
        mosquitto.start()
        keeping.until(lambda: keeping.outbox.health.away, "the loss is noticed")
        keeping.until_well()
        phone = listen(mosquitto.port)
        phone.say(f"{ROOT}/do/test-notice", b"")
        keeping.until(lambda: replies(phone), "the reply")
        assert watch.requests == [Request(Command.TEST_NOTICE)]


class TestHostile:
    def test_every_bad_payload_gets_its_refusal_and_the_next_good_one_its_answer(
        self, one: Any, phone: Any, watch: Watch
    ) -> None:
        bad = [
            b"\xff\xfe\x00",
            b"x" * 1_000_000,
            b"[" * 2000,
            b'{"alarm": ' * 200,
            b"NaN",
            b'{"alarm": NaN}',
            b'{"alarm": 7}',
            b'{"alarm": "../../etc"}',
            b'{"alarm": "\\ud800"}',
            b'{"for": "1e9 h", "alarm": "top-up"}',
            b'{"alarm": "top-up", "alarm": "water.low"}',
            b'"acknowledge"',
            b"null",
            b"9" * 2000,
        ]
        for payload in bad:
            phone.say(f"{ROOT}/do/acknowledge", payload)
        one.until(lambda: len(replies(phone)) == len(bad), "a refusal for each")
        assert all(reply["done"] is False and reply["text"] for reply in replies(phone))
        assert watch.requests == []
        phone.say(f"{ROOT}/do/acknowledge", b"{}")
        one.until(lambda: watch.requests, "the good one")
        assert not one.outbox.health.away

    def test_a_flood_of_noise_stops_nothing(self, one: Any, phone: Any, watch: Watch) -> None:
        seeded = random.Random(8428)
        for _ in range(300):
            phone.client.publish(f"{ROOT}/do/acknowledge", seeded.randbytes(40), qos=0)
        phone.say(f"{ROOT}/do/reset", b'{"alarm": "water.low"}')

        def arrived() -> bool:
            if not watch.requests:
                phone.say(f"{ROOT}/do/reset", b'{"alarm": "water.low"}')
            return bool(watch.requests)

        one.until(arrived, "the command after the flood")
        assert watch.requests[0] == Request(Command.RESET, "water.low")

    def test_a_flood_of_one_command_crowds_no_other_out_and_is_told_by_its_number(
        self, one: Any, phone: Any, watch: Watch, until: Any
    ) -> None:
        note = b'{"kind": "fed"}'
        for _ in range(300):
            phone.client.publish(f"{ROOT}/do/note", note, qos=1)
        phone.say(f"{ROOT}/do/acknowledge", b'{"alarm": "water.low", "about": "3:1200"}')
        link = one.sink._connection._link
        until(lambda: len(link._arrived) + link._dropped == 301, "all of it has come")
        one.until(lambda: replies(phone)[-1:] and replies(phone)[-1]["command"] == "", "the number")
        acknowledge = Request(Command.ACKNOWLEDGE, "water.low", about="3:1200")
        assert [r for r in watch.requests if r.command is not Command.NOTE] == [acknowledge]
        assert len(watch.requests) == 1 + MOST_OF_A_TOPIC
        count = 300 - MOST_OF_A_TOPIC
        assert f"{count} had no reply" in replies(phone)[-1]["text"]

    def test_a_retained_command_is_refused_because_it_would_come_back(
        self, broker: Any, keeper: Any, listen: Any, watch: Watch
    ) -> None:
        # Under 3.1.1 a client cannot ask a broker to keep its retained messages to itself.
        mosquitto = broker()
        phone = listen(mosquitto.port)
        phone.say(f"{ROOT}/do/acknowledge", b"{}", retain=True)
        keeping = keeper(mosquitto.port, protocol="3.1.1")
        keeping.sink.on_request(watch.submit)
        keeping.until(lambda: replies(phone), "the refusal")
        assert "retained" in replies(phone)[0]["text"]
        assert watch.requests == []

    @pytest.mark.parametrize(
        "topic",
        [
            f"{ROOT}/alive",
            f"{ROOT}/do/acknowledge",
            f"{ROOT}/alarm/water.low",
            "house/boiler/set",
            "$SYS/broker",
        ],
    )
    def test_a_reply_goes_nowhere_but_below_done(
        self, one: Any, phone: Any, watch: Watch, topic: str
    ) -> None:
        phone.say(f"{ROOT}/do/acknowledge", b"{}", response_topic=topic)
        one.until(lambda: replies(phone), "the refusal, at its usual place")
        assert f"below it: ask for {ROOT}/done/phone" in replies(phone)[0]["text"]
        assert not any(b'"done":' in message.payload for message in phone.on(topic))
        assert watch.requests == []

    def test_a_daemon_too_busy_to_take_it_says_so(self, one: Any, phone: Any) -> None:
        def full(request: Request, reply: Callable[[Reply], None]) -> None:
            raise OSError("queue")

        one.sink.on_request(full)
        phone.say(f"{ROOT}/do/acknowledge", b"{}")
        one.until(lambda: replies(phone), "the reply")
        assert replies(phone)[0]["done"] is False
        assert not one.outbox.health.away
