"""Sensors that publish what they measure on an MQTT broker, as most microcontroller boards do.

In the configuration::

    [source.boards]
    driver = "mqtt_in"
    host = "localhost"
    silent_after = "5 min"
    [source.boards.channels]
    room = { topic = "shelf/temperature", will = "shelf/status" }
    humidity = { topic = "shelf/air", pointer = "/sht/humidity" }
    level = { topic = "gauge/level", senml = "gauge/level" }

A payload is one number; or SenML (RFC 8428), in which the record named in `senml` counts; or any
JSON, in which `pointer` leads to the number (RFC 6901). "on", "off", "true" and "false" are 1 and
0.

A value counts for `silent_after` from its arrival; then the channel is silent. A retained message
may be of any age, so it is never a value. If `will` names the topic of the board's last will, the
word `gone` there means that the board is away, until the topic says something else or the board
sends a value.

Each read subscribes to the topics once more. The broker's answer comes after everything that it had
to deliver before: so everything has been read by then, and the answer proves that the broker still
works.

Sources: MQTT 3.1.1 (OASIS), sections 3.3.1.3 (retain), 3.8 and 4.6 (order); RFC 8428; RFC 6901.
"""

from __future__ import annotations

import json
import socket
import time
import uuid
from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, NamedTuple

from annotated_types import Ge, Le
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, SecretStr, model_validator

from stillwell.ports import Candidate, Clock, DriverError
from stillwell.reading import Failure, Sample
from stillwell.units import Seconds
from stillwell_drivers.evidence import printable
from stillwell_drivers.scaled import Scaled

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage

_POLL_S = 0.1
_PATIENCE_POLLS = 50
"""The most polls that the broker may take to answer: 5 s."""
_MOST_MESSAGES = 20_000
"""The most messages in one read; a broker that sends more is at fault."""
_LARGEST_PAYLOAD = 65_536
_LISTENS_S = 10.0
"""How long a broker is listened to for sensors that nobody has named."""
_MOST_HEARD = 40
_OWN = "stillwell/"
_KEEPALIVE_S = 3600
"""Every read asks something of the broker, which is more often than this."""
_WORDS = {"on": 1.0, "true": 1.0, "off": 0.0, "false": 0.0}
_SENML_UNITS = {"m": (1000.0, 0.0), "S/m": (10.0, 0.0), "K": (1.0, -273.15)}
"""Units of the IANA registry for which a channel has another one: mm, mS/cm, °C. Each has its
factor and its offset."""


def _one_topic(topic: str) -> str:
    if not topic or set(topic) & set("+#\0"):
        raise ValueError(
            f'"{topic}" is not one topic. Write it in full, without + and #, such as '
            '"shelf/temperature".'
        )
    return topic


def _pointer(pointer: str) -> str:
    import jsonpointer

    try:
        jsonpointer.JsonPointer(pointer)
    except jsonpointer.JsonPointerException:
        raise ValueError(
            f'"{pointer}" is no JSON pointer. Begin it and each step with a slash: '
            '"/sht/temperature", or "/0/value" for the first of a list.'
        ) from None
    return pointer


class Published(Scaled):
    """Where a channel finds its number."""

    topic: Annotated[str, AfterValidator(_one_topic)]
    pointer: Annotated[str, AfterValidator(_pointer)] | None = None
    """The way to the number in a JSON payload (RFC 6901)."""
    senml: str | None = Field(default=None, min_length=1)
    """The full name of the record in a SenML payload."""
    will: Annotated[str, AfterValidator(_one_topic)] | None = None
    """The topic of the last will of whoever publishes it."""

    @model_validator(mode="after")
    def _one_form(self) -> Published:
        if self.pointer is not None and self.senml is not None:
            raise ValueError("A payload is SenML or other JSON. Write `senml` or `pointer`.")
        return self


