"""The one way of a reading, on a real store and without a thread: what clock steps, restarts and a
disk that takes nothing do to it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

import pytest

from in_words import said, what
from stillwell.acquire.epoch import Change
from stillwell.acquire.source import Batch, SourceState
from stillwell.alarm.plan import Band, ChannelWatch, WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.entry import Entry
from stillwell.finding import Finding
from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.observe.observing import Observer
from stillwell.pipeline import Pipeline
from stillwell.ports import Published
from stillwell.quality.judge import Judge
from stillwell.quality.limits import default_limits
from stillwell.reading import Flag, Moment, Quantity, Reading, Sample
from stillwell.request import Command, Request
from stillwell.run.clock import STEP_TOLD_FOR_MS
from stillwell.store import Store, StoreReader
from stillwell.store import file as store_file
from stillwell.store.connect import connect_writer

NOON = 1_768_478_400_000  # 2026-01-15T12:00:00Z
MINUTE = 60_000
HOUR = 60 * MINUTE
YEARS_10 = 3652 * 24 * HOUR

PLAN = WatchPlan(
    channels=(ChannelWatch("water-a", "probes", Quantity.TEMPERATURE, gap_s=180.0, label=""),),
    bands=(
        Band(
            name="water",
            channels=("water-a",),
            low=24.8,
            high=25.8,
            target=25.3,
            deadband=0.1,
            on_delay_s=300,
            off_delay_s=300,
            priority=Priority.HIGH,
        ),
    ),
    zone="Europe/Dublin",
    sinks=("broker",),
)


class Line:
    """A pipeline with its clocks in hand: `mono_ms` runs, `wall_ms` can be set."""

    def __init__(
        self,
        path: Path,
        *,
        boot: str = "boot-1",
        wall_ms: int = NOON,
        trusted: bool = True,
        observers: Sequence[Observer] = (),
    ) -> None:
        self.told: list[Transition] = []
        self.mono_ms = 1_000_000
        self.offset_ms = wall_ms - self.mono_ms
        self.trusted = trusted
        self.pipeline = Pipeline(
            Store.open(path),
            Watch(PLAN),
            {"water-a": Judge(default_limits(Quantity.TEMPERATURE))},
            observers=observers,
            told=self.told.append,
        )
        self.pipeline.begin(boot, self.mono_ms, self.wall_ms, trusted)

    @property
    def wall_ms(self) -> int:
        return self.mono_ms + self.offset_ms

    def step(self, ms: int) -> None:
        self.offset_ms += ms

    def run(self, minutes: int, value: float = 25.3) -> None:
        """Lets minutes pass with a reading each half minute and a tick each five seconds."""
        for second in range(0, minutes * 60, 5):
            self.mono_ms += 5000
            self.pipeline.look_at_clock(self.mono_ms, self.wall_ms, self.trusted)
            if second % 30 == 0:
                # A probe's noise, so that nothing is a stuck probe.
                sample = Sample("water-a", value + 0.0625 * (second // 30 % 2))
                self.pipeline.take(Batch("probes", self.mono_ms, (sample,)))
            self.pipeline.tick(self.mono_ms)

    def events(self) -> list[tuple[str, str]]:
        return [(transition.alarm, transition.event) for transition in self.told]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "tank.db"


@pytest.fixture
def line(path: Path) -> Iterator[Callable[..., Line]]:
    made: list[Line] = []

    def make(**more: object) -> Line:
        made.append(Line(path, **more))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for one in made:
        one.pipeline.store.close()


def kept(path: Path) -> list[Reading]:
    with StoreReader.open(path) as reader:
        return list(reader.readings("water-a", -(1 << 53), 1 << 53))


class TestReadings:
    def test_are_judged_kept_and_watched(self, line: Callable[..., Line], path: Path) -> None:
        one = line()
        one.run(10, 24.0)
        one.pipeline.end()
        rows = kept(path)
        assert len(rows) == 20
        assert {row.flag for row in rows} == {Flag.PASS}
        assert rows[0].moment.utc_ms == NOON + 5000
        assert one.events() == [("water.low", "raise")]

    def test_of_the_power_on_value_never_reach_the_water_alarm(
        self, line: Callable[..., Line]
    ) -> None:
        one = line()
        one.run(10)
        for _ in range(40):
            one.mono_ms += 30_000
            one.pipeline.take(Batch("probes", one.mono_ms, (Sample("water-a", 85.0),)))
            one.pipeline.tick(one.mono_ms)
        assert not [alarm for alarm, _ in one.events() if alarm == "water.high"]
        assert "water-a.fault" in {alarm for alarm, _ in one.events()}


class TestClockSteps:
    @pytest.mark.parametrize("by_ms", [-YEARS_10, -HOUR, HOUR, YEARS_10])
    def test_move_no_alarm_of_the_water(self, line: Callable[..., Line], by_ms: int) -> None:
        one = line()
        one.run(20)
        one.step(by_ms)
        one.run(20)
        assert one.events() == [("clock.stepped", "raise"), ("clock.stepped", "clear")]

    @pytest.mark.parametrize("by_ms", [-YEARS_10, -HOUR, HOUR, YEARS_10])
    def test_change_no_delay(self, tmp_path: Path, by_ms: int) -> None:
        raised_ms = []
        for name, step_ms in (("steady", 0), ("stepped", by_ms)):
            one = Line(tmp_path / f"{name}.db")
            one.run(20)
            one.run(3, 24.0)
            one.step(step_ms)
            one.run(5, 24.0)
            one.pipeline.end()
            [low] = [t for t in one.told if t.alarm == "water.low"]
            raised_ms.append(low.moment.mono_ms)
        assert raised_ms[0] == raised_ms[1]

    def test_keep_every_reading_in_its_order(self, line: Callable[..., Line], path: Path) -> None:
        one = line()
        one.run(10)
        one.step(-HOUR)
        one.run(10)
        one.pipeline.end()
        rows = sorted(kept(path), key=lambda row: row.moment.mono_ms)
        assert len(rows) == 40
        epochs = [row.moment.epoch for row in rows]
        assert epochs == sorted(epochs)
        assert len(set(epochs)) == 2
        assert rows[-1].moment.utc_ms - rows[0].moment.utc_ms == 39 * 30_000 - HOUR

    @pytest.mark.parametrize(("by_ms", "told"), [(119_000, False), (121_000, True)])
    def test_are_told_from_two_minutes_on(
        self, line: Callable[..., Line], by_ms: int, told: bool
    ) -> None:
        one = line()
        one.run(1)
        one.step(by_ms)
        one.run(1)
        assert (("clock.stepped", "raise") in one.events()) is told

    def test_are_told_for_a_while_and_then_no_more(self, line: Callable[..., Line]) -> None:
        one = line()
        one.run(1)
        one.step(HOUR)
        one.run(1)
        at_ms = one.told[-1].moment.mono_ms
        one.run(STEP_TOLD_FOR_MS // MINUTE + 1)
        assert one.events() == [("clock.stepped", "raise"), ("clock.stepped", "clear")]
        assert one.told[-1].moment.mono_ms - at_ms >= STEP_TOLD_FOR_MS

    def test_say_how_far_and_which_way(self, line: Callable[..., Line]) -> None:
        for by_ms, words in ((YEARS_10, "10 years forward"), (-3 * HOUR, "3 h back")):
            one = line(boot=words)
            one.run(1)
            one.step(by_ms)
            one.run(1)
            assert words in what(one.told[-1])
            one.pipeline.end()

    def test_of_ntp_slewing_begin_no_epoch(self, line: Callable[..., Line], path: Path) -> None:
        one = line()
        for _ in range(20):
            one.step(20)  # 20 ms a minute, and less than half a second in all
            one.run(1)
        one.pipeline.end()
        assert len({row.moment.epoch for row in kept(path)}) == 1


class TestTrust:
    def test_a_boot_in_1970_is_put_right_when_the_clock_is_set(
        self, line: Callable[..., Line], path: Path
    ) -> None:
        one = line(wall_ms=86_400_000, trusted=False)
        one.run(10)
        one.step(NOON - 86_400_000)
        one.trusted = True
        one.run(10)
        one.pipeline.end()
        rows = kept(path)
        assert rows[0].moment.utc_ms == NOON + 5000
        gaps = {b.moment.utc_ms - a.moment.utc_ms for a, b in pairwise(rows)}
        assert gaps == {30_000}
        assert one.events() == [], "a clock that was never right has not been stepped"

    def test_alarms_of_the_untrusted_time_are_put_right_too(
        self, line: Callable[..., Line], path: Path
    ) -> None:
        one = line(wall_ms=86_400_000, trusted=False)
        one.run(10, 24.0)
        one.step(NOON - 86_400_000)
        one.trusted = True
        one.run(1, 24.0)
        one.pipeline.end()
        with StoreReader.open(path) as reader:
            [low] = reader.transitions()
        assert NOON < low.moment.utc_ms < NOON + 10 * MINUTE

    def test_epochs_of_another_boot_stay_as_they_are(
        self, line: Callable[..., Line], path: Path
    ) -> None:
        one = line(boot="boot-1", wall_ms=86_400_000, trusted=False)
        one.run(2)
        one.pipeline.end()
        two = line(boot="boot-2", wall_ms=NOON, trusted=True)
        two.run(2)
        two.pipeline.end()
        years = sorted({row.moment.utc_ms // (365 * 24 * HOUR) for row in kept(path)})
        assert years == [0, 56]

    def test_a_restart_within_the_boot_finds_it_trusted(
        self, line: Callable[..., Line], path: Path
    ) -> None:
        one = line(wall_ms=86_400_000, trusted=False)
        one.run(2)
        one.pipeline.end()
        two = line(wall_ms=NOON, trusted=True)  # the same boot; both clocks start at 1 000 s here
        two.run(2)
        two.pipeline.end()
        assert all(row.moment.utc_ms >= NOON for row in kept(path))

    def test_a_time_server_that_goes_away_changes_nothing(self, line: Callable[..., Line]) -> None:
        one = line()
        one.trusted = False
        assert one.pipeline.look_at_clock(one.mono_ms, one.wall_ms, one.trusted) is Change.NONE


class TestRestart:
    def test_an_alarm_that_stands_is_not_raised_again(self, line: Callable[..., Line]) -> None:
        one = line()
        one.run(10, 24.0)
        one.pipeline.end()
        two = line(boot="boot-2", wall_ms=NOON + 11 * MINUTE)
        two.run(20, 24.0)
        assert two.events() == []

    def test_an_alarm_that_stood_can_be_over_afterwards(self, line: Callable[..., Line]) -> None:
        one = line()
        one.run(10, 24.0)
        one.pipeline.end()
        two = line(boot="boot-2", wall_ms=NOON + 11 * MINUTE)
        two.run(20)
        assert two.events() == [("water.low", "clear")]

    @pytest.mark.parametrize("wall_ms", [86_400_000, NOON + YEARS_10])
    def test_a_clock_that_is_wrong_after_it_changes_nothing(
        self, line: Callable[..., Line], wall_ms: int
    ) -> None:
        one = line()
        one.run(10, 24.0)
        one.pipeline.end()
        two = line(boot="boot-2", wall_ms=wall_ms, trusted=False)
        two.run(20, 24.0)
        assert two.events() == []

    def test_a_step_that_was_being_told_is_over(self, line: Callable[..., Line]) -> None:
        one = line()
        one.run(1)
        one.step(HOUR)
        one.run(1)
        one.pipeline.end()
        two = line(boot="boot-2", wall_ms=NOON + 2 * HOUR)
        assert two.events() == [("clock.stepped", "clear")]


class Card:
    """A memory card that can turn read-only: each of the writer's connections, those that it opens
    while it tries again included, then answers SQLITE_READONLY."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._takes = True
        self._connections: list[sqlite3.Connection] = []

        def connect(path: Path, *, durable: bool = True) -> sqlite3.Connection:
            db = connect_writer(path, durable=durable)
            self._connections.append(db)
            self._tell(db)
            return db

        monkeypatch.setattr(store_file, "connect_writer", connect)

    def takes_writes(self, takes: bool) -> None:
        self._takes = takes
        for db in self._connections:
            with suppress(sqlite3.ProgrammingError):  # closed meanwhile
                self._tell(db)

    def _tell(self, db: sqlite3.Connection) -> None:
        db.execute(f"PRAGMA query_only = {'OFF' if self._takes else 'ON'}")


