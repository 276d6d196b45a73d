"""The MQTT sink against a real mosquitto that says no: passwords, access lists, certificates,
versions."""

from __future__ import annotations

import json
import logging
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr, ValidationError

from authority import Authority
from stillwell.deliver.mqtt import Mqtt, MqttSettings
from stillwell.notice import Notice, Priority, Prose
from stillwell.ports import Stream
from stillwell.reading import Flag, Moment, Reading

ROOT = "stillwell/reading-room"
T0 = 1_764_061_200_000
SECRET = "brackish-5ecret"


def reading(value: float) -> Reading:
    return Reading("water-a", Moment(0, T0), value, Flag.PASS)


def notice(number: int) -> Notice:
    return Notice(
        f"k{number}", "water.low", "raised", Priority.HIGH, Moment(0, T0), Prose("Water low", "…")
    )


class TestPasswords:
    def test_a_wrong_password_is_a_sentence_and_the_right_one_heals_it(
        self, broker: Any, keeper: Any, caplog: pytest.LogCaptureFixture
    ) -> None:
        caplog.set_level(logging.DEBUG)
        mosquitto = broker(start=False)
        path = mosquitto.passwords(daemon="something-else")
        mosquitto.configure([f"password_file {path}", "allow_anonymous false"])
        mosquitto.start()
        one = keeper(mosquitto.port, username="daemon", password=SECRET)
        one.shelf.put(notice(1))
        one.until_away("The broker refuses the user name or password")
        assert "[sink.broker]" in one.outbox.health.verdict
        assert one.shelf.cursors == {}
        mosquitto.stop()
        mosquitto.passwords(daemon=SECRET)
        mosquitto.start()
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 1, "it is accepted now")
        said = caplog.text + repr(one.sink) + repr(one.outbox) + repr(one.outbox.health)
        said += repr(one.sink._connection._link) + repr(one.sink._settings)
        said += repr(one.sink._connection._link.address if one.sink._connection._link else "")
        assert "refuses the user name" in said
        assert SECRET not in said

    def test_a_broker_that_wants_a_name_is_told_from_one_that_refuses_it(
        self, broker: Any, keeper: Any
    ) -> None:
        mosquitto = broker("allow_anonymous false")
        one = keeper(mosquitto.port)
        one.until_away("demands a user name and password")

    @pytest.mark.parametrize(
        "fields",
        [
            {"password": SECRET, "port": 0},
            {"password": [SECRET]},
            {"password": SECRET, "sekret": SECRET},
            {"password": SECRET, "ca": "/nowhere"},
        ],
    )
    def test_a_mistake_beside_the_password_does_not_print_it(self, fields: dict[str, Any]) -> None:
        with pytest.raises(ValidationError) as caught:
            MqttSettings.model_validate(fields)
        assert SECRET not in str(caught.value)

    @pytest.mark.parametrize("host", ["", "a b", "a..b", "käse", "http://x", "x/y"])
    def test_a_host_that_cannot_be_one_is_refused(self, host: str) -> None:
        with pytest.raises(ValidationError):
            MqttSettings.model_validate({"host": host})