class MqttInSettings(BaseModel):
    """What may stand below a source with ``driver = "mqtt_in"``."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    channels: dict[str, Published] = Field(min_length=1)
    host: str = Field(default="localhost", min_length=1)
    """Name or address of the broker."""
    port: int | None = Field(default=None, ge=1, le=65535)
    """1883, or 8883 with TLS, unless said otherwise."""
    username: str | None = None
    password: SecretStr | None = None
    tls: bool = False
    ca: Path | None = None
    """The certificate of the authority that signed the broker's; the system's own without."""
    silent_after: Annotated[Seconds, Ge(1), Le(86_400)] = 300.0
    """How long a value counts: several times the pause between two messages."""
    gone: str = "offline"
    """What a last will says."""

    @property
    def at(self) -> str:
        """Where the broker is, for sentences."""
        return f"{self.host}:{self.broker_port}"

    @property
    def broker_port(self) -> int:
        return self.port or (8883 if self.tls else 1883)


class _Heard(NamedTuple):
    """The latest value of a channel."""

    value: float | None
    raw: str
    came_ns: int


class MqttIn:
    """Listens to a broker; see the module's text."""

    Settings: ClassVar[type[BaseModel]] = MqttInSettings

    def __init__(self, settings: MqttInSettings) -> None:
        self._settings = settings
        self._clock: Clock | None = None
        self._client: Client | None = None
        self._heard: dict[str, _Heard] = {}
        self._away: set[str] = set()
        """Topics of last wills that say that the board is away."""
        self._messages = 0
        self._answer: int | None = None
        """The reason code of the broker's latest answer; from 0x80 on it is a refusal."""

    @classmethod
    def bus(cls, settings: MqttInSettings) -> str:
        """Returns ``mqtt:`` and the broker."""
        return f"mqtt:{settings.at}"

    @classmethod
    def find(cls, host: str = "localhost", port: int = 1883) -> Iterator[Candidate]:
        """Yields this machine's own broker, if one answers; see `FindsSensors`."""
        try:
            socket.create_connection((host, port), 1.0).close()
        except OSError:
            return
        listen = partial(overheard, host, port)
        yield Candidate(f"{host}:{port}", f"MQTT broker on {host}", sure=False, listen=listen)

    def use_clock(self, clock: Clock) -> None:
        self._clock = clock

    def open(self) -> None:
        """Connects, without a session: nothing that was sent before is delivered as new."""
        from paho.mqtt.client import Client, MQTTv311
        from paho.mqtt.enums import CallbackAPIVersion

        self.close()
        given = self._settings
        name = f"stillwell-in-{uuid.uuid4().hex[:8]}"
        client = Client(CallbackAPIVersion.VERSION2, name, protocol=MQTTv311)
        client.connect_timeout = _POLL_S * _PATIENCE_POLLS
        if given.username is not None or given.password is not None:
            secret = None if given.password is None else given.password.get_secret_value()
            client.username_pw_set(given.username, secret)
        client.on_connect = lambda *said: self._take_answer(said[3].value)
        client.on_subscribe = lambda *said: self._take_answer(max(code.value for code in said[3]))
        client.on_message = lambda _client, _data, message: self._take(message)
        try:
            if given.tls:
                client.tls_set(None if given.ca is None else str(given.ca))
            client.connect(given.host, given.broker_port, _KEEPALIVE_S)
        except (OSError, ValueError) as error:
            said = getattr(error, "strerror", None) or str(error)
            raise DriverError(
                f"The broker at {given.at} cannot be reached ({said}).",
                "Look whether it runs and whether `host`, `port`, `tls` and `ca` are right.",
            ) from error
        self._client = client
        self._ask(client, "take us: check `username` and `password`")

    def read(self) -> Iterable[Sample]:
        """Takes what has been received, and returns the latest value of each channel while it
        counts."""
        client, clock = self.connected(), self._clock
        if clock is None:
            raise DriverError("The driver has no clock.", "Give it one before reading.")
        topics = {at.topic for at in self._settings.channels.values()}
        topics |= {at.will for at in self._settings.channels.values() if at.will}
        client.subscribe([(topic, 0) for topic in sorted(topics)])
        self._ask(client, "let us listen to the topics: correct its access list")
        now_ns = clock.monotonic_ns()
        return [
            self._sample(channel, at, now_ns) for channel, at in self._settings.channels.items()
        ]

    def close(self) -> None:
        client, self._client = self._client, None
        self._heard.clear()
        self._away.clear()
        if client is not None:
            try:
                client.disconnect()
                client.loop(0)
            except Exception:  # a connection that is gone cannot be ended
                return

    def connected(self) -> Client:
        """Returns the connection. Raises `DriverError` if there is none."""
        if self._client is None:
            raise DriverError("The broker is not connected.", "Open it before reading.")
        return self._client

    def _ask(self, client: Client, refuses: str) -> None:
        """Waits for the broker's answer to the last request, and takes what is received
        before it."""
        self._answer, self._messages, polls = None, 0, 0
        while self._answer is None:
            seen = self._messages
            lost = client.loop(_POLL_S) != 0
            polls += self._messages == seen and self._answer is None
            if lost and self._answer is None:
                self._down("has ended the connection.", "Look at its log.")
            if self._messages > _MOST_MESSAGES:
                do = "Look which of the topics babbles."
                self._down(f"sends more than {_MOST_MESSAGES} messages at once.", do)
            if polls > _PATIENCE_POLLS:
                self._down("does not answer.", "Look whether it is overloaded or stopped.")
        if self._answer >= 0x80:
            self._down(f"does not {refuses}.", "Then wait a minute.")

    def _down(self, what: str, do: str) -> None:
        self.close()
        raise DriverError(f"The broker at {self._settings.at} {what}", do)

    def _take_answer(self, code: int) -> None:
        self._answer = code

    def _take(self, message: MQTTMessage) -> None:
        self._messages += 1
        payload = bytes(message.payload)
        if any(at.will == message.topic for at in self._settings.channels.values()):
            said = payload.decode("utf-8", "replace").strip()
            (self._away.add if said == self._settings.gone else self._away.discard)(message.topic)
        if message.retain or self._clock is None:
            return
        for channel, at in self._settings.channels.items():
            if at.topic == message.topic:
                value, raw = number_in(payload, at)
                self._heard[channel] = _Heard(value, raw, self._clock.monotonic_ns())
                self._away.discard(at.will or "")

    def _sample(self, channel: str, at: Published, now_ns: int) -> Sample:
        heard, limit_s = self._heard.get(channel), self._settings.silent_after
        if at.will in self._away:
            raw = printable(f"{at.will} says {self._settings.gone}")
            return Sample(channel, None, Failure.GONE, raw)
        if heard is None:
            raw = printable(f"nothing new on {at.topic} since we listen")
            return Sample(channel, None, Failure.SILENT, raw)
        age_s = (now_ns - heard.came_ns) / 1e9
        if age_s > limit_s:
            raw = printable(f"nothing on {at.topic} for {age_s:.0f} s")
            return Sample(channel, None, Failure.SILENT, raw)
        failure = None if heard.value is not None else Failure.GARBAGE
        return Sample(channel, heard.value, failure, heard.raw)


