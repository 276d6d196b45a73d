"""The time-series sink against real servers: Debian's VictoriaMetrics (which speaks the write
protocol of InfluxDB 2) and Debian's InfluxDB 1.6. No InfluxDB 2 server is packaged for Debian: its
published answers are in test_influx_answers.py."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from far_sides import INFLUXD, VICTORIA, Influxd1, Victoria
from real_broker import wait_until
from stillwell.deliver.influx import Influx, InfluxSettings
from stillwell.deliver.outbox import Outbox, OutboxThread
from stillwell.ports import Published, Refusal, Stream
from stillwell.reading import Flag, Moment, Quantity, Reading
from stillwell.store import Store, StoreReader

BEGAN = 1_780_000_000_000
CHANNELS = {"water-a": Quantity.TEMPERATURE, "level": Quantity.LEVEL}

needs_victoria = pytest.mark.skipif(
    VICTORIA is None, reason="needs Debian's victoria-metrics: tests/run.sh installs it"
)
needs_influxd = pytest.mark.skipif(
    INFLUXD is None, reason="needs Debian's influxdb (1.6): apt-get install influxdb"
)


@pytest.fixture
def victoria(tmp_path: Path, free_port: int) -> Iterator[Victoria]:
    server = Victoria(tmp_path / "victoria", free_port)
    try:
        server.start()
        yield server
    finally:
        server.kill()


@pytest.fixture
def influxd(tmp_path: Path, free_port: int) -> Iterator[Influxd1]:
    server = Influxd1(tmp_path / "influxd", free_port)
    try:
        server.start()
        server.ask("CREATE USER \"tank\" WITH PASSWORD 'rock-pool-7' WITH ALL PRIVILEGES")
        server.ask('CREATE DATABASE "tank"', "tank", "rock-pool-7")
        yield server
    finally:
        server.kill()


class Tank:
    """A real store, and an Influx sink behind an outbox that the test drives on its own time."""

    def __init__(self, folder: Path, url: str, **settings: object) -> None:
        self.store = Store.open(folder / "tank.db")
        self.store.begin_epoch("boot", Moment(0, BEGAN, 0), True)
        self.settings = {"url": url, "timeout": 2, "resend": 30, **settings}
        self.now_s = 1000.0
        self.taken = 0
        self.refused: list[Refusal] = []
        self.start()

    def start(self) -> None:
        """A new process's sink and outbox, on what the store has kept."""
        sink = Influx(
            "history",
            "rock-pool",
            InfluxSettings.model_validate(self.settings),
            monotonic_s=lambda: self.now_s,
        )
        sink.use_channels(CHANNELS)
        kept = {
            stream: self.store.sinks.cursor("history", stream) or 0 for stream in sink.streams()
        }
        self.outbox = Outbox("history", sink, self.store.tail, kept, self.move, jitter=lambda: 0.0)

    def move(self, sink: str, stream: Stream, seq: int, refused: object) -> None:
        assert isinstance(refused, tuple)
        self.refused += refused
        self.store.sinks.move_cursor(sink, stream, seq, refused)

    def take(self, n: int) -> None:
        """Readings as the pipeline would keep them, 30 s apart."""
        for _ in range(n):
            self.taken += 1
            mono = self.taken * 30_000
            value = 25.0 + self.taken % 7 / 10
            self.store.put(
                [
                    Reading("water-a", Moment(mono, BEGAN + mono, 1), value, Flag.PASS),
                    Reading("level", Moment(mono, BEGAN + mono, 1), -3.5, Flag.SUSPECT, "spike"),
                ]
            )
        self.store.commit()

    def kept(self, channel: str) -> list[tuple[int, float]]:
        """What the store holds, as the server should."""
        found: list[tuple[int, float]] = []
        after = 0
        while rows := self.store.tail.rows(Stream.READINGS, after, 5000):
            for row in rows:
                body = row.body
                assert isinstance(body, Reading)
                if body.channel == channel and body.value is not None:
                    found.append((body.moment.utc_ms, body.value))
            after = rows[-1].seq
        return found

    def step(self) -> None:
        self.now_s += self.outbox.step(self.now_s) or 0.001

    def run(self, seconds: float = 3.0) -> None:
        """Steps through so much of the test's own time."""
        until = self.now_s + seconds
        while self.now_s < until:
            self.step()

    def until(self, condition: Callable[[], object], what: str) -> None:
        def stepped() -> object:
            self.step()
            return condition()

        wait_until(stepped, f"{what}; the sink says: {self.outbox.health.verdict!r}")

    def until_well(self) -> None:
        self.until(lambda: not self.outbox.health.away, "the sink is well")
        self.run()


