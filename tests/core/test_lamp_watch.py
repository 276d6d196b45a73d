"""The lamp's heat missed, and found where none should be; its hours; what is learned of it."""

from __future__ import annotations

import base64
import copy
import json
import math
import random
import zlib
from dataclasses import replace
from datetime import UTC, datetime, time
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from in_words import said, what
from stillwell.estimate.thermal.lamp_heat import LampHeat, Piece
from stillwell.estimate.thermal.lamp_hours import LampHours, against
from stillwell.finding import Finding
from stillwell.notice import Priority
from stillwell.observe.lamp import LAMP_NOT_OFF, LAMP_NOT_ON, LampPlan, LampWatch, alarms
from stillwell.reading import Flag, Moment, Reading
from tanks.bath import Bath, shown

DAY = 86_400
HOUR = 3600
MIDNIGHT_MS = int(datetime(2026, 2, 2, tzinfo=UTC).timestamp() * 1000)
PLAN = LampPlan(("a",), "room", time(12), time(22), "Europe/Dublin")
HOUR_MS = 3_600_000


def opened(state: str) -> Any:
    """A state as plain lists, its form first."""
    plain = state if state.startswith("[") else zlib.decompress(base64.b64decode(state))
    return json.loads(plain)


class Water(Bath):
    """Loses (T - room) / 25 h and 0.12 K/h by the air; its heater gives 0.9 K/h between 25.1 and
    25.5 degC; the lamp gives `lamp` K/h. Read every 60 s, with noise and steps of 1/16 K."""

    def __init__(self, plan: LampPlan = PLAN, lamp: float = 0.15, seed: int = 1) -> None:
        super().__init__(0.9 / HOUR, tau_s=25 * HOUR)
        self.watch = LampWatch(plan)
        self.plan = plan
        self.lamp = lamp
        self.rng = random.Random(seed)
        self.t = 0
        self.mono_ms = 9_000_000
        self.warmer = 0.0
        """Of the room, by weather."""
        self.room_read = True
        self.found: list[tuple[float, Finding]] = []

    def run(self, hours: float, burns: tuple[float, float] = (12.0, 22.0)) -> None:
        end = self.t + round(hours * HOUR)
        while self.t < end:
            hour = self.t % DAY / HOUR
            room = 20.5 + 0.8 * math.cos(2 * math.pi * (hour - 15) / 24) + self.warmer
            lit = burns[0] <= hour < burns[1]
            self.move(60.0, room, (self.lamp * lit - 0.12) / HOUR)
            now = Moment(self.t * 1000 + self.mono_ms, MIDNIGHT_MS + self.t * 1000, 1)
            if self.room_read:
                self._read("room", room, now)
            self._read("a", self.water, now)
            self.t += 60

    def _read(self, name: str, value: float, now: Moment) -> None:
        read = shown(value, 0.02, self.rng)
        for finding in self.watch.see(Reading(name, now, read, Flag.PASS)):
            self.found.append((self.t / HOUR, finding))

    def told(self) -> list[tuple[str, bool]]:
        return [(finding.alarm, finding.active) for _, finding in self.found]

    @property
    def now(self) -> Moment:
        return Moment(self.t * 1000 + self.mono_ms, MIDNIGHT_MS + self.t * 1000, 1)


@cache
def _learned(lamp: float) -> Water:
    water = Water(lamp=lamp)
    water.run(5 * 24)
    return water


def learned(lamp: float = 0.15) -> Water:
    """Five days on which the lamp kept its hours."""
    return copy.deepcopy(_learned(lamp))


NEVER, ALWAYS = (25.0, 25.0), (0.0, 24.0)


