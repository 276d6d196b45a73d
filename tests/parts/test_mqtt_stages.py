"""A real mosquitto, killed with SIGKILL at each stage of a connection and of a QoS 1 hand-over, as
the packet of that stage comes by. It keeps nothing on disk, so it has forgotten all of it."""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

import pytest

from stillwell.notice import Notice, Priority, Prose
from stillwell.ports import Stream
from stillwell.reading import Moment

TOPIC = "stillwell/reading-room/notice"
N = 30
"""More than may be unacknowledged at once."""
CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK = 1, 2, 3, 4, 8, 9
"""MQTT 5.0, section 2.1.2."""


def notice(number: int) -> Notice:
    now = Moment(0, 1_764_061_200_000)
    return Notice(
        f"water.low:{number}",
        "water.low",
        "raised",
        Priority.HIGH,
        now,
        Prose("Water low", "Look."),
    )


class Fate:
    """Kills the broker when the n-th packet of a kind comes by, once."""

    def __init__(self, broker: Any, kind: int, n: int, *, passed_on: bool) -> None:
        self._broker = broker
        self._kind = kind
        self._left = n
        self._passed_on = passed_on
        self.has_struck = False

    def __call__(self, packet: bytes) -> bytes | None:
        if self.has_struck or packet[0] >> 4 != self._kind:
            return packet
        if self._kind == PUBLISH and TOPIC.encode() not in packet:
            return packet
        self._left -= 1
        if self._left:
            return packet
        self._broker.kill()
        self.has_struck = True
        return packet if self._passed_on else None


class TestABrokerKilled:
    @pytest.mark.parametrize(
        ("kind", "n", "passed_on"),
        [
            pytest.param(CONNECT, 1, False, id="before it hears us"),
            pytest.param(CONNACK, 1, False, id="when it has taken us and we do not know"),
            pytest.param(CONNACK, 1, True, id="when it has just taken us"),
            pytest.param(SUBSCRIBE, 1, False, id="before it hears what we listen to"),
            pytest.param(SUBACK, 1, False, id="when we listen and do not know"),
            pytest.param(PUBLISH, 1, False, id="before the first notice reaches it"),
            pytest.param(PUBLISH, 7, False, id="before the seventh notice reaches it"),
            pytest.param(PUBACK, 9, False, id="when it has some and we do not know"),
            pytest.param(PUBACK, 9, True, id="when it has just said that it has some"),
            pytest.param(PUBACK, N, True, id="when it has said that it has most"),
        ],
    )
    def test_loses_no_notice_and_says_none_more_often_than_twice(
        self,
        kind: int,
        n: int,
        passed_on: bool,
        broker: Any,
        listen: Any,
        keeper: Any,
        relay: Any,
        until: Any,
    ) -> None:
        mosquitto = broker()
        cable = relay(mosquitto.port)
        fate = Fate(mosquitto, kind, n, passed_on=passed_on)
        if kind in (CONNECT, SUBSCRIBE, PUBLISH):
            cable.to_broker = fate
        else:
            cable.to_client = fate
        ear = listen(mosquitto.port, TOPIC)
        one = keeper(cable.port)
        for number in range(N):
            one.shelf.put(notice(number))
        ear.listening.clear()
        one.until(lambda: fate.has_struck, "it is killed")
        assert one.shelf.cursors.get(Stream.NOTICES, 0) < N or kind == PUBACK
        mosquitto.start()
        # Who is not connected hears nothing from a broker without persistence.
        assert ear.listening.wait(20)
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == N, "all are accepted")
        one.until_well()
        wanted = {f"water.low:{number}" for number in range(N)}

        def heard() -> Counter[str]:
            return Counter(json.loads(message.payload)["key"] for message in ear.on(TOPIC))

        until(lambda: set(heard()) == wanted, "every notice is heard")
        assert max(heard().values()) <= 2
        assert one.shelf.dead == []
