"""A pump that stood, as the level shows it, and what looks like one and is none."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.estimate.level import (
    FloatSpec,
    Gauge,
    GaugeSpec,
    Geometry,
    LevelModel,
    LevelState,
    Pour,
    PumpStopped,
    Share,
)
from stillwell.observe.chamber import pump as level_pump
from stillwell.observe.chamber.pump import Stood

MIN = 60_000
H = 60 * MIN
CHAMBER = Geometry(16_200.0)
GAUGE = LevelModel(CHAMBER, gauge=GaugeSpec(0.5))
FLOAT = LevelModel(CHAMBER, (FloatSpec("low", -12.0),))
SLICE = GAUGE.slice_ms


def stood(state: LevelState, slice_ms: int = SLICE) -> Stood | None:
    return level_pump.stood(state, slice_ms, CHAMBER.mm_per_ml)


Course = Callable[[int], float]
"""mm by ms."""


def falling(ms: int) -> float:
    """25 mL/h."""
    return -1.54 * ms / H


def seen(course: Course, until: int, every: int = 5 * MIN, *more: Pour | PumpStopped) -> LevelState:
    """What a gauge makes of it."""
    draw = random.Random(3)
    state = GAUGE.start(0)
    for event in more:
        state = GAUGE.update(GAUGE.tick(state, event_ms(event)), event, event_ms(event))
    for t in range(0, until, every):
        state = GAUGE.update(state, Gauge(t, course(t) + draw.gauss(0, 0.5)), t)
    return GAUGE.tick(state, until)


def event_ms(event: Pour | PumpStopped) -> int:
    return event.t_ms if isinstance(event, Pour) else event.t0_ms


def raised(begin: int, end: int, by: float = 18.0) -> Course:
    return lambda ms: falling(ms) + (by if begin <= ms < end else 0.0)


class TestByGauge:
    @pytest.mark.parametrize("minutes", [15, 20, 45, 180, 24 * 60])
    def test_is_found_with_its_times(self, minutes: int) -> None:
        begin, end = 5 * H + 3 * MIN, 5 * H + (3 + minutes) * MIN
        found = stood(seen(raised(begin, end), end + 40 * MIN))
        assert found is not None
        assert begin - SLICE <= found.begin_ms <= begin + SLICE
        assert end - SLICE <= found.end_ms <= end + SLICE
        assert found.rise_mm == pytest.approx(18.0, abs=2.5)

    def test_not_while_it_lasts(self) -> None:
        assert stood(seen(raised(5 * H, 9 * H), 8 * H)) is None

    def test_not_long_after(self) -> None:
        assert stood(seen(raised(5 * H, 6 * H), 8 * H)) is None

    def test_not_when_it_is_known(self) -> None:
        course, told = raised(5 * H, 6 * H), PumpStopped(5 * H, 6 * H)
        state = GAUGE.start(0)
        for t in range(0, 6 * H + 40 * MIN, 5 * MIN):
            state = GAUGE.update(state, Gauge(t, course(t)), t)
        assert stood(state) is not None
        assert stood(GAUGE.update(state, told, 6 * H + 40 * MIN)) is None

    def test_a_pour_alone_is_none(self) -> None:
        assert stood(seen(raised(5 * H, 99 * H), 6 * H)) is None

    def test_what_a_pour_lifted_and_something_took_is_none(self) -> None:
        """A noted pour, and as much gone an hour later: a siphon, not the pump."""
        course, pour = raised(5 * H, 6 * H), Pour(5 * H, 290.0, 10.0)
        state = GAUGE.start(0)
        for t in range(0, 6 * H + 30 * MIN, 5 * MIN):
            state = GAUGE.update(state, Gauge(t, course(t)), t)
        assert stood(GAUGE.update(state, pour, 6 * H + 30 * MIN)) is None

    @pytest.mark.parametrize("noted_off", [-25, 0, 15])
    def test_with_a_pour_while_it_stood_is_found_by_the_balance(self, noted_off: int) -> None:
        """Stopped for half an hour, 18 mm; 300 mL poured in meanwhile, which stay."""
        begin, end, poured = 5 * H, 5 * H + 30 * MIN, 5 * H + 12 * MIN

        def course(ms: int) -> float:
            return raised(begin, end)(ms) + (300.0 / 16.2 if ms >= poured else 0.0)

        state = GAUGE.start(0)
        for t in range(0, end + 40 * MIN, 2 * MIN):
            state = GAUGE.update(state, Gauge(t, course(t)), t)
        at = poured + noted_off * MIN
        found = stood(GAUGE.update(state, Pour(at, 300.0, 15.0), end + 40 * MIN))
        assert found is not None
        assert begin - SLICE <= found.begin_ms <= begin + SLICE
        assert end - SLICE <= found.end_ms <= end + SLICE

    def test_a_fall_of_another_size_is_none(self) -> None:
        def course(ms: int) -> float:
            return falling(ms) + (18.0 if 5 * H <= ms < 6 * H else 8.0 if ms >= 6 * H else 0.0)

        assert stood(seen(course, 6 * H + 40 * MIN)) is None

    def test_two_water_changes_enclose_none(self) -> None:
        def course(ms: int) -> float:
            down = 5 * H <= ms < 5 * H + 30 * MIN or 7 * H <= ms < 7 * H + 30 * MIN
            return falling(ms) - (70.0 if down else 0.0)

        for until in range(5 * H, 9 * H, 30 * MIN):
            assert stood(seen(course, until)) is None, until

    @settings(max_examples=15, deadline=None)
    @given(st.floats(2.0, 40.0), st.floats(0.5, 9.0), st.integers(0, 3))
    def test_water_that_was_poured_and_evaporates_is_none(
        self, by: float, mm_per_h: float, gap_h: int
    ) -> None:
        """However fast: nine millimetres an hour are 150 mL/h in this chamber."""

        def course(ms: int) -> float:
            return (by if ms >= 2 * H else 0.0) - mm_per_h * ms / H

        for until in range(2 * H, (3 + gap_h) * H, 30 * MIN):
            assert stood(seen(course, until)) is None


class TestByFloat:
    def closed(self, course: Course, until: int) -> Stood | None:
        state = FLOAT.start(0)
        for t in range(MIN, until, MIN):
            share = 1.0 if course(t) > -12.0 else 0.0
            state = FLOAT.update(state, Share("low", t - MIN, t, share, 60), t)
        return stood(FLOAT.tick(state, until))

    @pytest.mark.parametrize("minutes", [15, 30, 50])
    def test_is_found_where_the_water_stood_below_it(self, minutes: int) -> None:
        begin = 12 * H + 4 * MIN
        course = raised(begin, begin + minutes * MIN)
        found = self.closed(course, begin + minutes * MIN + 30 * MIN)
        assert found is not None
        assert begin - SLICE <= found.begin_ms <= begin + SLICE
        assert found.rise_mm is None

    def test_hours_of_being_closed_may_be_a_pour(self) -> None:
        begin = 12 * H
        assert self.closed(raised(begin, begin + 3 * H), begin + 3 * H + 30 * MIN) is None