class TestALampThatFails:
    def test_stays_dark_and_is_missed_within_its_hours(self) -> None:
        water = learned()
        water.run(24, burns=NEVER)
        [(at_h, finding)] = water.found
        assert finding.alarm == LAMP_NOT_ON
        assert finding.active
        assert finding.priority is Priority.LOW
        assert 12 < at_h - 5 * 24 < 22
        assert "12:00" in what(finding)
        assert "timer" in said(finding).do
        assert "[tank.lamp]" in said(finding).do

    @pytest.mark.parametrize("kept", [True, False])
    def test_is_missed_as_soon_by_a_watch_that_begins_anew_every_five_minutes(
        self, kept: bool
    ) -> None:
        """Not so where the program is another one in each of them: pieces take longer."""
        whole, water = learned(), learned()
        for one in (whole, water):
            one.run(11, burns=NEVER)  # up to an hour before it should be lit
        whole.run(8, burns=NEVER)
        for _ in range(8 * 12):
            water.run(1 / 12, burns=NEVER)
            state = water.watch.state()
            water.watch = LampWatch(water.plan)
            form, body = opened(state)
            other = json.dumps([form, body | {"made_with": "x"}], separators=(",", ":"))
            water.watch.restore(state if kept else other)
        assert whole.found
        assert water.found == (whole.found if kept else [])

    def test_burns_on_and_is_found_within_the_night(self) -> None:
        water = learned(0.2)
        water.run(24, burns=(12.0, 24.0))
        water.run(12, burns=ALWAYS)
        [(at_h, finding)] = water.found
        assert (finding.alarm, finding.active) == (LAMP_NOT_OFF, True)
        assert 22 < at_h - 5 * 24 < 36
        assert "22:00" in what(finding)

    def test_is_missed_as_well_in_a_warm_room_where_half_cycles_last_for_most_of_a_day(
        self,
    ) -> None:
        water = Water()
        water.warmer = 3.0
        water.run(5 * 24)
        assert water.watch.heat.lamp[0] == pytest.approx(0.15, abs=0.03)
        water.run(24, burns=NEVER)
        assert water.told() == [(LAMP_NOT_ON, True)]
        assert 12 < water.found[0][0] - 5 * 24 < 22

    @pytest.mark.parametrize(("lamp", "warmer"), [(0.25, 3.0), (0.35, 3.0)])
    def test_burns_on_and_is_found_where_it_lifts_the_water_without_the_heater(
        self, lamp: float, warmer: float
    ) -> None:
        water = Water(lamp=lamp)
        water.warmer = warmer
        water.run(5 * 24)
        water.run(24, burns=(12.0, 24.0))
        water.run(12, burns=ALWAYS)
        assert water.told() == [(LAMP_NOT_OFF, True)]
        assert 22 < water.found[0][0] - 5 * 24 < 36

    def test_is_well_again_once_the_water_shows_it(self) -> None:
        water = learned()
        water.run(24, burns=NEVER)
        water.run(24)
        assert water.told() == [(LAMP_NOT_ON, True), (LAMP_NOT_ON, False)]

    def test_does_not_become_the_usual(self) -> None:
        water = learned()
        before = water.watch.heat.lamp[0]
        water.run(2 * 24, burns=NEVER)
        assert water.told() == [(LAMP_NOT_ON, True)]
        assert water.watch.heat.lamp[0] > 0.8 * before

    def test_teaches_hardly_anything_while_it_is_looked_into_and_told(self) -> None:
        water = learned(0.2)
        before = water.watch.heat.lamp[0]
        water.run(68, burns=NEVER)
        assert water.told() == [(LAMP_NOT_ON, True)]
        assert water.watch.heat.lamp[0] > 0.94 * before

    def test_a_weaker_lamp_is_told_and_then_taken_as_it_is(self) -> None:
        water = learned()
        water.lamp = 0.04
        water.run(12 * 24)
        assert water.told() == [(LAMP_NOT_ON, True), (LAMP_NOT_ON, False)]
        assert water.watch.heat.lamp[0] == pytest.approx(0.04, abs=0.03)


