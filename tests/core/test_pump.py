"""A pump that stands, told from water that is poured or changed."""

from __future__ import annotations

import json
import random

import pytest

from stillwell.estimate.pump import Pump

HOUR = 3600.0


class Chamber:
    """Falls 1.4 mm/h; its probe reads `gap` K more than the tank's, both seen every 30 s."""

    def __init__(self) -> None:
        self.pump = Pump(8.0)
        self.rng = random.Random(1)
        self.t = 0.0
        self.level, self.gap = 0.0, 0.05
        self.stood: list[float] = []

    def run(self, hours: float, rise: float = 0.0, parts: float = 0.0) -> None:
        """Args: rise: of the chamber, mm; parts: by so much the probes come to part, K."""
        end = self.t + hours * HOUR
        parted = 0.0
        while self.t < end:
            self.t += 30.0
            self.level -= 1.4 / 120
            parted += (parts - parted) * 30.0 / 600.0
            self.pump.see_level(self.t, round(self.level + rise + self.rng.gauss(0, 1)))
            self.pump.see_gap(self.t, self.gap + parted + self.rng.gauss(0, 0.04))
            if self.pump.stands:
                self.stood.append(self.t)


class TestAPumpThatStands:
    def test_is_found_within_the_hour_and_its_end_too(self) -> None:
        chamber = Chamber()
        chamber.run(6)
        began = chamber.t
        chamber.run(2, rise=20.0, parts=0.6)
        assert chamber.stood
        assert chamber.stood[0] - began < HOUR
        chamber.run(3)
        assert not chamber.pump.stands

    def test_with_a_heater_that_heats_is_no_loss_of_the_mains(self) -> None:
        # What it did when the pump stopped says nothing: a hot heater gives its heat for minutes.
        for at_first, later, warmed in ((0.6, 0.0, False), (0.0, 0.6, True), (0.0, -0.6, False)):
            chamber = Chamber()
            chamber.run(6)
            chamber.run(0.3, rise=20.0, parts=at_first)
            chamber.run(2, rise=20.0, parts=later)
            assert chamber.pump.since_s is not None
            assert chamber.pump.warmed is warmed

    def test_counts_at_once_when_the_probes_part_after_half_an_hour(self) -> None:
        """The heater was off as the pump stopped: till it comes on both cool alike."""
        chamber = Chamber()
        chamber.run(6)
        chamber.run(1, rise=20.0)
        assert chamber.stood == []
        began = chamber.t
        chamber.run(1, rise=20.0, parts=0.8)
        assert chamber.stood[0] - began < 1200.0

    def test_is_found_also_while_a_leak_lets_the_chamber_fall(self) -> None:
        chamber = Chamber()
        chamber.run(6)
        chamber.run(0.1, rise=20.0)
        for _ in range(120):
            chamber.level -= 0.1
            chamber.run(1 / 120, rise=20.0)
        chamber.run(0.5, rise=20.0, parts=0.8)
        assert chamber.stood

    def test_goes_on_standing_where_the_probes_meet_again_and_the_chamber_is_still_up(self) -> None:
        """Without heat the chamber cools to the tank's warmth, and nothing is mixed."""
        chamber = Chamber()
        chamber.run(6)
        chamber.run(1, rise=20.0, parts=0.8)
        assert chamber.pump.stands
        chamber.run(2, rise=20.0)
        assert chamber.pump.stands

    def test_that_has_lost_the_mains_ends_when_what_ran_back_leaves_and_not_sooner(self) -> None:
        """Without heat both probes cool alike; and somebody may change water meanwhile."""
        chamber = Chamber()
        chamber.run(6)
        chamber.run(0.5, rise=20.0)
        chamber.pump.held = True
        chamber.run(4, rise=20.0)
        chamber.run(0.5, rise=-110.0)
        chamber.run(2, rise=20.0)
        assert chamber.pump.since_s is not None
        chamber.run(0.1)
        assert chamber.pump.since_s is None

    def test_beside_a_heater_that_stays_cold_is_silent_and_beside_one_that_heats_is_not(
        self,
    ) -> None:
        chamber = Chamber()
        chamber.run(6)
        chamber.run(2, rise=20.0, parts=0.6)
        assert chamber.pump.stands
        heard = []
        for value in (25.0, 25.3):
            for _ in range(60):
                chamber.t += 30.0
                chamber.pump.see_chamber(chamber.t, value, 25.1)
            heard.append(chamber.pump.silent(chamber.t))
        assert heard == [True, False]

    def test_for_a_feeding_is_none(self) -> None:
        chamber = Chamber()
        for _ in range(4):
            chamber.run(5)
            chamber.run(10 / 60, rise=20.0, parts=0.8)
        chamber.run(2)
        assert chamber.stood == []


class TestWater:
    def test_that_is_poured_and_not_noted_parts_no_probes(self) -> None:
        chamber = Chamber()
        chamber.run(20)
        chamber.level = 0.0
        chamber.run(6)
        assert chamber.stood == []
        assert chamber.pump.since_s is None

    @pytest.mark.parametrize("before_mm", [0.0, -25.0])
    @pytest.mark.parametrize("minutes", [25, 50])
    def test_that_is_changed_and_not_noted_is_no_pump_that_stands(
        self, before_mm: float, minutes: int
    ) -> None:
        """The pump is off meanwhile and the probes part; when it runs again they meet."""
        chamber = Chamber()
        chamber.level = before_mm + 8.4
        chamber.run(6)
        chamber.run(minutes / 60, rise=-130.0, parts=0.8)
        chamber.level = 0.0
        chamber.run(4)
        assert chamber.stood == []

    def test_that_was_poured_and_then_changed_neither(self) -> None:
        chamber = Chamber()
        chamber.run(20)
        chamber.level = 0.0
        chamber.run(1.5)
        chamber.run(0.4, rise=-130.0, parts=0.8)
        chamber.level = 0.0
        chamber.run(4)
        assert chamber.stood == []

    def test_that_stays_low_becomes_the_usual_level(self) -> None:
        chamber = Chamber()
        chamber.run(2)
        chamber.run(5, rise=-60.0)
        assert chamber.pump.level == pytest.approx(chamber.level - 60.0, abs=2.0)
        assert chamber.pump.low_s is None


class TestARestart:
    def test_in_a_water_change_knows_what_was_usual(self) -> None:
        chamber = Chamber()
        chamber.run(6)
        chamber.run(0.2, rise=-130.0, parts=0.8)
        again = Pump(8.0)
        again.restore(json.loads(json.dumps(chamber.pump.to_json())))
        assert again.to_json() == chamber.pump.to_json()
        chamber.pump = again
        chamber.run(0.2, rise=-130.0, parts=0.8)
        chamber.level = 0.0
        chamber.run(3)
        assert chamber.stood == []

    def test_takes_up_what_an_older_version_kept(self) -> None:
        pump = Pump(8.0)
        pump.restore([-3.0, 100.0, True, 0.1])
        assert (pump.level, pump.since_s, pump.stands, pump.gap) == (-3.0, 100.0, True, 0.1)
        assert pump.low_s is None