def number_in(payload: bytes, at: Published) -> tuple[float | None, str]:
    """Returns the value that a payload gives a channel, None if it gives none, and the evidence to
    keep."""
    text = payload[:_LARGEST_PAYLOAD].decode("utf-8", "backslashreplace").strip()
    if at.pointer is None and at.senml is None:
        return _value(_WORDS.get(text.casefold(), text), at), printable(text)
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        return None, printable(f"no JSON: {text}")
    found = _record(document, at.senml) if at.senml else _pointed(document, at.pointer or "")
    if found is None:
        return None, printable(f"nothing at {at.senml or at.pointer} in {text}")
    return _value(found, at), printable(text)


def _value(found: object, at: Published) -> float | None:
    if isinstance(found, bool | int | float):
        try:
            return at.scaled(float(found))
        except OverflowError:
            return None
    return at.read(found) if isinstance(found, str) else None


def _pointed(document: Any, pointer: str) -> object:
    import jsonpointer

    try:
        found: object = jsonpointer.resolve_pointer(document, pointer, None)
    except (jsonpointer.JsonPointerException, TypeError, KeyError, IndexError):
        return None
    return found


def _record(document: Any, name: str) -> object:
    """Returns the value of the latest record with this name, in the unit of the channel (RFC 8428,
    4.6)."""
    found: object = None
    base: dict[str, Any] = {}
    for record in document if isinstance(document, list) else []:
        if not isinstance(record, dict):
            return None
        base |= {key: record[key] for key in ("bn", "bu", "bv") if key in record}
        if f"{base.get('bn', '')}{record.get('n', '')}" != name:
            continue
        found = record.get("v", record.get("vb"))
        if isinstance(found, int | float) and not isinstance(found, bool):
            per, plus = _SENML_UNITS.get(str(record.get("u", base.get("bu"))), (1.0, 0.0))
            add = base.get("bv", 0)
            found = (found + (add if isinstance(add, int | float) else 0)) * per + plus
    return found


def overheard(host: str, port: int, seconds: float = _LISTENS_S) -> list[Candidate]:
    """Listens to all topics of a broker that asks for no password; returns the numbers that are
    published meanwhile. Raises `DriverError` if it lets nobody listen."""
    source: dict[str, Any] = {} if (host, port) == ("localhost", 1883) else {"host": host}
    source |= {} if port == 1883 else {"port": port}
    probe = MqttIn(MqttInSettings.model_validate({**source, "channels": {"x": {"topic": "x"}}}))
    heard: dict[tuple[str, str | None], float] = {}

    def take(_client: object, _data: object, message: MQTTMessage) -> None:
        if not message.retain and not message.topic.startswith(_OWN):
            for pointer, value in _numbers(bytes(message.payload)):
                if len(heard) < _MOST_HEARD or (message.topic, pointer) in heard:
                    heard[message.topic, pointer] = value

    try:
        probe.open()
        client = probe.connected()
        client.on_message = take
        client.subscribe("#")
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            client.loop(_POLL_S)
    finally:
        probe.close()
    return [
        Candidate(
            f"{topic}#{pointer or ''}",
            f"{topic} {pointer or ''}".rstrip() + f" (now {value:g})",
            "",
            source,
            {"topic": topic} | ({} if pointer is None else {"pointer": pointer}),
        )
        for (topic, pointer), value in sorted(heard.items(), key=str)
    ]


def _numbers(payload: bytes) -> Iterator[tuple[str | None, float]]:
    """Yields the numbers in a payload: the whole of it, or those at the ends of JSON pointers."""
    number, _ = number_in(payload, Published(topic="x"))
    if number is not None:
        yield None, number
        return
    try:
        waiting: list[tuple[str, Any]] = [("", json.loads(payload))]
    except (ValueError, RecursionError):
        return
    while waiting:
        pointer, found = waiting.pop()
        if isinstance(found, dict):
            steps = ((key.replace("~", "~0").replace("/", "~1"), at) for key, at in found.items())
            waiting += [(f"{pointer}/{step}", below) for step, below in steps]
        elif isinstance(found, int | float) and not isinstance(found, bool):
            yield pointer, float(found)
