"""Real parts for the tests in this folder: a mosquitto on a free port, and somebody who listens to
it."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence

import pytest

from real_broker import wait_until
from stillwell.deliver.mqtt import Mqtt, MqttSettings
from stillwell.deliver.outbox import Outbox, name_of
from stillwell.deliver.outbox.tail import Follows
from stillwell.notice import Notice, Transition
from stillwell.ports import Published, Refusal, Row, Stream
from stillwell.reading import Quantity, Reading
from stillwell.words import Reader

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


class Shelf(Follows):
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
        self, after: Mapping[Stream, int], timeout_s: float, *, committed_only: bool = True
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
        sink.use_words(Reader())
        sink.use_channels({"water-a": Quantity.TEMPERATURE, "level": Quantity.LEVEL})
        made.append(Keeper(shelf or Shelf(), sink))
        return made[-1]

    yield make
    for one in made:
        one.outbox.close()
