"""A pump that stops, by all that sees the chamber; and what looks like one and is none."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from in_turn import in_turn
from stillwell.entry import Entry
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry
from stillwell.estimate.pump import Pump
from stillwell.finding import Finding
from stillwell.observe.chamber.plan import FloatChannel, GaugeChannel, LevelPlan
from stillwell.observe.chamber.watch import LevelWatch
from stillwell.observe.facts import PUMP_STOPPED, PumpStopped
from stillwell.observe.flow import FlowPlan, FlowWatch
from stillwell.observe.known import Known
from stillwell.ports import Published
from stillwell.reading import Flag, Moment, Reading

MIN, H = 60_000, 3_600_000
DAY = 24 * H
BACK = 18.0
FLOATS = FloatSpec("float-low", -12.0), FloatSpec("float-high", 8.0)


class Chamber:
    """A chamber that loses 1.5 mm/h and is filled to the mark at 18:30; ms 0 is noon."""

    def __init__(
        self,
        seed: int = 1,
        every_ms: int = MIN,
        *,
        floats: Sequence[FloatSpec] = (),
        by_hand: bool = True,
    ) -> None:
        self.draw = random.Random(seed)
        self.every_ms, self.floats, self.by_hand = every_ms, floats, by_hand
        self.t, self.mm, self.back = 0, -8.0, BACK
        self.pump = Pump()
        self.told: list[tuple[int, bool]] = []
        self.stopped: list[tuple[int, int]] = []
        self.ended: list[tuple[int, int]] = []
        self.closed: dict[str, bool] = {}
        self.parts: tuple[int, float] | None = None
        """From when on the probes part, and by how much, K."""

    def run(self, until: int, *, fills: bool = True, noted: bool = False) -> None:
        while self.t < until:
            self.t += self.every_ms
            self.mm -= 1.5 * self.every_ms / H
            clock = (self.t + 12 * H) % DAY
            if fills and 18.5 * H <= clock < 18.5 * H + self.every_ms:
                self.mm = self.draw.gauss(0.0, 1.5)
                if noted:
                    self.pump.poured(self.t)
            up = any(a <= self.t < b for a, b in self.stopped)
            seen = self.mm + (self.back if up else 0.0) + self.draw.gauss(0.0, 1.0)
            stood = self.pump.stands
            for spec in self.floats:
                closed = self.closed.get(spec.name, False)
                self.closed[spec.name] = seen > spec.height_mm - (4.0 if closed else 0.0)
                share = float(self.closed[spec.name])
                self.pump.see_float(self.t, spec.name, share, self.floats, by_hand=self.by_hand)
            if not self.floats:
                self.pump.see_level(self.t, seen, 1.0, by_hand=self.by_hand)
            if self.parts is not None:
                gap = self.parts[1] if self.t >= self.parts[0] else 0.0
                self.pump.see_gap(self.t, 0.05 + gap + self.draw.gauss(0.0, 0.04))
            if self.pump.stands is not stood:
                self.told.append((self.t, self.pump.stands))
            if self.pump.ended is not None:
                self.ended.append(self.pump.ended)
                self.pump.ended = None

    def feeds(self, days: int, minutes: int = 10) -> None:
        """A feeding pause at 13:00 each day."""
        self.stopped += [(k * DAY + H, k * DAY + H + minutes * MIN) for k in range(days)]


class TestAStop:
    @pytest.mark.parametrize("every_ms", [MIN, 5 * MIN])
    @pytest.mark.parametrize("seed", range(5))
    def test_is_told_within_a_quarter_of_an_hour_for_its_whole_length(
        self, seed: int, every_ms: int
    ) -> None:
        chamber = Chamber(seed, every_ms)
        chamber.feeds(4, 15)
        begin = 4 * DAY + 9 * H
        chamber.stopped.append((begin, begin + 3 * DAY))
        chamber.run(8 * DAY, fills=False)
        (first, stands), (last, ended) = chamber.told
        assert (stands, ended) == (True, False)
        assert 0 < first - begin <= 15 * MIN + every_ms
        assert begin + 3 * DAY <= last <= begin + 3 * DAY + 2 * every_ms

    @pytest.mark.parametrize("by_hand", [True, False])
    @pytest.mark.parametrize("seed", range(5))
    def test_is_told_as_soon_by_two_floats_that_close_together(
        self, seed: int, by_hand: bool
    ) -> None:
        chamber = Chamber(seed, 5 * MIN, floats=FLOATS, by_hand=by_hand)
        chamber.back = 34.0
        begin, end = 4 * DAY + 2 * H, 4 * DAY + 10 * H
        chamber.run(begin - DAY)
        chamber.mm = -20.0
        chamber.stopped.append((begin, end))
        chamber.run(begin, fills=False)
        chamber.mm = -20.0
        chamber.run(end + H, fills=False)
        (first, stands), (last, ended) = chamber.told
        assert (stands, ended) == (True, False)
        assert 0 < first - begin <= 20 * MIN
        assert abs(last - end) <= 5 * MIN

    def test_is_told_though_it_lifts_the_water_by_more_than_the_pauses_have(self) -> None:
        """A pause ends before all has run back."""
        chamber = Chamber(2)
        chamber.pump.backs, chamber.pump.pauses = [9.0] * 8, [(H, 10 * MIN)] * 8
        chamber.stopped.append((3 * DAY + 9 * H, 4 * DAY))
        chamber.mm = -2.0
        chamber.run(3 * DAY + 10 * H)
        assert [stands for _, stands in chamber.told] == [True]

    def test_is_seen_by_probes_that_part_where_the_chamber_alone_looks_poured(self) -> None:
        chamber = Chamber(3)
        begin = 4 * DAY + 2 * H
        chamber.parts = begin + 20 * MIN, 0.6
        chamber.run(begin - H)
        chamber.mm = -BACK + 1.5
        chamber.run(begin, fills=False)
        chamber.stopped.append((begin, begin + 5 * H))
        chamber.run(begin + 20 * MIN, fills=False)
        assert chamber.told == []
        chamber.run(begin + 6 * H, fills=False)
        (first, _), (last, _) = chamber.told
        assert 30 * MIN <= first - begin <= 40 * MIN
        assert abs(last - begin - 5 * H) <= 3 * MIN
        assert chamber.ended[-1][0] == pytest.approx(begin, abs=3 * MIN)

    @pytest.mark.parametrize("minutes", [8, 20, 45])
    @pytest.mark.parametrize("floats", [(), FLOATS[:1]])
    def test_or_a_pause_is_handed_on_with_its_times_when_it_is_over(
        self, floats: Sequence[FloatSpec], minutes: int
    ) -> None:
        chamber = Chamber(4, floats=floats)
        begin, end = 20 * H, 20 * H + minutes * MIN
        chamber.mm = -20.0 + 1.5 * 20 if floats else -8.0
        chamber.stopped.append((begin, end))
        chamber.run(end + 10 * MIN, fills=False)
        ((first, last),) = chamber.ended
        assert first == pytest.approx(begin, abs=3 * MIN)
        assert last == pytest.approx(end, abs=3 * MIN)

    def test_teaches_how_high_the_water_comes(self) -> None:
        chamber = Chamber()
        chamber.feeds(4)
        chamber.run(4 * DAY)
        assert chamber.pump.back_mm[0] == pytest.approx(BACK, abs=0.7)
        assert not chamber.told

    def test_is_taken_back_when_the_pour_is_noted(self) -> None:
        chamber = Chamber()
        chamber.stopped.append((3 * DAY + 9 * H, 9 * DAY))
        chamber.run(3 * DAY + 10 * H)
        assert chamber.pump.stands
        chamber.pump.poured(3 * DAY + 9 * H - 10 * MIN)
        assert not chamber.pump.stands


class TestNoStop:
    @pytest.mark.parametrize("noted", [True, False])
    def test_is_a_pour_to_the_mark(self, noted: bool) -> None:
        chamber = Chamber(3, 2 * MIN)
        chamber.feeds(40)
        chamber.run(40 * DAY, noted=noted)
        assert not chamber.told

    def test_is_a_pour_to_the_mark_by_floats_below_it(self) -> None:
        chamber = Chamber(3, 5 * MIN, floats=(FloatSpec("a", -20.0), FloatSpec("b", -8.0)))
        chamber.run(40 * DAY)
        assert not chamber.told

    @pytest.mark.parametrize("seed", range(3))
    def test_is_a_pause_in_a_household_whose_pauses_differ(self, seed: int) -> None:
        chamber = Chamber(seed, 2 * MIN)
        chamber.stopped = [
            (k * DAY + H, k * DAY + H + round(chamber.draw.uniform(5, 20) * MIN)) for k in range(30)
        ]
        chamber.run(30 * DAY)
        assert not chamber.told

    def test_is_a_pause_as_long_as_all_before(self) -> None:
        chamber = Chamber(6, 5 * MIN)
        chamber.feeds(20, 20)
        chamber.run(20 * DAY)
        assert len(chamber.told) <= 2

    def test_is_a_dose_of_an_automatic_top_up(self) -> None:
        pump, draw, mm = Pump(), random.Random(5), 0.0
        for t in range(0, 5 * DAY, 2 * MIN):
            mm -= 1.5 / 30
            if mm < -3.0:
                mm += 6.0
            pump.see_level(t, mm + draw.gauss(0.0, 0.7), 0.7, by_hand=False)
            assert not pump.stands

    @pytest.mark.parametrize("minutes", [25, 50])
    def test_is_a_water_change_that_nobody_notes(self, minutes: int) -> None:
        chamber = Chamber(4)
        chamber.feeds(3)
        chamber.parts = 3 * DAY, 0.8
        chamber.run(3 * DAY)
        chamber.mm -= 60.0
        chamber.run(3 * DAY + minutes * MIN)
        assert chamber.pump.rests(chamber.t) is (minutes < 30)
        chamber.mm += 60.0
        chamber.parts = 9 * DAY, 0.0
        chamber.run(4 * DAY)
        assert not chamber.told

    def test_is_water_that_was_poured_and_evaporates_fast(self) -> None:
        for mm_per_h in (2.0, 9.0):
            pump, draw = Pump(), random.Random(1)
            for t in range(0, 12 * H, 5 * MIN):
                mm = (20.0 if t >= 5 * H else 0.0) - mm_per_h * t / H
                pump.see_level(t, mm + draw.gauss(0.0, 0.5), 0.5, by_hand=True)
                assert pump.ended is None


class Tank:
    """A chamber under the observers of pump and level, read every five minutes."""

    def __init__(self, *, floats: Sequence[FloatSpec] = ()) -> None:
        gauge = None if floats else GaugeChannel("level", GaugeSpec(1.0))
        channels = tuple(FloatChannel(spec) for spec in floats)
        geometry = Geometry(16_200.0, 0.05, -60.0, 40.0)
        name = "" if floats else "level"
        self.floats = floats
        self.level = LevelWatch(LevelPlan(geometry, channels, gauge))
        self.flow = FlowWatch(FlowPlan(name, GaugeSpec(1.0), tuple(floats)))
        self.known = Known()
        self.found: list[Finding] = []
        self.rows: list[Published] = []
        self.draw, self.mm = random.Random(2), 0.0
        self.ran, self.waits = 0, 4
        """How many looks ago the pump was started, and how many the keeper waits with a pour."""

    def step(self, t: int, up: bool) -> None:
        moment = Moment(t, t + 10 * DAY, 1)
        self.mm -= 0.5 / 12
        both = self.flow, self.level
        self.ran = 0 if up else self.ran + 1
        if self.mm < -25.0 and self.ran > self.waits:
            entry = Entry("pour", moment.utc_ms, -self.mm * 16.2, "mL", id=t)
            self.mm = 0.0
            for one in both:
                self.found += one.note(entry, None)
        seen = self.mm + (BACK if up else 0.0) + self.draw.gauss(0.0, 1.0)
        values = {spec.name: float(seen > spec.height_mm) for spec in self.floats}
        for name, value in (values or {"level": seen}).items():
            reading = Reading(name, moment, value, Flag.PASS)
            found, self.known = in_turn(both, self.known, lambda o: o.see(reading))  # noqa: B023
            self.found += found
        found, self.known = in_turn(both, self.known, lambda o: o.tick(moment))
        self.found += found
        self.rows += self.level.estimates(moment)

    @property
    def told(self) -> list[str]:
        return [f.alarm for f in self.found if f.active and f.alarm != "pump.resting"]


class TestTheWatch:
    def test_says_nothing_else_of_level_and_gauge_while_it_stands(self) -> None:
        tank = Tank()
        for t in range(0, round(5.5 * DAY), 5 * MIN):
            tank.step(t, 2.2 * DAY <= t < 4.2 * DAY or t % DAY < 10 * MIN)
        assert tank.told == [PUMP_STOPPED]
        facts = next(f.facts for f in tank.found if f.active and f.alarm == PUMP_STOPPED)
        assert isinstance(facts, PumpStopped)
        assert facts.rise_mm == pytest.approx(BACK, abs=2.0)
        level = [row for row in tank.rows if row.name == "level.now"][-1]
        assert level.low is not None
        assert level.high is not None
        assert level.low - 1.0 < tank.mm < level.high + 1.0

    def test_goes_on_saying_that_it_stands_when_somebody_pours(self) -> None:
        tank = Tank()
        for t in range(0, 2 * DAY, 5 * MIN):
            if t == 30 * H:
                tank.mm = 5.0
            tank.step(t, t >= 27 * H)
        assert [f.active for f in tank.found if f.alarm == PUMP_STOPPED] == [False, True]

    def test_learns_from_the_next_pause_that_a_pump_was_started_as_somebody_poured(self) -> None:
        tank = Tank()
        tank.waits = 0
        for t in range(0, round(5.1 * DAY), 5 * MIN):
            tank.step(t, 2.2 * DAY <= t < 4.2 * DAY or t % DAY < 10 * MIN)
        assert [f.active for f in tank.found if f.alarm == PUMP_STOPPED][-2:] == [True, False]
        assert tank.told == [PUMP_STOPPED]

    def test_says_nothing_of_two_floats_for_two_days_without_the_pump(self) -> None:
        tank = Tank(floats=(FloatSpec("float-low", -12.0), FloatSpec("float-high", 4.0)))
        for t in range(0, 5 * DAY, 5 * MIN):
            tank.step(t, 2.36 * DAY <= t < 4.36 * DAY)
        assert tank.told == [PUMP_STOPPED]

    def test_goes_on_in_the_next_run(self) -> None:
        whole, cut = Tank(), Tank()
        for t in range(0, DAY, 5 * MIN):
            for tank in (whole, cut):
                tank.step(t, 6 * H <= t < 18 * H)
            if t == 8 * H:
                again = FlowWatch(FlowPlan("level", GaugeSpec(1.0)))
                again.restore(cut.flow.state())
                cut.flow = again
        assert cut.flow.pump == whole.flow.pump
        stands = [f.active for f in cut.found if f.alarm == PUMP_STOPPED]
        assert stands == [False, True, True, False]


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["gauge", "low", "high", "gap", "poured", "proved"]),
        st.integers(1, 5_400_000),
        st.sampled_from([0.0, 0.5, 1.0, 25.0, 60.0, 700.0, -700.0, 6000.0]),
    ),
    max_size=80,
)


class TestWhateverIsRead:
    @given(STEPS, st.booleans())
    def test_it_goes_on(self, steps: list[tuple[str, int, float]], by_hand: bool) -> None:
        pump, at_ms = Pump(), 0
        specs = FloatSpec("low", 5.0), FloatSpec("high", 20.0)
        for what, later_ms, value in steps:
            at_ms += later_ms
            if what == "gauge":
                pump.see_level(at_ms, value, 0.3, by_hand=by_hand)
            elif what == "gap":
                pump.see_gap(at_ms, value / 100)
            elif what == "poured":
                pump.poured(at_ms - later_ms // 2)
            elif what == "proved":
                pump.prove()
            else:
                pump.see_float(at_ms, what, min(1.0, abs(value)), specs, by_hand=by_hand)
            assert not pump.stands or pump.since_ms is not None

    def test_a_gauge_that_was_silent_while_the_pump_stood_is_heard_again(self) -> None:
        pump = Pump()
        for minute in range(120):
            level_mm = 0.0 if minute < 60 else 25.0
            pump.see_level(minute * 60_000, level_mm, 0.3, by_hand=True)
        assert pump.stands
        pump.see_level(200 * 60_000, 25.0, 0.3, by_hand=True)
        assert pump.stands

    @pytest.mark.parametrize("by_hand", [True, False])
    def test_a_gauge_that_reads_metres_is_no_end(self, by_hand: bool) -> None:
        pump = Pump()
        for minute in range(120):
            level_mm = 0.0 if minute < 60 else 7000.0
            pump.see_level(minute * 60_000, level_mm, 0.3, by_hand=by_hand)
        assert not pump.stands
