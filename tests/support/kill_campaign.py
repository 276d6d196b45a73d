"""SIGKILL at seeded moments, again and again, of a daemon on a simulated tank with a real broker
and a real time-series server; and what must hold afterwards.

A `Campaign` is one tank; `batches` runs as many as are wanted, each with a seed of its own. The
tank's clock never goes back: each start goes on where the last kill left it.
"""

from __future__ import annotations

import contextlib
import random
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import closing
from multiprocessing import get_context
from pathlib import Path

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from far_sides import Asked, Receiver, Says, Victoria
from fast_process import GENEROUS_S, FastDaemon
from free_ports import free_port
from kill_story import Story
from kill_tally import CLOSE_S, Tally, from_json, to_json
from real_broker import Broker

BATCH = 100
"""Kills of one tank before all that was heard is compared with all that was kept."""
SPEED = 400.0
FAULT_EVERY_MIN, FAULT_FOR_MIN = 12, 6
NAME = "stillwell/reading-room"

TANK = """
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"

[store]
path = "{store}"
commit_every = "2 min"

[source.tank]
driver = "simulated"
every = "30 s"
deadline = "3600 s"
seed = 7
start = "{start}"
faults = [{faults}]
[source.tank.channels]
water-a = {{ sees = "water", noise = "0.03 K" }}
water-b = {{ sees = "water-b", noise = "0.03 K" }}

[source.chamber]
driver = "simulated"
every = "30 s"
deadline = "3600 s"
seed = 7
start = "{start}"
[source.chamber.channels]
level = {{ sees = "level", noise = "1 mm" }}
float-high = {{ sees = "float", height = "10 mm", differential = "2 mm" }}

[channel.water-a]
quantity = "temperature"
[channel.water-b]
quantity = "temperature"
[channel.level]
quantity = "level"
[channel.float-high]
quantity = "float"
height = "10 mm"
differential = "2 mm"

[band.water]
of = ["water-a", "water-b"]
target = "25.3 degC"
tolerance = "0.5 K"
deadband = "0.1 K"
on_delay = "5 min"
off_delay = "5 min"

[sink.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {broker}

[sink.history]
kind = "influx"
url = "http://127.0.0.1:{victoria}"
resend = 60

[sink.niamh]
kind = "push"
url = "json://127.0.0.1:{hook}/"
pictures = false
"""