class TestAccessLists:
    def test_a_denied_topic_goes_to_the_dead_letters_and_the_rest_goes_out(
        self, broker: Any, keeper: Any, listen: Any, until: Any
    ) -> None:
        mosquitto = broker(start=False)
        acl = mosquitto.folder / "acl"
        acl.write_text(f"topic read #\ntopic write {ROOT}/alive\ntopic write {ROOT}/reading/#\n")
        mosquitto.configure([f"acl_file {acl}"])
        mosquitto.start()
        ear = listen(mosquitto.port)
        one = keeper(mosquitto.port)
        one.shelf.put(notice(1))
        one.shelf.put(reading(25.0))
        one.until(lambda: len(one.shelf.cursors) == 2, "both cursors have moved")
        until(lambda: ear.on(f"{ROOT}/reading/water-a"), "the reading")
        assert [(stream, refusal.seq) for stream, refusal in one.shelf.dead] == [
            (Stream.NOTICES, 1)
        ]
        assert "access list" in one.shelf.dead[0][1].reason
        one.step()
        assert not one.outbox.health.away
        assert "access list" in one.outbox.health.verdict
        assert one.outbox.health.refused == 1

    def test_a_quota_means_later_and_a_bad_topic_means_never(
        self, broker: Any, keeper: Any, relay: Any
    ) -> None:
        # A fake at the wire: mosquitto has no quota, so the relay rewrites its acknowledgements.
        mosquitto = broker()
        cable = relay(mosquitto.port)
        code = 0x97

        def to_client(packet: bytes) -> bytes:
            if packet[0] >> 4 != 4 or not code:
                return packet
            return bytes([0x40, 3]) + packet[2:4] + bytes([code])

        one = keeper(cable.port)
        one.until_well()
        cable.to_client = to_client
        one.shelf.put(notice(1))
        one.until_away("quota")
        assert one.shelf.cursors == {}
        code = 0x90
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 1, "it is done with")
        assert "topic name" in one.shelf.dead[0][1].reason
        code = 0x10
        one.shelf.put(notice(2))
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 2, "nobody listens: success")
        assert len(one.shelf.dead) == 1

    def test_a_name_that_cannot_be_a_topic_is_set_aside_with_its_reason(
        self, broker: Any, keeper: Any
    ) -> None:
        mosquitto = broker()
        one = keeper(mosquitto.port)
        one.shelf.put(Reading("wa/ter #1", Moment(0, T0), 25.0, Flag.PASS))
        one.shelf.put(reading(25.0))
        one.until(lambda: one.shelf.cursors.get(Stream.READINGS) == 2, "both are done with")
        assert [refusal.seq for _, refusal in one.shelf.dead] == [1]
        assert "wa/ter #1" in one.shelf.dead[0][1].reason


class TestTls:
    def test_the_right_authority_is_believed_and_a_wrong_one_is_a_sentence(
        self, broker: Any, keeper: Any, tmp_path: Path
    ) -> None:
        tmp_path.chmod(0o755)
        ours, theirs = Authority(tmp_path, "ours"), Authority(tmp_path, "theirs")
        certificate, key = ours.sign("broker")
        mosquitto = broker(start=False)
        mosquitto.configure([f"certfile {certificate}", f"keyfile {key}"])
        mosquitto.start()
        one = keeper(mosquitto.port, tls=True, ca=ours.certificate)
        one.shelf.put(reading(25.0))
        one.until(lambda: one.shelf.cursors, "it is accepted over TLS")
        other = keeper(mosquitto.port, tls=True, ca=theirs.certificate)
        other.until_away("is not trusted")
        assert "`ca`" in other.outbox.health.verdict
        nobody = keeper(mosquitto.port, tls=True, ca=tmp_path / "missing.crt")
        nobody.until_away("The TLS files of [sink.broker] cannot be used")
        plain = keeper(mosquitto.port, patience=0.5)
        plain.until(lambda: plain.outbox.health.away, "no TLS where TLS is spoken")

    def test_an_expired_certificate_is_a_sentence(
        self, broker: Any, keeper: Any, tmp_path: Path
    ) -> None:
        tmp_path.chmod(0o755)
        ours = Authority(tmp_path, "ours")
        certificate, key = ours.sign("broker", days=0)
        mosquitto = broker(start=False)
        mosquitto.configure([f"certfile {certificate}", f"keyfile {key}"])
        mosquitto.start()
        one = keeper(mosquitto.port, tls=True, ca=ours.certificate)
        one.until_away("certificate has expired")

    def test_a_broker_that_asks_for_our_certificate_gets_it(
        self, broker: Any, keeper: Any, tmp_path: Path
    ) -> None:
        tmp_path.chmod(0o755)
        ours = Authority(tmp_path, "ours")
        certificate, key = ours.sign("broker")
        own_certificate, own_key = ours.sign("daemon")
        mosquitto = broker(start=False)
        mosquitto.configure(
            [
                f"certfile {certificate}",
                f"keyfile {key}",
                f"cafile {ours.certificate}",
                "require_certificate true",
            ]
        )
        mosquitto.start()
        without = keeper(mosquitto.port, tls=True, ca=ours.certificate)
        without.until(lambda: without.outbox.health.away, "no certificate, no entry")
        one = keeper(
            mosquitto.port,
            tls=True,
            ca=ours.certificate,
            certificate=own_certificate,
            key=own_key,
        )
        one.shelf.put(reading(25.0))
        one.until(lambda: one.shelf.cursors, "it is accepted with the certificate")


