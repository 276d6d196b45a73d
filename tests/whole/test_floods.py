"""The whole daemon with a real broker on which somebody publishes without end: readings, alarms and
their answers go on."""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

Make = Callable[..., Any]
ROOT = "stillwell/reading-room"
A_SECOND = 200
MOST_REPLIES = 400
"""Far above what a flood of some minutes may cause."""


def a_note(number: int) -> bytes:
    return json.dumps({"kind": "pour", "value": "1 L", "sure": True, "key": f"{number}"}).encode()


def publisher(port: int) -> Client:
    client = Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


@contextmanager
def flood(port: int) -> Iterator[Callable[[], int]]:
    """Publishes notes until it is left; yields how many there have been."""
    client, over, sent = publisher(port), threading.Event(), [0]

    def run() -> None:
        while not over.wait(0.1):
            for _ in range(A_SECOND // 10):
                client.publish(f"{ROOT}/do/note", a_note(sent[0]), qos=1)
                sent[0] += 1

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield lambda: sent[0]
    finally:
        over.set()
        thread.join()
        client.disconnect()
        client.loop_stop()


def told(phone: Any) -> list[dict[str, Any]]:
    return [json.loads(one.payload) for one in phone.on(f"{ROOT}/notice")]


def done(phone: Any) -> list[dict[str, Any]]:
    return [json.loads(one.payload) for one in phone.on(f"{ROOT}/done")]


class TestAFloodOfNotes:
    def test_delays_no_alarm_and_its_answer_and_is_answered_itself(
        self, daemon: Make, broker: Make, listen: Make, fault: Make, until: Make
    ) -> None:
        mosquitto = broker()
        phone = listen(mosquitto.port, "stillwell/#")
        tank = daemon(
            port=mosquitto.port, faults=[fault("probe-gone", 8, target="water-b")], deadline="60 s"
        )
        tank.start(speed=60)
        tank.until(lambda: phone.on(f"{ROOT}/alive"), "it is there")
        began = time.monotonic()
        with flood(mosquitto.port) as sent:
            silent = "water-b.silent"
            tank.until(lambda: [n for n in told(phone) if n["alarm"] == silent], "it is told")
            at_told, told_s = sent(), time.monotonic() - began
            [notice] = [n for n in told(phone) if n["alarm"] == silent]
            answer = {"alarm": silent, "about": notice["about"], "by": "Niamh"}
            phone.say(f"{ROOT}/do/acknowledge", json.dumps(answer).encode())
            tank.until(lambda: tank.has(silent, "acknowledge"), "it is acknowledged")
            until(lambda: sent() > at_told, "the flood goes on all the while")
            until(
                lambda: [one for one in done(phone) if "Too many" in one["text"]],
                "the flood is answered",
            )
            with tank.reader() as reader:
                (raised,) = [t for t in reader.transitions() if t.alarm == silent][:1]
                readings = list(reader.readings("water-a", raised.moment.utc_ms - 300_000, 2**50))
            gaps = [(b.moment.mono_ms - a.moment.mono_ms) / 1000 for a, b in pairwise(readings)]
        print(
            f"{sent()} notes in {time.monotonic() - began:.0f} s, the alarm told after "
            f"{told_s:.1f} s, its longest gap {max(gaps, default=0):.0f} s of the tank's, "
            f"{len(done(phone))} replies",
            file=sys.stderr,
        )
        assert len(done(phone)) < MOST_REPLIES
        with tank.reader() as reader:
            noted = reader.journal()
        assert 0 < len(noted) < MOST_REPLIES
        assert len({entry.key for entry in noted}) == len(noted)
        assert tank.stop() == 0


class TestAReplay:
    @pytest.mark.parametrize(
        "count", [3000, pytest.param(100_000, marks=pytest.mark.long)], ids=str
    )
    def test_of_what_a_broker_has_kept_does_not_delay_the_first_alarm(
        self, daemon: Make, broker: Make, listen: Make, fault: Make, until: Make, count: int
    ) -> None:
        mosquitto = broker("max_inflight_messages 0")
        phone = listen(mosquitto.port, f"{ROOT}/notice")
        tank = daemon(port=mosquitto.port, faults=[fault("probe-gone", 5, target="water-b")])
        tank.start(speed=1)
        alive = listen(mosquitto.port, f"{ROOT}/alive")
        tank.until(lambda: alive.heard, "it is there, and has subscribed")
        tank.kill()
        until(lambda: b"lost" in alive.heard[-1].payload, "it is missed")
        client = publisher(mosquitto.port)
        for number in range(count):
            one = client.publish(f"{ROOT}/do/note", a_note(number), qos=1)
            if number % 1000 == 999:
                one.wait_for_publish(60)
        began = time.monotonic()
        tank.start(speed=120)
        tank.until(lambda: told_by(phone, "water-b.silent"), "the alarm is told")
        print(
            f"{count} notes replayed, the alarm told {time.monotonic() - began:.1f} s after "
            "the start",
            file=sys.stderr,
        )
        with tank.reader() as reader:
            assert len(reader.journal()) < MOST_REPLIES
        assert tank.stop() == 0
        client.disconnect()
        client.loop_stop()


def told_by(phone: Any, alarm: str) -> bool:
    return any(json.loads(one.payload)["alarm"] == alarm for one in list(phone.heard))