@pytest.fixture
def card(monkeypatch: pytest.MonkeyPatch) -> Card:
    return Card(monkeypatch)


class TestDiskTrouble:
    def test_is_an_alarm_while_watching_goes_on(
        self, card: Card, line: Callable[..., Line]
    ) -> None:
        one = line()
        one.run(1)
        card.takes_writes(False)
        one.run(10)
        assert one.events() == [("store.failing", "raise")]
        one.run(10, 24.0)
        assert one.events()[-1] == ("water.low", "raise"), "water is watched without a disk"

    def test_ends_by_itself_and_nothing_is_lost(
        self, card: Card, line: Callable[..., Line], path: Path
    ) -> None:
        one = line()
        one.run(1)
        card.takes_writes(False)
        one.run(60)
        card.takes_writes(True)
        one.run(10)
        assert one.events() == [("store.failing", "raise"), ("store.failing", "clear")]
        one.pipeline.end()
        assert len(kept(path)) == 71 * 2
        with StoreReader.open(path) as reader:
            assert [t.event for t in reader.transitions()] == ["raise", "clear"]


class Guess:
    """An observer that finds something on each reading above 26 °C and publishes every hour."""

    name = "guess"

    def __init__(self) -> None:
        self.ticks = 0

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        return []

    def state(self) -> str:
        return ""

    def restore(self, state: str) -> None: ...

    def see(self, reading: Reading) -> Iterable[Finding]:
        hot = reading.value is not None and reading.value > 26
        yield Finding("heater.on", hot, Priority.MEDIUM, Message("The heater does not stop."))

    def tick(self, now: Moment) -> Iterable[Finding]:
        self.ticks += 1
        return ()

    def estimates(self, now: Moment) -> Iterable[Published]:
        if self.ticks % 720 == 0:
            yield Published("loss", now.utc_ms, "W", 30.0, 25.0, 35.0, "test")


