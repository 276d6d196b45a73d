"""A mosquitto of the test's own on a free port, and somebody who listens to it: fixtures for every
folder of tests (loaded as a pytest plugin by pyproject.toml)."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

GENEROUS_S = 20.0
"""A limit, in s, that only ends a test whose condition never comes true; no test measures time."""

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


def wait_until(condition: Callable[[], object], what: str, seconds: float = GENEROUS_S) -> None:
    """Waits until `condition` is true; fails with `what` when it never is."""
    deadline = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > deadline:
            pytest.fail(f"waited in vain: {what}")
        time.sleep(0.01)


@pytest.fixture
def until() -> Callable[..., None]:
    return wait_until


class Broker:
    """A mosquitto of the test's own on 127.0.0.1."""

    def __init__(self, folder: Path, port: int, lines: Sequence[str]) -> None:
        self.port = port
        self.folder = folder
        self._config = folder / f"mosquitto-{port}.conf"
        self._log = folder / f"mosquitto-{port}.log"
        self._process: subprocess.Popen[bytes] | None = None
        self.configure(lines)

    def configure(self, lines: Sequence[str]) -> None:
        """Writes the configuration for the next start."""
        text = list(lines)
        if not any(line.startswith("listener ") for line in text):
            text.insert(0, f"listener {self.port} 127.0.0.1")
        if not any(line.startswith("allow_anonymous") for line in text):
            text.append("allow_anonymous true")
        # By default it drops what a slow subscriber has not taken. (0, no limit, makes 2.0.11 hang
        # up on # whoever publishes what the access list denies.)
        text.append("max_queued_messages 100000")
        if os.geteuid() == 0:
            # Else it gives root up and cannot read the test's own folder.
            text.append("user root")
        self._config.write_text("\n".join(text) + "\n")

    def start(self) -> None:
        """Starts it and waits until it listens."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [MOSQUITTO, "-c", str(self._config)],
                stdout=log,
                stderr=log,
                cwd=self.folder,  # where it leaves what it persists
            )
        process = self._process

        def listens() -> bool:
            if process.poll() is not None:
                pytest.fail(f"mosquitto ended at once:\n{self._log.read_text()[-2000:]}")
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return True
            return False

        wait_until(listens, "mosquitto listens")

    def kill(self) -> None:
        """Kills it with SIGKILL: it writes nothing to disk and tells nobody."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(5)
            except subprocess.TimeoutExpired:
                self.kill()
            self._process = None

    @contextlib.contextmanager
    def frozen(self) -> Iterator[None]:
        """Stops it with SIGSTOP: its sockets stay open, the kernel accepts what is sent, and
        nothing answers."""
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGSTOP)
        try:
            yield
        finally:
            os.kill(self._process.pid, signal.SIGCONT)

    def passwords(self, **users: str) -> Path:
        """Makes a password file with mosquitto's own tool."""
        path = self.folder / "passwords"
        path.unlink(missing_ok=True)
        for user, password in users.items():
            new = [] if path.exists() else ["-c"]
            subprocess.run(["mosquitto_passwd", *new, "-b", str(path), user, password], check=True)
        return path


@pytest.fixture
def broker(tmp_path: Path, free_ports: Callable[[], int]) -> Iterator[Callable[..., Broker]]:
    """Makes and starts brokers (the arguments are lines of mosquitto.conf); stops them
    afterwards."""
    made: list[Broker] = []

    def make(*lines: str, start: bool = True) -> Broker:
        one = Broker(tmp_path, free_ports(), lines)
        made.append(one)
        if start:
            one.start()
        return one

    yield make
    for one in made:
        one.kill()


@dataclass
class Heard:
    """One message as a subscriber received it."""

    topic: str
    payload: bytes
    retained: bool
    properties: Properties | None = None


@dataclass
class Listener:
    """A subscriber made with paho, MQTT 5 unless another version is asked for."""

    client: Client
    heard: list[Heard] = field(default_factory=list)
    listening: threading.Event = field(default_factory=threading.Event)

    def on(self, topic: str) -> list[Heard]:
        return [one for one in list(self.heard) if one.topic == topic]

    def say(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        response_topic: str = "",
        correlation: bytes = b"",
    ) -> None:
        """Publishes, as a phone would."""
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if response_topic:
            properties.ResponseTopic = response_topic
            properties.CorrelationData = correlation
        self.client.publish(
            topic, payload, qos=1, retain=retain, properties=properties
        ).wait_for_publish(GENEROUS_S)


@pytest.fixture
def listen() -> Iterator[Callable[..., Listener]]:
    """Makes subscribers to a broker; ends them afterwards."""
    made: list[Listener] = []

    def make(
        port: int,
        topic: str = "#",
        *,
        username: str | None = None,
        password: str | None = None,
        client_id: str = "",
        session_s: int = 0,
    ) -> Listener:
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
        )
        client.reconnect_delay_set(1, 1)
        one = Listener(client)
        if username:
            client.username_pw_set(username, password)

        def on_connect(*_: object) -> None:
            client.subscribe(topic, qos=1)

        def on_subscribe(*_: object) -> None:
            one.listening.set()

        def on_message(_: Client, __: object, message: MQTTMessage) -> None:
            one.heard.append(
                Heard(message.topic, bytes(message.payload), message.retain, message.properties)
            )

        client.on_connect = on_connect
        client.on_subscribe = on_subscribe
        client.on_message = on_message
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        if session_s:
            properties.SessionExpiryInterval = session_s
        client.connect("127.0.0.1", port, clean_start=not session_s, properties=properties)
        client.loop_start()
        made.append(one)
        assert one.listening.wait(GENEROUS_S), "the subscriber could not subscribe"
        return one

    yield make
    for one in made:
        one.client.disconnect()
        one.client.loop_stop()
