"""Real parts for the tests in this folder: a mosquitto on a free port, and somebody who listens to
it."""

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

from stillwell.deliver.mqtt import Mqtt, MqttSettings
from stillwell.deliver.outbox import Outbox, name_of
from stillwell.notice import Notice, Transition
from stillwell.ports import Published, Refusal, Row, Stream
from stillwell.reading import Quantity, Reading

GENEROUS_S = 20.0
"""No test measures time; this only ends one whose condition never comes true."""

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
                [MOSQUITTO, "-c", str(self._config)], stdout=log, stderr=log
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
        """SIGKILL: it writes nothing down and says goodbye to nobody."""
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
        """SIGSTOP: its sockets stay open, the kernel takes what is sent, and nothing answers."""
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGSTOP)
        try:
            yield
        finally:
            os.kill(self._process.pid, signal.SIGCONT)

    def passwords(self, **users: str) -> Path:
        """A password file by mosquitto's own tool."""
        path = self.folder / "passwords"
        path.unlink(missing_ok=True)
        for user, password in users.items():
            new = [] if path.exists() else ["-c"]
            subprocess.run(["mosquitto_passwd", *new, "-b", str(path), user, password], check=True)
        return path


@pytest.fixture
def broker(tmp_path: Path, free_ports: Callable[[], int]) -> Iterator[Callable[..., Broker]]:
    """Makes brokers (the arguments are lines of mosquitto.conf), started; stops them afterwards."""
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
    """One message as a subscriber got it."""

    topic: str
    payload: bytes
    retained: bool
    properties: Properties | None = None


@dataclass
class Listener:
    """A subscriber by paho, MQTT 5 unless said otherwise."""

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


Hook = Callable[[bytes], bytes | None]


def _packet(sock: socket.socket) -> bytes:
    """One MQTT control packet; empty at the end of the connection."""
    with contextlib.suppress(OSError):
        head = sock.recv(1)
        if not head:
            return b""
        length, shift = 0, 0
        while True:
            byte = sock.recv(1)
            if not byte:
                return b""
            head += byte
            length |= (byte[0] & 0x7F) << shift
            shift += 7
            if not byte[0] & 0x80:
                break
        body = b""
        while len(body) < length:
            chunk = sock.recv(length - len(body))
            if not chunk:
                return b""
            body += chunk
        return head + body
    return b""


class Relay:
    """A cable between a client and a real broker that a test can cut, or whose packets it can
    change.

    A fake of the test's own, for what mosquitto cannot be made to do: `to_broker` and `to_client`
    get each MQTT packet and return what is passed on; None cuts the cable.
    """

    def __init__(self, upstream: int) -> None:
        self.to_broker: Hook = lambda packet: packet
        self.to_client: Hook = lambda packet: packet
        self.answer: Callable[[bytes], bytes | None] = lambda packet: None
        """What the relay itself says to a packet of the client, before it cuts the cable."""
        self.connections = 0
        self._upstream = upstream
        self._open: list[socket.socket] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Ends every connection, on both sides, without a goodbye."""
        for sock in self._open:
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
            sock.close()
        self._open.clear()

    def close(self) -> None:
        self._server.close()
        self.cut()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._server.accept()
                self.connections += 1
                try:
                    broker = socket.create_connection(("127.0.0.1", self._upstream))
                except OSError:
                    client.close()
                    continue
                self._open += [client, broker]
                for source, sink, up in ((client, broker, True), (broker, client, False)):
                    threading.Thread(
                        target=self._pump, args=(source, sink, up), daemon=True
                    ).start()

    def _pump(self, source: socket.socket, sink: socket.socket, up: bool) -> None:
        while packet := _packet(source):
            with contextlib.suppress(OSError):
                if up and (answer := self.answer(packet)) is not None:
                    source.sendall(answer)
                    break
                passed = self.to_broker(packet) if up else self.to_client(packet)
                if passed is None:
                    break
                sink.sendall(passed)
        for sock in (source, sink):
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)


@pytest.fixture
def relay() -> Iterator[Callable[[int], Relay]]:
    made: list[Relay] = []

    def make(upstream: int) -> Relay:
        made.append(Relay(upstream))
        return made[-1]

    yield make
    for one in made:
        one.close()


class Shelf:
    """A store's tail in memory: what the outbox needs of the real one, and no more."""

    def __init__(self) -> None:
        self._rows: dict[Stream, list[Row]] = {stream: [] for stream in Stream}
        self.cursors: dict[Stream, int] = {}
        self.dead: list[tuple[Stream, Refusal]] = []

    def put(self, body: Reading | Transition | Notice | Published) -> int:
        match body:
            case Reading():
                stream = Stream.READINGS
            case Transition():
                stream = Stream.TRANSITIONS
            case Notice():
                stream = Stream.NOTICES
            case _:
                stream = Stream.ESTIMATES
        rows = self._rows[stream]
        rows.append(Row(stream, len(rows) + 1, body))
        return len(rows)

    def rows(
        self, stream: Stream, after_seq: int, limit: int, *, committed_only: bool = True
    ) -> list[Row]:
        return self._rows[stream][after_seq : after_seq + limit]

    def wait(
        self, seq: int, stream: Stream, timeout_s: float, *, committed_only: bool = True
    ) -> None:
        time.sleep(min(timeout_s, 0.01))

    def move(self, sink: str, stream: Stream, seq: int, refused: Sequence[Refusal]) -> None:
        self.cursors[stream] = seq
        self.dead += [(stream, refusal) for refusal in refused]

    def latest(self) -> list[Row]:
        newest: dict[tuple[Stream, str], Row] = {}
        for stream, rows in self._rows.items():
            if stream is not Stream.NOTICES:
                newest |= {(stream, name_of(row)): row for row in rows}
        return list(newest.values())


class Keeper:
    """An MQTT sink behind an outbox over a `Shelf`, driven by the test: the time of its back-off is
    the test's own, so that a minute of waiting takes none."""

    def __init__(self, shelf: Shelf, sink: Mqtt) -> None:
        self.shelf = shelf
        self.sink = sink
        self.now_s = 0.0
        self.outbox = Outbox(
            "broker",
            sink,
            shelf,
            shelf.cursors,
            shelf.move,
            latest=shelf.latest,
            jitter=lambda: 0.0,
        )

    def step(self) -> None:
        self.now_s += self.outbox.step(self.now_s)

    def until(self, condition: Callable[[], object], what: str) -> None:
        def stepped() -> object:
            self.step()
            return condition()

        wait_until(stepped, f"{what}; the sink says: {self.outbox.health.verdict!r}")

    def until_well(self) -> None:
        self.until(
            lambda: not self.outbox.health.away and self.outbox.progress > 1, "the sink is well"
        )

    def until_away(self, words: str) -> None:
        self.until(lambda: words in self.outbox.health.verdict, f"the verdict says {words!r}")


@pytest.fixture
def keeper() -> Iterator[Callable[..., Keeper]]:
    """Makes an MQTT sink with an outbox (the arguments are its settings); closes it afterwards."""
    made: list[Keeper] = []

    def make(port: int, shelf: Shelf | None = None, **settings: object) -> Keeper:
        chosen = MqttSettings.model_validate(
            {"host": "127.0.0.1", "port": port, "patience": 3, **settings}
        )
        sink = Mqtt("broker", "reading-room", chosen)
        sink.use_channels({"water-a": Quantity.TEMPERATURE, "level": Quantity.LEVEL})
        made.append(Keeper(shelf or Shelf(), sink))
        return made[-1]

    yield make
    for one in made:
        one.outbox.close()