class TestObservers:
    def test_their_findings_are_alarms_and_their_estimates_are_kept(
        self, line: Callable[..., Line], path: Path
    ) -> None:
        one = line(observers=[Guess()])
        one.run(60, 25.3)
        assert one.events() == []
        one.run(1, 26.5)
        one.run(1, 25.3)
        assert one.events() == [("heater.on", "raise"), ("heater.on", "clear")]
        one.pipeline.end()
        with StoreReader.open(path) as reader:
            assert [estimate.name for estimate in reader.estimates()] == ["loss"]


class TestEvents:
    def test_a_source_that_is_down_says_what_its_driver_said(
        self, line: Callable[..., Line]
    ) -> None:
        one = line()
        down = SourceState("probes", up=False, what="No 1-Wire bus.", do="Add the overlay.")
        one.pipeline.source_changed(down, one.mono_ms)
        assert one.events() == [("source.probes.down", "raise")]
        assert str(said(one.told[0])) == (
            "Sensors of probes can't be read. Add the overlay. No 1-Wire bus."
        )
        one.pipeline.source_changed(SourceState("probes", up=True), one.mono_ms + 1)
        assert one.events()[-1] == ("source.probes.down", "clear")

    def test_a_sink_that_is_away_says_that_nothing_is_lost(self, line: Callable[..., Line]) -> None:
        one = line()
        one.pipeline.sink_changed("broker", True, "Nothing listens.", one.mono_ms)
        assert "Nothing is lost" in str(said(one.told[0]))

    def test_a_test_notice_is_kept_under_the_key_that_was_asked(
        self, line: Callable[..., Line], path: Path
    ) -> None:
        one = line()
        asked = Request(Command.TEST_NOTICE, text="check-1")
        assert one.pipeline.request(asked, one.mono_ms).done
        one.pipeline.end()
        with StoreReader.open(path) as reader:
            [notice] = reader.notices()
        assert (notice.key, notice.kind) == ("check-1", "drill")

    def test_an_announcement_is_kept_with_its_tick_in_the_box(
        self, line: Callable[..., Line], path: Path
    ) -> None:
        one = line()
        notice = Notice(
            "review-x", "review", "review", Priority.LOW, Moment(0, NOON), Prose("T", "t")
        )
        for _ in range(2):
            one.pipeline.announce(notice, "review", "2026-01-15")
        one.pipeline.end()
        with StoreReader.open(path) as reader:
            assert [job for job, _ in reader.done()] == ["review"]
            assert len(reader.notices()) == 1

    def test_the_alarm_is_told_only_after_it_is_kept(
        self, line: Callable[..., Line], path: Path
    ) -> None:
        one = line()
        seen: list[State] = []

        def look(transition: Transition) -> None:
            with StoreReader.open(path) as reader:
                seen.extend(t.after for t in reader.alarms() if t.alarm == transition.alarm)

        one.pipeline._told = look
        one.run(10, 24.0)
        assert seen == [State.UNACKNOWLEDGED]