class TestNothingToCryAbout:
    def test_a_month_of_lamp_hours_kept(self) -> None:
        water = learned()
        water.run(25 * 24)
        assert water.told() == []

    @pytest.mark.parametrize("by", [-2.0, 2.0])
    def test_hours_that_were_moved_and_not_told(self, by: float) -> None:
        water = learned()
        water.run(10 * 24, burns=(12.0 + by, 22.0 + by))
        assert water.told() == []

    @pytest.mark.parametrize("warmer", [5.0, -6.0])
    def test_a_room_that_was_never_so_warm_or_cold(self, warmer: float) -> None:
        water = learned()
        water.run(20)
        water.warmer = warmer
        water.run(52)
        assert water.told() == []

    def test_a_heater_at_its_limit_beside_which_the_water_falls(self) -> None:
        """In a room that grows cold: by the slope alone it would be a lamp."""
        heat = learned().watch.heat
        at_rest = Piece(0, 2 * HOUR_MS, 0.0, 0.004, 25.0, heated=False)
        idle, _ = heat.predict(at_rest, 0.0)
        for gives, heated in ((heat.mean[3], True), (heat.lamp[0], False)):
            falling = replace(at_rest, loss=idle - gives)
            assert falling.loss > 0.0
            assert heat.heats(falling, 0.0) is heated

    def test_a_lamp_too_weak_to_stand_out(self) -> None:
        water = learned(0.01)
        water.run(24, burns=NEVER)
        water.run(24, burns=ALWAYS)
        assert water.told() == []

    def test_a_room_that_nobody_reads(self) -> None:
        water = learned()
        water.room_read = False
        water.run(48, burns=NEVER)
        assert water.told() == []


class TestARestart:
    def test_knows_what_it_knew_and_says_nothing_twice(self) -> None:
        water = learned()
        water.run(20, burns=NEVER)
        assert water.told() == [(LAMP_NOT_ON, True)]
        again = LampWatch(PLAN)
        again.restore(water.watch.state())
        assert again.state() == water.watch.state()
        said = list(again.tick(water.now))
        assert {f.alarm: f.active for f in said} == {LAMP_NOT_ON: True, LAMP_NOT_OFF: False}
        assert list(again.tick(water.now)) == []
        water.watch, water.found = again, []
        water.run(2, burns=NEVER)
        assert water.told() == []

    @pytest.mark.parametrize(
        "spoil",
        [
            lambda kept: kept["heat"].update(mean=["x"]),
            lambda kept: kept["line"].update(mono_ms=None),
            lambda kept: kept.pop("pieces"),
            lambda kept: kept.update(cut="x"),
        ],
    )
    def test_a_state_that_cannot_be_read_begins_anew(self, spoil: object) -> None:
        form, kept = opened(learned().watch.state())
        spoil(kept)  # type: ignore[operator]
        watch = LampWatch(PLAN)
        with pytest.raises(ValueError, match="can't be used"):
            watch.restore(json.dumps([form, kept], separators=(",", ":")))
        assert watch.state() == LampWatch(PLAN).state()

    def test_its_state_is_small_whatever_the_history(self) -> None:
        assert len(learned().watch.state()) < 40_000

    def test_says_at_first_that_all_is_well(self) -> None:
        said = list(LampWatch(PLAN).tick(learned().now))
        assert [(f.alarm, f.active) for f in said] == [(name, False) for name in alarms()]


class TestTheHours:
    HOURS = LampHours(time(12), time(22), ZoneInfo("Europe/Dublin"))

    def test_a_share_of_a_half_cycle_is_what_of_it_lies_in_them(self) -> None:
        noon = MIDNIGHT_MS + 12 * HOUR_MS
        piece = Piece(noon - HOUR_MS, noon + 3 * HOUR_MS, 0.3, 0.01, 5.0, False)
        assert self.HOURS.share(piece) == pytest.approx(0.75)
        assert self.HOURS.share(piece, 2.0) == pytest.approx(0.25)
        assert self.HOURS.share(piece, -2.0) == 1.0

    def test_light_past_midnight_is_one_window(self) -> None:
        late = LampHours(time(18), time(4), ZoneInfo("UTC"))
        window = late.window(MIDNIGHT_MS + 2 * HOUR_MS)
        assert window.lit
        assert window.start_ms == MIDNIGHT_MS - 6 * HOUR_MS
        assert window.end_ms == MIDNIGHT_MS + 4 * HOUR_MS
        assert not late.window(MIDNIGHT_MS + 12 * HOUR_MS).lit

    def test_the_night_on_which_clocks_change_is_an_hour_shorter(self) -> None:
        # 29 March 2026 in Ireland (IANA time zone database).
        night = int(datetime(2026, 3, 29, 3, tzinfo=UTC).timestamp() * 1000)
        window = self.HOURS.window(night)
        assert not window.lit
        assert (window.end_ms - window.start_ms) / HOUR_MS == 13.0

    @given(st.integers(0, 3_000_000))
    def test_every_instant_lies_in_its_window(self, minute: int) -> None:
        at_ms = MIDNIGHT_MS + minute * 60_000
        window = self.HOURS.window(at_ms)
        assert window.start_ms <= at_ms < window.end_ms
        hour = datetime.fromtimestamp(at_ms / 1000, ZoneInfo("Europe/Dublin")).hour
        assert window.lit == (12 <= hour < 22)