class Phone:
    """A subscriber with a session that the broker keeps, QoS 1."""

    def __init__(self, port: int) -> None:
        self.notices: list[bytes] = []
        self.states: set[bytes] = set()
        self.rang = threading.Event()
        self.listening = threading.Event()
        self._client = Client(
            CallbackAPIVersion.VERSION2, client_id="phone", protocol=MQTTProtocolVersion.MQTTv5
        )
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self.listening.set()
        self._client.on_message = self._on_message
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 86_400
        self._client.connect("127.0.0.1", port, clean_start=False, properties=properties)
        self._client.loop_start()
        assert self.listening.wait(GENEROUS_S), "the phone could not subscribe"

    def _on_connect(self, client: Client, *_: object) -> None:
        client.subscribe([(f"{NAME}/notice", 1), (f"{NAME}/alarm/+", 1)])

    def _on_message(self, _: Client, __: object, message: MQTTMessage) -> None:
        if message.topic.endswith("/notice"):
            self.notices.append(bytes(message.payload))
            self.rang.set()
        else:
            self.states.add(bytes(message.payload))

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Campaign:
    """One tank and its far sides in `folder`. Use as a context; `kill` as often as wanted, then
    `settle` once."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.tally = Tally()
        self._chance = random.Random(seed)
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._store = folder / "tank.db"
        self._config = folder / "stillwell.toml"
        self._daemon = FastDaemon(self._config, folder / "log")
        self._broker = Broker(folder, free_port(), [])
        self._victoria = Victoria(folder / "victoria", free_port())
        self._hook = Receiver()
        self._rang = threading.Event()
        self._hook.answer = self._take
        # From now on: to a push service what is older than that would be old news.
        self._born_ms = time.time_ns() // 1_000_000
        self._utc_ms, self._mono_ms, self._boot = self._born_ms, 0, 1
        self._known: dict[str, tuple[int, ...]] = {}

    def __enter__(self) -> Campaign:
        self._broker.start()
        self._victoria.start()
        self._phone = Phone(self._broker.port)
        return self

    def __exit__(self, *exc: object) -> None:
        self._end()
        self._phone.close()
        self._broker.kill()
        self._victoria.kill()
        self._hook.close()

    def _take(self, asked: Asked) -> Says:
        self._rang.set()
        return Says(200)

    @property
    def heard(self) -> int:
        """Returns how many messages the phone has received."""
        return len(self._phone.notices)

    # -- one kill

    def kill(self) -> None:
        """Starts the daemon, ends it at a moment that chance chooses, and looks at what is left."""
        chance = self._chance.random()
        self._start()
        if chance < 0.1:
            # Anywhere between the first line of Python and the first reading.
            self._daemon.until("open")
            time.sleep(self._chance.uniform(0.0, 0.3))
            self.tally.starting += 1
        elif chance < 0.45:
            self._wait_for_reading()
            # Before the message leaves, while it leaves, before its cursor is kept.
            by = None if chance < 0.25 else self._phone.rang if chance < 0.35 else self._rang
            self._wait_for_notice(by)
        else:
            self._wait_for_reading()
            time.sleep(self._chance.uniform(0.0, 1.5))
        seen = self._look()
        with_server = self._chance.random() < 0.05
        if with_server:
            self._victoria.kill()
            self.tally.servers += 1
        self._end()
        self.tally.kills += 1
        if with_server:
            self._victoria.start()
        self._check(seen)
        self._pass_time()

    def _start(self, speed: float = SPEED) -> None:
        self._write_config()
        self._phone.rang.clear()
        self._daemon.start(speed, self._utc_ms, self._mono_ms, f"boot-{self._boot}")

    def _wait_for_reading(self) -> None:
        took = self._daemon.until("reads").at_s - self._daemon.began_s
        self.tally.longest_start_s = max(self.tally.longest_start_s, took)
        self.tally.starts_s += took

    def _wait_for_notice(self, by: threading.Event | None) -> None:
        """Returns within some ms of a notice's arrival at a recipient, or of its being kept."""
        pause = max(0.0, self._chance.uniform(-0.5, 0.75)) * CLOSE_S
        if by is None:
            at = self._daemon.until("keys").at_s
        else:
            by.clear()
            assert by.wait(GENEROUS_S), f"no notice was heard:\n{self._daemon.said()}"
            at = time.monotonic()
        time.sleep(pause)
        self._rang_s = at

    _rang_s = 0.0

    def _end(self) -> None:
        ended_s, passed_ms = self._daemon.kill()
        if ended_s - self._rang_s <= CLOSE_S:
            self.tally.near += 1
        self._utc_ms += passed_ms
        self._mono_ms += passed_ms

    def _pass_time(self) -> None:
        """Waits until systemd would have started it again; now and then the machine was off for
        a while."""
        dark_ms = round(self._chance.uniform(1000, 6000))
        if self._chance.random() < 0.05:
            dark_ms += round(self._chance.uniform(0, 3_600_000))
            self._boot += 1
            self._mono_ms = 0
        self._utc_ms += dark_ms
        self._mono_ms += dark_ms

    def _write_config(self) -> None:
        # The tank is always an hour old: what it has lived through costs no start any time.
        born_ms = self._utc_ms - 3_600_000
        born_min = (born_ms - self._born_ms) / 60_000
        first = int(born_min // FAULT_EVERY_MIN) * FAULT_EVERY_MIN
        faults = [
            f'{{ name = "probe-gone", after = "{max(0.0, at - born_min):.4f} min", '
            f'for = "{FAULT_FOR_MIN + min(0.0, at - born_min):.4f} min", target = "water-b" }}'
            for at in range(first, first + 600, FAULT_EVERY_MIN)
            if FAULT_FOR_MIN + min(0.0, at - born_min) > 0
        ]
        self._config.write_text(
            TANK.format(
                store=self._store,
                start=time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(born_ms / 1000)),
                faults=", ".join(faults),
                broker=self._broker.port,
                victoria=self._victoria.port,
                hook=self._hook.port,
            )
        )

    # -- what must hold

    def _wrong(self, count: str, number: int, what: str) -> None:
        if number:
            setattr(self.tally, count, getattr(self.tally, count) + number)
            self.tally.wrong.append(f"{self._folder.name}, kill {self.tally.kills}: {what}")

    def _look(self) -> dict[str, tuple[int, ...]]:
        """Returns what another process finds committed: per table (highest number, rows, sum)."""
        if not self._store.exists():
            return {}
        found = {}
        with closing(sqlite3.connect(f"file:{self._store}?mode=ro", uri=True)) as db:
            for table in ("reading", "transition", "notice"):
                with contextlib.suppress(sqlite3.OperationalError):  # the tables are being made
                    (newest,) = db.execute(f"SELECT max(seq) FROM {table}").fetchone()
                    found[table] = self._sum(db, table, newest or 0)
        return found

    @staticmethod
    def _sum(db: sqlite3.Connection, table: str, upto: int) -> tuple[int, ...]:
        body = {"reading": "value", "transition": "alarm || event", "notice": "key"}[table]
        rows = db.execute(f"SELECT seq, {body} FROM {table} WHERE seq <= ?", (upto,)).fetchall()
        return upto, len(rows), hash(tuple(rows))

    def _check(self, seen: dict[str, tuple[int, ...]]) -> None:
        if not self._store.exists():
            return
        with closing(sqlite3.connect(f"file:{self._store}?mode=ro", uri=True)) as db:
            (word,) = db.execute("PRAGMA integrity_check").fetchone()
            self._wrong("damaged", word != "ok", f"integrity_check: {word}")
            for table, (newest, count, total) in (self._known | seen).items():
                now = self._sum(db, table, newest)
                self._wrong(
                    "lost", max(0, count - now[1]), f"{table}: {count} rows were kept, {now[1]} are"
                )
                if count == now[1]:
                    self._wrong("lost", total != now[2], f"{table}: a kept row has changed")
        self._known.update(seen)

    def settle(self) -> None:
        """Lets everything arrive, and compares everything heard with everything kept."""
        # At its own pace little is added any more.
        self._start(speed=1.0)
        self._wait_for_reading()
        far_sides: tuple[tuple[str, str, Callable[[Story], Sequence[object]]], ...] = (
            ("unheard", "MQTT never brought", lambda story: story.unheard(self._phone.notices)),
            ("unheard", "the web hook never got", lambda story: story.unheard(self._hooked())),
            ("not_at_server", "the server lacks", lambda story: story.absent(self._victoria)),
        )
        for count, words, missing in far_sides:
            end = time.monotonic() + GENEROUS_S / 2
            while (lacks := missing(Story(self._store))) and time.monotonic() < end:
                time.sleep(0.2)
            self._wrong(count, len(lacks), f"{words} {lacks[:5]}")
        self._end()
        story, tally = Story(self._store), self.tally
        tally.readings, tally.transitions = story.readings, len(story.log)
        tally.notices = len(story.keys)
        story.check_store(self._wrong)
        story.check_states(self._phone.states, self._wrong)
        tally.twice_mqtt = story.check_heard(self._phone.notices, self._wrong)
        tally.twice_hook = story.check_heard(self._hooked(), self._wrong)

    def _hooked(self) -> list[bytes]:
        return [asked.body for asked in tuple(self._hook.asked)]