def level(packet: bytes) -> int | None:
    """The protocol level of a CONNECT packet (5 is MQTT 5, 4 is MQTT 3.1.1)."""
    if packet[0] >> 4 != 1:
        return None
    return packet[packet.index(b"MQTT") + 4]


class TestVersions:
    """mosquitto 2.0 cannot be told to refuse MQTT 5: the relay refuses it, in a broker's own bytes,
    and passes MQTT 3.1.1 on to the real one."""

    def test_a_broker_that_refuses_5_is_spoken_to_in_3_1_1_from_then_on(
        self, broker: Any, keeper: Any, relay: Any, listen: Any, until: Any
    ) -> None:
        mosquitto = broker()
        cable = relay(mosquitto.port)
        seen: list[int] = []

        def answer(packet: bytes) -> bytes | None:
            spoken = level(packet)
            if spoken is not None:
                seen.append(spoken)
            # MQTT 3.1.1, 3.2.2.3: return code 1, unacceptable protocol version.
            return b"\x20\x02\x00\x01" if spoken == 5 else None

        cable.answer = answer
        ear = listen(mosquitto.port)
        one = keeper(cable.port)
        one.shelf.put(reading(25.0))
        one.until(lambda: one.shelf.cursors, "it is accepted")
        until(lambda: ear.on(f"{ROOT}/reading/water-a"), "it is heard")
        assert seen == [5, 4]
        cable.cut()
        one.until(lambda: len(seen) > 2 and not one.outbox.health.away, "back again")
        assert seen == [5, 4, 4]

    def test_one_that_hangs_up_instead_of_refusing_is_spoken_to_in_3_1_1_too(
        self, broker: Any, keeper: Any, relay: Any
    ) -> None:
        mosquitto = broker()
        cable = relay(mosquitto.port)
        cable.to_broker = lambda packet: None if level(packet) == 5 else packet
        one = keeper(cable.port)
        one.shelf.put(reading(25.0))
        one.until(lambda: one.shelf.cursors, "it is accepted")

    def test_where_only_5_is_allowed_the_refusal_says_what_to_write(
        self, broker: Any, keeper: Any, relay: Any
    ) -> None:
        mosquitto = broker()
        cable = relay(mosquitto.port)
        cable.answer = lambda packet: b"\x20\x02\x00\x01" if level(packet) == 5 else None
        one = keeper(cable.port, protocol="5")
        one.until_away('write protocol = "auto"')

    def test_notices_arrive_over_3_1_1(
        self, broker: Any, keeper: Any, listen: Any, until: Any
    ) -> None:
        mosquitto = broker()
        ear = listen(mosquitto.port)
        one = keeper(mosquitto.port, protocol="3.1.1")
        for number in range(50):
            one.shelf.put(notice(number))
        one.until(lambda: one.shelf.cursors.get(Stream.NOTICES) == 50, "all are accepted")
        until(lambda: len(ear.on(f"{ROOT}/notice")) == 50, "all are heard")
        heard = [json.loads(message.payload)["key"] for message in ear.on(f"{ROOT}/notice")]
        assert heard == [f"k{number}" for number in range(50)]


class TestTwins:
    def test_a_second_daemon_with_our_client_id_is_named_as_what_it_is(
        self, broker: Any, keeper: Any
    ) -> None:
        mosquitto = broker()
        one = keeper(mosquitto.port)
        one.until_well()
        other = keeper(mosquitto.port)

        def named() -> bool:
            other.step()
            return "second daemon" in one.outbox.health.verdict

        one.until(named, "the verdict names the second daemon")
        assert "stillwell-reading-room" in one.outbox.health.verdict


class TestSettings:
    def test_the_password_is_never_in_the_representation(self) -> None:
        settings = MqttSettings(username="daemon", password=SecretStr(SECRET))
        assert SECRET not in repr(settings) + repr(Mqtt("broker", "reading-room", settings))