class TestTheEvidence:
    def test_without_any_is_none(self) -> None:
        assert against(learned().watch.heat, TestTheHours.HOURS, [], lit_instead=False) == 0.0

    def test_what_fits_neither_story_counts_for_neither(self) -> None:
        noon = MIDNIGHT_MS + 14 * HOUR_MS
        odd = Piece(noon, noon + HOUR_MS, 3.0, 0.01, 5.0, False)
        heat = learned().watch.heat
        assert against(heat, TestTheHours.HOURS, [odd], lit_instead=False) == 0.0

    def test_one_half_cycle_alone_decides_nothing(self) -> None:
        heat = learned().watch.heat
        noon = MIDNIGHT_MS + 16 * HOUR_MS
        blank = Piece(noon, noon + HOUR_MS, 0.0, 0.005, 5.0, False)
        dark = Piece(noon, noon + HOUR_MS, heat.predict(blank, 0.0)[0], 0.005, 5.0, False)
        ratio = against(heat, TestTheHours.HOURS, [dark], lit_instead=False)
        assert 0.0 < ratio <= 4.0

    def test_a_short_piece_says_as_much_less(self) -> None:
        heat = learned().watch.heat
        noon = MIDNIGHT_MS + 16 * HOUR_MS
        blank = Piece(noon, noon + HOUR_MS, 0.0, 0.005, 5.0, False)
        dark = replace(blank, loss=heat.predict(blank, 0.0)[0])
        ratios = [
            against(heat, TestTheHours.HOURS, [piece], lit_instead=False)
            for piece in (dark, replace(dark, end_ms=noon + HOUR_MS // 4))
        ]
        assert ratios[1] == pytest.approx(ratios[0] / 4)


class TestTheLaw:
    def test_finds_the_numbers_that_made_the_half_cycles(self) -> None:
        rng = random.Random(3)
        heat, truth = LampHeat(), (0.04, 0.1, 0.15, 0.9)
        for k in range(300):
            lit, heated = float(rng.random() < 0.4), rng.random() < 0.5
            blank = Piece(k * HOUR_MS, (k + 1) * HOUR_MS, 0.0, 0.01, rng.uniform(3, 7), heated)
            x = blank.factors(lit)
            loss = sum(a * b for a, b in zip(truth, x, strict=True)) + rng.gauss(0, 0.02)
            heat.learn(Piece(*_parts(blank, loss)), lit)
        for index, (found, true) in enumerate(zip(heat.mean, truth, strict=True)):
            assert abs(found - true) < 4 * math.sqrt(heat.cov[index][index])
        assert heat.carries
        assert heat.lamp == (heat.mean[2], math.sqrt(heat.cov[2][2]))

    def test_foretells_less_closely_outside_of_what_it_has_seen(self) -> None:
        heat = learned().watch.heat
        usual = Piece(0, HOUR_MS, 0.3, 0.01, 4.8, False)
        far = Piece(0, HOUR_MS, 0.3, 0.01, -3.0, False)
        assert heat.predict(far, 0.0)[1] > 2 * heat.predict(usual, 0.0)[1]

    def test_forgets_in_weeks_and_its_uncertainty_stays_a_covariance(self) -> None:
        heat = copy.deepcopy(learned().watch.heat)
        error = heat.lamp[1]
        late = heat.at_ms + 30 * 24 * HOUR_MS
        heat.learn(Piece(late - HOUR_MS, late, 0.3, 0.01, 4.8, False), 0.0)
        assert heat.lamp[1] > error
        for i in range(4):
            for j in range(4):
                assert heat.cov[i][j] ** 2 <= heat.cov[i][i] * heat.cov[j][j] * (1 + 1e-9)


def _parts(piece: Piece, loss: float) -> tuple[int, int, float, float, float, bool]:
    return piece.start_ms, piece.end_ms, loss, piece.error, piece.warmer_k, piece.heated
