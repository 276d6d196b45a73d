"""What is being counted when a run ends goes on in the next, on a real store: the daemon is killed,
again and again, and what it had not written is gone."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from examples import examples
from stillwell.acquire.source import Batch, SourceState
from stillwell.alarm.plan import Agreement, Band, ChannelWatch, Discrepancy, WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.entry import Entry
from stillwell.finding import Finding
from stillwell.notice import Message, Priority, Transition
from stillwell.observe.observing import Observer
from stillwell.pipeline import Pipeline
from stillwell.ports import Published
from stillwell.quality.judge import Judge
from stillwell.quality.limits import default_limits
from stillwell.reading import Failure, Moment, Quantity, Reading, Sample
from stillwell.run.run_up import KEY
from stillwell.store import Store

NOON = 1_768_478_400_000  # 2026-01-15T12:00:00Z
EVERY_S = 30
DOWN_S = 10
MIN = 60

CHANNELS = (
    ChannelWatch("water-a", "probes", Quantity.TEMPERATURE, gap_s=720.0, label=""),
    ChannelWatch("water-b", "probes", Quantity.TEMPERATURE, gap_s=720.0, label=""),
    ChannelWatch("room", "air", Quantity.TEMPERATURE, gap_s=720.0, label=""),
    ChannelWatch("float", "floats", Quantity.FLOAT, gap_s=720.0, label=""),
)
WATER = Band("water", ("water-a",), 24.8, 25.8, 25.3, 0.1, 600, 600, Priority.HIGH)
PLAN = WatchPlan(
    channels=CHANNELS,
    bands=(WATER,),
    discrepancies=(Discrepancy("top-up", "float", False, 1800, 600, Priority.MEDIUM),),
    agreements=(Agreement("probes", ("water-a", "water-b"), 0.5, 2700.0),),
    zone="Europe/Dublin",
)
WIDE = replace(PLAN, bands=(replace(WATER, low=10.0, high=40.0, rate_per_h=2.0),))

Trace = Callable[[int], Sequence[Sample]]


class Tank:
    """One tank's daemon, run after run. Seconds count from noon and go on while nobody runs."""

    def __init__(
        self,
        folder: Path,
        plan: WatchPlan = PLAN,
        *,
        bulk: bool = False,
        counted: bool = False,
        observers: Callable[[], Sequence[Observer]] = tuple,
    ) -> None:
        self.told: list[tuple[int, Transition]] = []
        self.now_s = 0
        self._plan = plan
        self._bulk = bulk
        self._observers = observers
        self._counted = counted
        self._runs = 0
        self._folder = folder
        self._booted_s = 0
        self._boots = 1
        self._trusted = True
        self.line = self._begin()

    @property
    def mono_ms(self) -> int:
        return (self.now_s - self._booted_s) * 1000 + 20_000

    @property
    def wall_ms(self) -> int:
        # A clock that was never set starts where it always does.
        return NOON + self.now_s * 1000 if self._trusted else 86_400_000 + self.mono_ms

    @property
    def path(self) -> Path:
        return self._folder / f"tank-{self._runs}.db"

    def kill(self, *, boots: bool = False, trusted: bool = True, down_s: int = DOWN_S) -> None:
        """SIGKILL, or a power cut: what is on disk goes on in another run."""
        left, store = self.path, self.line.store
        self._runs += 1
        for name in (str(left), f"{left}-wal"):
            if Path(name).exists():
                shutil.copy(name, name.replace(left.name, self.path.name))
        store.disk.file.detach()
        store.tail.close()
        store.disk.file.release()
        self._again(boots, trusted, down_s)

    def restart(self, down_s: int = DOWN_S) -> None:
        """In good order."""
        self.line.end(in_order=True)
        self._again(False, self._trusted, down_s)

    def _again(self, boots: bool, trusted: bool, down_s: int) -> None:
        self.now_s += down_s
        if boots:
            self._booted_s = self.now_s
            self._boots += 1
        self._trusted = trusted
        self.line = self._begin()

    def _begin(self) -> Pipeline:
        limits = {channel.name: default_limits(channel.quantity) for channel in self._plan.channels}
        limits["room"] = replace(limits["room"], flat_for_s=2400.0)
        line = Pipeline(
            Store.open(self.path, bulk=self._bulk),
            Watch(self._plan),
            {name: Judge(found) for name, found in limits.items()},
            observers=self._observers(),
            told=lambda transition: self.told.append((self.now_s, transition)),
        )
        line.begin(
            f"boot-{self._boots}", self.mono_ms, self.wall_ms, self._trusted, counted=self._counted
        )
        return line

    def take(self, samples: Sequence[Sample]) -> None:
        if samples:
            self.line.take(Batch("probes", self.mono_ms, tuple(samples)))

    def live(self, trace: Trace, until_s: int) -> None:
        """Readings each half minute, a tick each ten seconds."""
        while self.now_s < until_s:
            if self.now_s % EVERY_S == 0:
                self.take(trace(self.now_s))
            self.line.tick(self.mono_ms)
            self.now_s += 10

    def first(self, alarm: str, event: str) -> tuple[int, Transition]:
        found = [(s, t) for s, t in self.told if (t.alarm, t.event) == (alarm, event)]
        assert found, f"{alarm} {event}: never; {[(s, t.alarm, t.event) for s, t in self.told]}"
        return found[0]