def batch(folder: Path, seed: int, kills: int) -> Tally:
    """Returns the kills of one tank and the comparison at the end; from its file where that is
    already done."""
    kept = folder / f"batch-{seed}-{kills}.json"
    if kept.exists():
        return from_json(kept.read_text())
    place = folder / f"tank-{seed}"
    shutil.rmtree(place, ignore_errors=True)
    with Campaign(place, seed) as tank:
        try:
            for _ in range(kills):
                tank.kill()
            tank.settle()
        except AssertionError as error:  # it did not start, or said nothing in all that time
            tank.tally.wrong.append(f"{place.name}, kill {tank.tally.kills}: {error}")
    if tank.tally.well:
        shutil.rmtree(place)
    kept.write_text(to_json(tank.tally))
    return tank.tally


def batches(kills: int, jobs: int, seed: int, folder: Path) -> Iterator[Tally]:
    """Yields each batch when it is done; `jobs` of them run at a time."""
    folder.mkdir(parents=True, exist_ok=True)
    sizes = [min(BATCH, kills - at) for at in range(0, kills, BATCH)]
    with ProcessPoolExecutor(jobs, get_context("spawn")) as pool:
        running = [
            pool.submit(batch, folder, seed + number, size) for number, size in enumerate(sizes)
        ]
        for one in as_completed(running):
            yield one.result()
