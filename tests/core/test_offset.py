"""A channel's offset: added before anything is judged, kept beside the sensor's own word, and no
alarm when it is changed."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quiet_observer import QuietObserver
from stillwell.acquire.source import Batch
from stillwell.alarm.plan import Agreement, ChannelWatch, WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.estimate.level.geometry import GaugeSpec, Geometry
from stillwell.finding import Finding
from stillwell.keeper.held_beside import proposed
from stillwell.notice import Transition
from stillwell.observe.chamber.gauge_watch import GaugePlan, GaugeWatch
from stillwell.observe.chamber.plan import GaugeChannel, LevelPlan
from stillwell.observe.chamber.watch import LevelWatch
from stillwell.pipeline import Pipeline
from stillwell.ports import Stream
from stillwell.quality.judge import Judge
from stillwell.quality.limits import default_limits
from stillwell.reading import Failure, Flag, Moment, Quantity, Reading, Sample
from stillwell.store import Store, StoreReader

NOON = 1_768_478_400_000  # 2026-01-15T12:00:00Z
LIMITS = default_limits(Quantity.TEMPERATURE)
MINUTE = 60_000


def at(ms: int) -> Moment:
    return Moment(ms, NOON + ms, 1)


class TestJudge:
    def test_adds_it_and_keeps_what_the_sensor_said(self) -> None:
        read = Judge(LIMITS, 0.22).judge(Sample("water-a", 25.0625), at(0))
        assert read == Reading("water-a", at(0), 25.2825, Flag.PASS, measured=25.0625)

    def test_without_one_keeps_nothing_twice(self) -> None:
        assert Judge(LIMITS).judge(Sample("water-a", 25.0), at(0)).measured is None

    def test_judges_what_it_has_put_right(self) -> None:
        level = default_limits(Quantity.LEVEL)
        _, high = level.fail
        read = Judge(level, -10.0).judge(Sample("level", high + 5), at(0))
        assert read.flag is not Flag.FAIL
        read = Judge(level, 10.0).judge(Sample("level", high - 5), at(0))
        assert (read.flag, read.value, read.measured) == (Flag.FAIL, high + 5, high - 5)

    def test_knows_a_probe_that_was_just_switched_on_by_its_own_word(self) -> None:
        judge = Judge(LIMITS, 0.22)
        judge.judge(Sample("water-a", 25.0), at(0))
        read = judge.judge(Sample("water-a", 85.0), at(30_000))
        assert (read.flag, read.tests.split(",")[0]) == (Flag.FAIL, "power-on")

    def test_puts_a_failure_with_a_value_right_too(self) -> None:
        read = Judge(LIMITS, 0.22).judge(Sample("water-a", 25.0, Failure.CRC), at(0))
        assert (read.flag, read.value, read.measured) == (Flag.FAIL, 25.22, 25.0)

    @pytest.mark.parametrize("value", [None, float("nan"), float("inf")])
    def test_makes_no_value_of_none(self, value: float | None) -> None:
        read = Judge(LIMITS, 0.22).judge(Sample("water-a", value), at(0))
        assert (read.value, read.measured) == (None, None)

    @given(st.floats(-5, 5), st.floats(-5, 5))
    def test_of_before_is_no_rate_after_a_change(self, before: float, after: float) -> None:
        first, second = Judge(LIMITS, before), Judge(LIMITS, after)
        for k in range(5):
            first.judge(Sample("water-a", 25.0 + k % 2 / 16), at(30_000 * k))
        second.revive(json.loads(json.dumps(first.kept())), 0)
        read = second.judge(Sample("water-a", 25.0), at(150_000))
        assert read.flag is Flag.PASS

    def test_a_reading_of_before_is_remembered_on_the_one_of_now(self) -> None:
        old = Judge(LIMITS, 1.0).judge(Sample("water-a", 25.0), at(0))
        judge = Judge(LIMITS, -1.0)
        judge.again(old)
        assert judge.judge(Sample("water-a", 25.0), at(30_000)).flag is Flag.PASS
        assert old.on(-1.0) == Reading("water-a", at(0), 24.0, Flag.PASS, measured=25.0)
        assert old.on(0.0) == Reading("water-a", at(0), 25.0, Flag.PASS)


class Listens(QuietObserver):
    """An observer of the test's own: it tells what it has been told."""

    def __init__(self) -> None:
        self.heard: list[float] = []
        self.by: dict[str, float] = {}

    def see(self, reading: Reading) -> Iterable[Finding]:
        if reading.channel == "water-a" and reading.value is not None:
            self.heard.append(reading.value)
        return ()

    def moved(self, by: Mapping[str, float]) -> None:
        self.by = dict(by)