def noisy(value: float, s: int) -> float:
    """What a probe reads: two steps of it, so that it is not stuck."""
    return value + 0.0625 * (s // EVERY_S % 2)


def reads(s: int, **values: float | None) -> list[Sample]:
    """All channels, in order but for what is said; None: nothing comes."""
    usual = {"water-a": 25.3, "water-b": 25.3, "room": 20.0}
    said = {name.replace("_", "-"): value for name, value in values.items()}
    found = {**usual, "float": 1.0, **said}
    return [
        Sample(name, value if name == "float" else noisy(value, s))
        for name, value in found.items()
        if value is not None
    ]


@dataclass(frozen=True)
class Case:
    """One kind of rule, and what makes it speak."""

    alarm: str
    trace: Trace
    event: str = "raise"
    plan: WatchPlan = PLAN
    until_s: int = 40 * MIN


def _stuck(s: int) -> list[Sample]:
    return [one for one in reads(s) if one.channel != "room"] + [Sample("room", 20.0)]


def _crc(s: int) -> list[Sample]:
    return [*reads(s, water_a=None), Sample("water-a", None, Failure.CRC, "crc")]


CASES = {
    "low for its delay": Case("water.low", lambda s: reads(s, water_a=18.0)),
    "back for its delay": Case(
        "water.high",
        lambda s: reads(s, water_a=27.0 if s < 20 * MIN else 25.3),
        "clear",
    ),
    "a rate": Case("water.rate", lambda s: reads(s, water_a=25.3 - 3.0 * s / 3600), plan=WIDE),
    "silent": Case("water-a.silent", lambda s: reads(s, water_a=None)),
    "faulty": Case("water-a.fault", _crc),
    "unseen": Case("water.unseen", lambda s: reads(s, water_a=None)),
    "stuck": Case("room.stuck", _stuck, until_s=80 * MIN),
    "apart": Case("probes.apart", lambda s: reads(s, water_b=24.5), until_s=100 * MIN),
    "in the wrong state": Case("top-up", lambda s: reads(s, float=0.0), until_s=60 * MIN),
}


def unbroken(folder: Path, case: Case) -> tuple[int, Transition]:
    tank = Tank(folder, case.plan)
    tank.live(case.trace, case.until_s)
    return tank.first(case.alarm, case.event)


class TestKilledEveryFiveMinutes:
    @pytest.mark.parametrize("boots", [False, True], ids=["the daemon", "the machine"])
    @pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
    def test_every_rule_speaks_in_time(self, tmp_path: Path, case: Case, boots: bool) -> None:
        (tmp_path / "whole").mkdir()
        at_s, wanted = unbroken(tmp_path / "whole", case)
        tank = Tank(tmp_path, case.plan)
        for kill_s in range(5 * MIN, case.until_s + 10 * MIN, 5 * MIN):
            tank.live(case.trace, kill_s)
            tank.kill(boots=boots)
        found_s, found = tank.first(case.alarm, case.event)
        # A reading that was lost, or came while nobody ran, is seen at the next one; the time that
        # nobody listened is no silence of a probe, and stretches are as long as ever.
        assert found_s <= at_s + 6 * MIN, found_s - at_s
        assert abs(found.since.utc_ms - wanted.since.utc_ms) <= 6 * MIN * 1000
        raised = [t.alarm for _, t in tank.told if t.event == "raise"]
        assert len(raised) == len(set(raised)), "one trouble is one alarm"

    @pytest.mark.parametrize("name", ["low for its delay", "silent", "in the wrong state"])
    def test_also_where_no_clock_was_ever_set(self, tmp_path: Path, name: str) -> None:
        case = CASES[name]
        (tmp_path / "whole").mkdir()
        at_s, _ = unbroken(tmp_path / "whole", case)
        tank = Tank(tmp_path, case.plan)
        kills = 0
        while not tank.told and tank.now_s < 2 * case.until_s:
            tank.live(case.trace, tank.now_s + 5 * MIN)
            tank.kill(boots=True, trusted=False)
            kills += 1
        found_s, _ = tank.first(case.alarm, case.event)
        assert found_s <= at_s + MIN * kills, "what nobody could count is a minute a kill"

    def test_what_was_hidden_speaks_when_its_cause_is_over(self, tmp_path: Path) -> None:
        tank = Tank(tmp_path)
        dead: Trace = lambda s: reads(s, water_a=None)  # noqa: E731
        tank.line.source_changed(SourceState("probes", up=False, what="No probe."), tank.mono_ms)
        tank.live(dead, 15 * MIN)
        tank.line.source_changed(SourceState("probes", up=True), tank.mono_ms)
        for kill_s in range(20 * MIN, 60 * MIN, 5 * MIN):
            tank.live(dead, kill_s)
            tank.kill()
        at_s, _ = tank.first("water-a.silent", "unsuppress")
        assert at_s <= 15 * MIN + 2 * 720 + 2 * MIN


class TestRunsThatEndBeforeTheFirstCommit:
    def test_count_all_the_same_once_there_are_several(self, tmp_path: Path) -> None:
        tank = Tank(tmp_path, counted=True)
        low: Trace = lambda s: reads(s, water_a=18.0)  # noqa: E731
        while tank.now_s < 15 * MIN:
            tank.live(low, tank.now_s + 20)
            tank.kill()
        at_s, _ = tank.first("water.low", "raise")
        assert at_s <= 12 * MIN
        tank.first("daemon.restarting", "raise")


class Patient:
    """An observer of the test's own, which speaks after thirty readings."""

    name = "patient"

    def __init__(self) -> None:
        self.seen: list[int] = []

    def see(self, reading: Reading) -> Iterable[Finding]:
        if reading.channel == "room":
            self.seen.append(reading.moment.utc_ms)
        return ()

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        return ()

    def tick(self, now: Moment) -> Iterable[Finding]:
        return (Finding("level.patient", len(self.seen) >= 30, Priority.LOW, Message("Enough.")),)

    def estimates(self, now: Moment) -> Iterable[Published]:
        return ()

    def state(self) -> str:
        return json.dumps(self.seen)

    def restore(self, state: str) -> None:
        self.seen = json.loads(state)


class TestAnObserver:
    def test_that_was_never_saved_in_half_an_hour_goes_on_all_the_same(
        self, tmp_path: Path
    ) -> None:
        made: list[Patient] = []

        def fresh() -> list[Observer]:
            made.append(Patient())
            return [made[-1]]

        tank = Tank(tmp_path, observers=fresh)
        for kill_s in range(5 * MIN, 25 * MIN, 5 * MIN):
            tank.live(reads, kill_s)
            tank.kill()
        at_s, _ = tank.first("level.patient", "raise")
        assert at_s <= 20 * MIN
        assert len(made[-1].seen) == len(set(made[-1].seen)), "nothing is seen twice"


class TestARestart:
    def test_while_nobody_listens_makes_no_probe_silent(self, tmp_path: Path) -> None:
        tank = Tank(tmp_path)
        for kill_s in (5 * MIN, 60 * MIN, 120 * MIN):
            tank.live(reads, kill_s)
            tank.kill(down_s=50 * MIN)
        tank.live(reads, tank.now_s + 30 * MIN)
        assert tank.told == []

    def test_long_after_the_last_reading_counts_no_more_than_a_gap(self, tmp_path: Path) -> None:
        tank = Tank(tmp_path)
        low: Trace = lambda s: reads(s, water_a=18.0)  # noqa: E731
        tank.live(low, 2 * MIN)
        tank.kill(down_s=8 * 3600)
        tank.live(low, tank.now_s + MIN)
        assert [t.alarm for _, t in tank.told] == ["water.low"], "a gap is 12 min, the delay 10"

    def test_says_with_the_next_reading_what_was_due_and_not_written_down(
        self, tmp_path: Path
    ) -> None:
        """The kill came between two alarms of one moment: what was counted was kept with the
        first."""
        tank = Tank(tmp_path)
        low: Trace = lambda s: reads(s, water_a=18.0)  # noqa: E731
        tank.live(low, 9 * MIN + 50)
        tank.line.store.put_transition = lambda *_: None  # type: ignore[method-assign]
        tank.live(low, 10 * MIN + 10)
        tank.line.store.commit()
        tank.kill()
        tank.told.clear()
        tank.live(low, tank.now_s + 40)
        assert [(t.alarm, t.event) for _, t in tank.told] == [("water.low", "raise")]

    def test_says_what_has_come_due_at_once_and_once(self, tmp_path: Path) -> None:
        """The last readings were kept and never judged: the kill came in between."""
        tank = Tank(tmp_path)
        low: Trace = lambda s: reads(s, water_a=18.0)  # noqa: E731
        tank.live(low, 8 * MIN)
        watched = tank.line.watch
        tank.line.watch = Watch(PLAN)
        tank.live(low, 11 * MIN)
        assert tank.told == []
        tank.line.watch = watched
        tank.line.store.commit()
        tank.kill()
        assert [(t.alarm, t.event) for _, t in tank.told] == [("water.low", "raise")]
        assert tank.told[0][1].since.utc_ms == NOON
        tank.live(low, 30 * MIN)
        assert len(tank.told) == 1

    def test_in_good_order_goes_on_as_well(self, tmp_path: Path) -> None:
        tank = Tank(tmp_path)
        low: Trace = lambda s: reads(s, water_a=18.0)  # noqa: E731
        for at_s in (5 * MIN, 9 * MIN):
            tank.live(low, at_s)
            tank.restart()
        tank.live(low, 12 * MIN)
        at_s, low_ = tank.first("water.low", "raise")
        assert at_s <= 11 * MIN
        assert low_.since.utc_ms == NOON

    @pytest.mark.parametrize("kept", ["", "{", "[]", "{}", '{"at": [1, 2, 3]}'])
    def test_begins_anew_where_what_was_kept_is_nonsense(self, tmp_path: Path, kept: str) -> None:
        tank = Tank(tmp_path)
        tank.live(reads, MIN)
        tank.line.store.describe(KEY, kept)
        tank.line.store.commit()
        tank.kill()
        tank.live(lambda s: reads(s, water_a=18.0), tank.now_s + 15 * MIN)
        assert [t.alarm for _, t in tank.told] == ["water.low"]

    def test_of_a_command_that_only_asks_loses_nothing(self, tmp_path: Path) -> None:
        """`stillwell ack` without a daemon has a pipeline of its own, which measures nothing."""
        tank = Tank(tmp_path)
        low: Trace = lambda s: reads(s, water_a=18.0)  # noqa: E731
        tank.live(low, 8 * MIN)
        tank.line.end()
        asked = Store.open(tank.path)
        Pipeline(asked, Watch(PLAN), {}).begin("boot-1", tank.mono_ms, tank.wall_ms, True)
        asked.close()
        tank.line = tank._begin()
        tank.live(low, 11 * MIN)
        assert [t.alarm for _, t in tank.told] == ["water.low"]


VALUES = st.sampled_from([18.0, 24.75, 24.85, 25.0, 25.3, 25.9, 27.0, None])
STEP = st.tuples(
    VALUES, VALUES, st.sampled_from([0.0, 0.5, 1.0, None]), st.integers(1, 12), st.booleans()
)
QUICK = replace(
    PLAN,
    channels=tuple(replace(c, gap_s=150.0) for c in CHANNELS),
    bands=(
        replace(WATER, channels=("water-a", "water-b"), on_delay_s=120, off_delay_s=90),
        replace(WATER, name="one", low=24.0, high=26.5, on_delay_s=240, rate_per_h=3.0),
    ),
    discrepancies=(replace(PLAN.discrepancies[0], on_delay_s=180, off_delay_s=60),),
    agreements=(replace(PLAN.agreements[0], delay_s=600.0),),
)


HIDDEN_BY_SILENCE: list[tuple[float | None, float | None, float | None, int, bool]] = [
    (18.0, 18.0, 0.0, 8, False),
    (18.0, 24.75, 0.0, 11, False),
    (18.0, 18.0, 0.0, 3, False),
    (None, 18.0, 0.0, 4, False),
    (18.0, 18.0, 0.0, 8, False),
    (18.0, 18.0, 0.0, 1, True),
]
"""Probes that part while one of them is silent: the silence is over, and two minutes later the
parting is told, though the daemon was killed in between."""


class TestAnyStory:
    @examples(40)
    @given(st.lists(STEP, max_size=20), st.booleans())
    @example(HIDDEN_BY_SILENCE, False)
    def test_is_told_as_without_restarts(
        self, steps: list[tuple[float | None, float | None, float | None, int, bool]], boots: bool
    ) -> None:
        """Whatever the readings and whenever the daemon is killed after one that is on disk, the
        same alarms move at the same times."""
        moved = []
        for broken in (False, True):
            with TemporaryDirectory() as folder:
                tank = Tank(Path(folder), QUICK, bulk=True)
                for a, b, shut, times, kill in steps:
                    killed = kill
                    for _ in range(times):
                        tank.take(reads(tank.now_s, water_a=a, water_b=b, float=shut))
                        tank.line.tick(tank.mono_ms)
                        if killed and broken:
                            tank.line.store.commit()
                            tank.kill(boots=boots, down_s=0)
                            killed = False
                        for _ in range(3):
                            tank.now_s += 10
                            tank.line.tick(tank.mono_ms)
                tank.line.end()
                moved.append(
                    [(s, t.alarm, t.event, str(t.after), t.since.utc_ms) for s, t in tank.told]
                )
        assert moved[0] == moved[1]