@pytest.fixture
def tank(tmp_path: Path) -> Iterator[Callable[..., Tank]]:
    made: list[Tank] = []

    def make(url: str, **settings: object) -> Tank:
        made.append(Tank(tmp_path, url, **settings))
        return made[-1]

    yield make
    for one in made:
        one.outbox.close()
        one.store.close()


@needs_victoria
class TestVictoriaMetrics:
    def test_has_what_the_store_has_with_flags(
        self, victoria: Victoria, tank: Callable[..., Tank]
    ) -> None:
        one = tank(victoria.url)
        one.take(50)
        one.run()
        assert victoria.points("reading_value", channel="water-a", unit="Cel") == one.kept(
            "water-a"
        )
        assert victoria.points("reading_value", channel="level", unit="mm") == one.kept("level")
        flags = victoria.points("reading_flag", channel="level")
        assert [flag for _, flag in flags] == [3.0] * 50

    def test_killed_right_after_its_yes_has_it_all_in_the_end(
        self, victoria: Victoria, tank: Callable[..., Tank]
    ) -> None:
        one = tank(victoria.url)
        for _ in range(3):
            one.take(20)
            one.run()
            victoria.kill()
            one.take(1)
            one.until(lambda: one.outbox.health.away, "the loss is noticed")
            victoria.start()
            one.until_well()
        assert victoria.points("reading_value", channel="water-a") == one.kept("water-a")

    def test_killed_and_back_before_anybody_noticed_has_it_all_in_the_end(
        self, victoria: Victoria, tank: Callable[..., Tank]
    ) -> None:
        one = tank(victoria.url)
        for _ in range(3):
            one.take(5)
            one.run()
        victoria.kill()
        victoria.start()
        one.take(1)
        one.run()
        assert not one.outbox.health.away
        assert victoria.points("reading_value", channel="water-a") == one.kept("water-a")

    def test_killed_together_with_us_has_it_all_in_the_end(
        self, victoria: Victoria, tank: Callable[..., Tank]
    ) -> None:
        one = tank(victoria.url)
        one.take(20)
        one.run()
        victoria.kill()
        one.start()
        victoria.start()
        one.until_well()
        assert victoria.points("reading_value", channel="water-a") == one.kept("water-a")

    def test_away_for_days_gets_everything_in_order_in_whole_batches(
        self, victoria: Victoria, tank: Callable[..., Tank], long_run: bool
    ) -> None:
        victoria.kill()
        one = tank(victoria.url)
        one.take(30 * 2880 if long_run else 2880)
        one.until(lambda: one.outbox.health.away, "the sink is away")
        victoria.start()
        rows = 2 * one.taken
        one.until(lambda: one.outbox.health.accepted >= rows, "all of it is sent")
        one.run()
        assert victoria.points("reading_value", channel="water-a") == one.kept("water-a")

    def test_that_hangs_is_away_and_delays_no_reading(
        self, victoria: Victoria, tank: Callable[..., Tank]
    ) -> None:
        before = threading.active_count()
        one = tank(victoria.url, timeout=0.5)
        one.take(5)
        one.run()
        with victoria.frozen():
            thread = OutboxThread(one.outbox)
            thread.start()
            one.take(50)
            wait_until(lambda: one.outbox.health.away, "it is away")
            assert "does not answer in time" in one.outbox.health.verdict
            assert one.store.tail.newest(Stream.READINGS) == 110
        wait_until(lambda: not one.outbox.health.away, "it is well again")
        wait_until(
            lambda: len(victoria.points("reading_value", channel="water-a")) == 55, "all arrives"
        )
        assert thread.stop()
        assert threading.active_count() <= before, "threads were left behind"