PLAN = WatchPlan(
    channels=tuple(
        ChannelWatch(name, "probes", Quantity.TEMPERATURE, gap_s=720.0, label="")
        for name in ("water-a", "water-b")
    ),
    agreements=(Agreement("probes", ("water-a", "water-b"), 0.5, 900.0),),
)


class Run:
    """One run of a daemon, with an offset on water-a."""

    def __init__(self, path: Path, begin_ms: int, offset: float) -> None:
        self.told: list[Transition] = []
        self.ear = Listens()
        judges = {"water-a": Judge(LIMITS, offset), "water-b": Judge(LIMITS)}
        self.line = Pipeline(
            Store.open(path), Watch(PLAN), judges, observers=[self.ear], told=self.told.append
        )
        self.line.begin("boot", begin_ms, NOON + begin_ms, True)
        self.now_ms = begin_ms

    def live(self, minutes: int, a: float, b: float) -> None:
        end_ms = self.now_ms + minutes * MINUTE
        while self.now_ms < end_ms:
            self.now_ms += 30_000
            by = 0.0625 * (self.now_ms // 30_000 % 2)
            samples = (Sample("water-a", a + by), Sample("water-b", b + by))
            self.line.take(Batch("probes", self.now_ms, samples))
            self.line.tick(self.now_ms)


class TestRestart:
    def test_with_another_one_moves_what_was_learned_and_rings_nothing(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "tank.db"
        one = Run(path, 0, 0.0)
        one.live(60, 24.7, 25.3)  # apart by more than they may be
        assert [t.event for t in one.told if t.alarm.startswith("probes")] == ["raise"]
        one.line.end(in_order=True)
        two = Run(path, one.now_ms + 10_000, 0.6)
        assert two.ear.by == {"water-a": 0.6}
        company = two.line.watch._rules.agreements[0].company
        assert abs(company.latest["water-a"].value - company.latest["water-b"].value) < 0.01
        two.live(60, 24.7, 25.3)
        assert [t.event for t in two.told] == ["clear"]
        with StoreReader.open(path) as reader:
            two.line.store.commit()
            last = reader.latest_readings()[0]
        assert last.value == pytest.approx((last.measured or 0.0) + 0.6)
        two.line.end(in_order=True)

    def test_readings_since_the_last_save_are_heard_on_it(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        one = Run(path, 0, 0.0)
        one.live(2, 24.7, 25.3)
        one.line.store.close()  # without a word of what was learned since its start
        two = Run(path, one.now_ms + 10_000, 0.6)
        assert set(two.ear.heard) == {25.3, 25.3625}
        rows = two.line.store.tail.rows(Stream.READINGS, 0, 1)
        assert [r.body.value for r in rows if isinstance(r.body, Reading)] == [24.7625]
        two.line.end(in_order=True)


class TestLearned:
    def test_a_gauge_is_learned_anew_and_nothing_else_is(self) -> None:
        gauge = GaugeWatch(GaugePlan("level"))
        datum = gauge.datum
        gauge.moved({"water-a": 0.3})
        assert gauge.datum is datum
        gauge.moved({"level": 3.0})
        assert gauge.datum is not datum
        plan = LevelPlan(Geometry(16_200.0), gauge=GaugeChannel("level", GaugeSpec(1.0)))
        level = LevelWatch(plan)
        level.see(Reading("level", at(0), -3.0, Flag.PASS))
        level.moved({"water-a": 0.3})
        assert level.level is not None
        level.moved({"level": 3.0})
        assert level.level is None


class TestProposal:
    def test_is_what_makes_the_probe_agree(self) -> None:
        found = proposed("water-a", 25.4, [25.1875, 25.25, 25.1875], now_k=0.1, within_k=0.1)
        assert found.offset_k == 0.21
        assert found.reads_k == pytest.approx(-0.11)
        assert found.low_k < 0.21 < found.high_k
        # 0.1 K of the thermometer, 0.1 K of the stream, and a thirtieth that the probe strayed.
        assert found.high_k - found.low_k == pytest.approx(2 * (0.02 + 0.03125**2) ** 0.5)

    def test_says_whether_the_offset_of_now_may_be_right(self) -> None:
        assert not proposed("water-a", 25.4, [25.2]).sure
        assert proposed("water-a", 25.4, [25.2], within_k=0.1).sure
        assert not proposed("water-a", 25.4, [25.2], now_k=0.2, within_k=0.1).sure
