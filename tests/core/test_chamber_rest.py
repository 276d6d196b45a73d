"""A pump that stops, by the chamber's gauge alone."""

from __future__ import annotations

import random

import pytest

from stillwell.entry import Entry
from stillwell.estimate.level import GaugeSpec, Geometry
from stillwell.finding import Finding
from stillwell.observe.chamber.found import ChamberRisen
from stillwell.observe.chamber.plan import GaugeChannel, LevelPlan
from stillwell.observe.chamber.rest import Rest
from stillwell.observe.chamber.watch import LevelWatch
from stillwell.ports import Published
from stillwell.reading import Flag, Moment, Reading

MIN, H = 60_000, 3_600_000
DAY = 24 * H
BACK = 18.0


class Chamber:
    """A chamber that loses 1.5 mm/h and is filled to the mark at 18:30; second 0 is noon."""

    def __init__(self, seed: int = 1, every_ms: int = MIN, noise: float = 1.0) -> None:
        self.draw = random.Random(seed)
        self.every_ms, self.noise = every_ms, noise
        self.t, self.mm = 0, -8.0
        self.rest = Rest()
        self.told: list[tuple[int, bool]] = []
        self.stopped: list[tuple[int, int]] = []

    def run(self, until: int, *, fills: bool = True, noted: bool = False) -> None:
        while self.t < until:
            self.t += self.every_ms
            self.mm -= 1.5 * self.every_ms / H
            clock = (self.t + 12 * H) % DAY
            if fills and 18.5 * H <= clock < 18.5 * H + self.every_ms:
                self.mm = self.draw.gauss(0.0, 1.5)
                if noted:
                    self.rest.poured(self.t)
            up = any(a <= self.t < b for a, b in self.stopped)
            seen = self.mm + (BACK if up else 0.0) + self.draw.gauss(0.0, self.noise)
            if self.rest.see(self.t, seen, self.noise, by_hand=True):
                self.told.append((self.t, self.rest.stands))

    def feeds(self, days: int) -> None:
        """A feeding pause of ten minutes each noon."""
        self.stopped += [(k * DAY + H, k * DAY + H + 10 * MIN) for k in range(days)]


class TestAStop:
    @pytest.mark.parametrize("every_ms", [MIN, 2 * MIN, 5 * MIN])
    @pytest.mark.parametrize("seed", range(5))
    def test_is_told_within_a_quarter_of_an_hour_for_its_whole_length(
        self, seed: int, every_ms: int
    ) -> None:
        chamber = Chamber(seed, every_ms)
        chamber.feeds(4)
        chamber.rest.pauses = [10 * MIN] * 20  # as on the days before
        begin = 4 * DAY + 9 * H
        chamber.stopped.append((begin, begin + 3 * DAY))
        chamber.run(8 * DAY, fills=False)
        (first, stands), (last, ended) = chamber.told
        assert stands
        assert not ended
        assert 0 < first - begin <= 15 * MIN + every_ms
        assert begin + 3 * DAY <= last <= begin + 3 * DAY + 2 * every_ms

    @pytest.mark.parametrize("every_ms", [MIN, 5 * MIN])
    @pytest.mark.parametrize("seed", range(3))
    def test_is_none_in_a_household_whose_pauses_differ(self, seed: int, every_ms: int) -> None:
        chamber = Chamber(seed, every_ms)
        chamber.stopped += [
            (k * DAY + H, k * DAY + H + round(chamber.draw.uniform(5, 20) * MIN)) for k in range(30)
        ]
        chamber.run(30 * DAY)
        assert not chamber.told

    def test_teaches_how_high_the_water_comes(self) -> None:
        chamber = Chamber()
        chamber.feeds(4)
        chamber.run(4 * DAY)
        assert chamber.rest.back_mm[0] == pytest.approx(BACK, abs=0.7)
        assert not chamber.told


class TestNoStop:
    @pytest.mark.parametrize("noted", [True, False])
    def test_is_a_pour_to_the_mark(self, noted: bool) -> None:
        chamber = Chamber(3)
        chamber.feeds(40)
        chamber.run(40 * DAY, noted=noted)
        assert not chamber.told

    def test_is_a_pause_as_long_as_all_before(self) -> None:
        chamber = Chamber(6, 5 * MIN)
        chamber.stopped = [(k * DAY + H, k * DAY + H + 20 * MIN) for k in range(20)]
        chamber.run(20 * DAY)
        assert len(chamber.told) <= 2

    def test_is_a_dose_of_an_automatic_top_up(self) -> None:
        rest, draw, mm = Rest(), random.Random(5), 0.0
        for t in range(0, 5 * DAY, 2 * MIN):
            mm -= 1.5 / 30
            if mm < -3.0:
                mm += 6.0
            assert not rest.see(t, mm + draw.gauss(0.0, 0.7), 0.7, by_hand=False)

    def test_is_a_water_change_that_nobody_notes(self) -> None:
        chamber = Chamber(4)
        chamber.feeds(3)
        chamber.run(3 * DAY)
        chamber.mm -= 30.0
        chamber.run(3 * DAY + 25 * MIN)
        chamber.mm += 30.0
        chamber.run(4 * DAY)
        assert not chamber.told


class TestTheWatch:
    def test_says_nothing_else_of_level_and_gauge_while_it_stands(self) -> None:
        plan = LevelPlan(
            Geometry(16_200.0, 0.05, -60.0, 40.0), gauge=GaugeChannel("level", GaugeSpec(1.0))
        )
        watch, draw = LevelWatch(plan), random.Random(2)
        found: list[Finding] = []
        rows: list[Published] = []
        mm = 0.0
        for step in range(round(5.5 * 720)):
            t = step * 2 * MIN
            mm -= 1.5 / 30
            moment = Moment(t, t + 10 * DAY, 1)
            if mm < -25.0:
                mm = 0.0
                entry = Entry("pour", moment.utc_ms, 405.0, "mL", id=step)
                found += watch.note(entry, None)
            up = 2.2 * DAY <= t < 4.2 * DAY or t % DAY < 10 * MIN
            seen = mm + (BACK if up else 0.0) + draw.gauss(0.0, 1.0)
            found += watch.see(Reading("level", moment, seen, Flag.PASS))
            found += watch.tick(moment)
            rows += watch.estimates(moment)
        told = [f for f in found if f.active]
        assert [f.alarm for f in told] == ["pump.stopped"]
        assert isinstance(told[0].facts, ChamberRisen)
        ends = [f for f in found if f.alarm == "pump.stopped" and not f.active]
        assert len(ends) == 1
        level = [row for row in rows if row.name == "level.now"][-1]
        assert level.low is not None
        assert level.high is not None
        assert level.low - 1.0 < mm < level.high + 1.0