@needs_influxd
class TestInfluxDb1:
    LOGIN = {"protocol": "1", "database": "tank", "username": "tank", "password": "rock-pool-7"}  # noqa: RUF012

    def rows(self, influxd: Influxd1, channel: str) -> list[tuple[int, float]]:
        query = f"SELECT value FROM reading WHERE channel = '{channel}'"
        (result,) = influxd.ask(query, "tank", "rock-pool-7")["results"]
        return [(at, value) for at, value in result["series"][0]["values"]]

    def test_has_what_the_store_has(self, influxd: Influxd1, tank: Callable[..., Tank]) -> None:
        one = tank(influxd.url, **self.LOGIN)
        one.take(50)
        one.run()
        assert self.rows(influxd, "water-a") == one.kept("water-a")

    def test_refuses_bad_points_alone_and_the_others_get_through(
        self, influxd: Influxd1, tank: Callable[..., Tank]
    ) -> None:
        # The field `value` of this channel's series is a text there: InfluxDB refuses a number.
        one = tank(influxd.url, **self.LOGIN)
        login = Influx(
            "x", "rock-pool", InfluxSettings.model_validate({"url": influxd.url, **self.LOGIN})
        )
        assert login._connect() == ""
        assert login._link is not None
        at = BEGAN + 30_000
        assert login._link.write([f'estimate,name=salt value="much" {at}']).status == 204
        one.take(10)
        one.store.put_estimates([Published("salt", at, "g/kg", 35.0, None, None, "test")])
        one.store.put_estimates([Published("level", at, "mm", None, -1.0, None, "test")])
        one.store.commit()
        one.run()
        assert [refusal.seq for refusal in one.refused] == [1]
        assert "field type conflict" in one.refused[0].reason
        with StoreReader.open(one.store.path) as reader:
            (letter,) = reader.dead_letters()
        assert letter.reason.startswith("400: ")
        assert self.rows(influxd, "water-a") == one.kept("water-a")
        assert not one.outbox.health.away
        login.close()

    def test_with_a_wrong_password_says_what_to_check(
        self, influxd: Influxd1, tank: Callable[..., Tank]
    ) -> None:
        one = tank(influxd.url, **{**self.LOGIN, "password": "old-secret"})
        one.take(1)
        one.step()
        assert one.outbox.health.away
        verdict = one.outbox.health.verdict
        assert "check `username` and `password` of [sink.history]" in verdict
        assert "old-secret" not in verdict

    def test_without_the_database_says_what_to_create_and_goes_on_once_it_is_there(
        self, influxd: Influxd1, tank: Callable[..., Tank]
    ) -> None:
        influxd.ask('DROP DATABASE "tank"', "tank", "rock-pool-7")
        one = tank(influxd.url, **self.LOGIN)
        one.take(2)
        one.step()
        assert "does not know the database" in one.outbox.health.verdict
        influxd.ask('CREATE DATABASE "tank"', "tank", "rock-pool-7")
        one.until_well()
        assert self.rows(influxd, "water-a") == one.kept("water-a")

    def test_killed_and_back_has_every_point_once(
        self, influxd: Influxd1, tank: Callable[..., Tank]
    ) -> None:
        one = tank(influxd.url, **self.LOGIN)
        one.take(30)
        one.run()
        influxd.kill()
        one.take(1)
        one.until(lambda: one.outbox.health.away, "the loss is noticed")
        influxd.start()
        one.until_well()
        assert self.rows(influxd, "water-a") == one.kept("water-a")
