"""The lamp's heat missed, and found where none should be; its hours; what is learned of it."""

from __future__ import annotations

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from in_words import said, what
from stillwell.estimate.heat_balance.lamp import MOST, LampSeen, Piece
from stillwell.estimate.heat_balance.law import LawLearner
from stillwell.estimate.lamp_hours import LampHours
from stillwell.notice import Priority
from stillwell.observe.heat.lamp import LAMP_NOT_OFF, LAMP_NOT_ON
from tanks.heated import HEATER, LAMP, MIDNIGHT_MS, Heated, learned

HOUR_MS = 3_600_000
HOURS = LampHours(time(12), time(22), ZoneInfo("Europe/Dublin"))
NEVER, ALWAYS = (25.0, 25.0), (0.0, 24.0)


def lit(gives: float = 0.2, days: float = 6.0) -> Heated:
    """Days on which the lamp kept its hours."""
    return learned(LAMP, lamp=gives, days=days)


class TestALampThatFails:
    def test_stays_dark_and_is_missed_within_its_hours(self) -> None:
        tank = lit()
        tank.lit = NEVER
        tank.run(24)
        [finding] = tank.findings
        assert (finding.alarm, finding.active) == (LAMP_NOT_ON, True)
        assert finding.priority is Priority.LOW
        assert 12 < tank.at_h[LAMP_NOT_ON] - 6 * 24 < 22
        assert "12:00" in what(finding)
        assert "timer" in said(finding).do
        assert "[tank.lamp]" in said(finding).do

    def test_is_on_all_night_and_found_before_it_ends(self) -> None:
        tank = lit()
        tank.run(12)
        tank.lit = ALWAYS
        tank.run(24)
        assert tank.said() == [(LAMP_NOT_OFF, True)]
        assert 22 < tank.at_h[LAMP_NOT_OFF] - 6 * 24 < 36
        assert "22:00" in what(tank.findings[0])

    def test_is_well_again_once_the_water_shows_it(self) -> None:
        tank = lit()
        tank.lit = NEVER
        tank.run(24)
        tank.lit = (12.0, 22.0)
        tank.run(24)
        assert tank.said() == [(LAMP_NOT_ON, True), (LAMP_NOT_ON, False)]

    def test_does_not_become_the_usual_while_it_is_told_across_a_restart(self) -> None:
        tank = lit()
        before = tank.watch.lead.tank.learner.theta.x[4]
        tank.lit = NEVER
        tank.run(30)
        tank.restart()
        tank.run(24)
        assert tank.said() == [(LAMP_NOT_ON, True)]
        assert tank.watch.lead.tank.learner.theta.x[4] > 0.8 * before


class TestNothingToCryAbout:
    def test_in_weeks_of_lamp_hours_kept(self) -> None:
        tank = lit()
        tank.run(14 * 24)
        assert tank.said() == []

    @pytest.mark.parametrize("by", [-2.0, 2.0])
    def test_where_hours_were_moved_and_not_told(self, by: float) -> None:
        tank = lit()
        tank.lit = (12.0 + by, 22.0 + by)
        tank.run(6 * 24)
        assert tank.said() == []

    @pytest.mark.parametrize("warmer", [3.0, -5.0])
    def test_in_a_room_that_was_never_so_warm_or_cold(self, warmer: float) -> None:
        tank = lit()
        tank.run(20)
        tank.warmer = warmer
        tank.run(52)
        assert not [alarm for alarm, _ in tank.said() if alarm.startswith("lamp.")]

    def test_of_a_lamp_too_weak_to_stand_out(self) -> None:
        tank = lit(0.01)
        tank.lit = NEVER
        tank.run(24)
        tank.lit = ALWAYS
        tank.run(24)
        assert tank.said() == []

    def test_beside_a_room_that_nobody_reads(self) -> None:
        tank = lit()
        tank.room_read = False
        tank.lit = NEVER
        tank.run(36)
        assert not [alarm for alarm, _ in tank.said() if alarm.startswith("lamp.")]


class TestTheHours:
    def test_a_share_of_a_piece_is_what_of_it_lies_in_them(self) -> None:
        noon = MIDNIGHT_MS + 12 * HOUR_MS
        begin, end = noon - HOUR_MS, noon + 3 * HOUR_MS
        assert HOURS.share(begin, end) == pytest.approx(0.75)
        assert HOURS.share(begin, end, 2 * HOUR_MS) == pytest.approx(0.25)
        assert HOURS.share(begin, end, -2 * HOUR_MS) == 1.0

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
        window = HOURS.window(night)
        assert not window.lit
        assert (window.end_ms - window.start_ms) / HOUR_MS == 13.0

    @given(st.integers(0, 3_000_000))
    def test_every_instant_lies_in_its_window(self, minute: int) -> None:
        at_ms = MIDNIGHT_MS + minute * 60_000
        window = HOURS.window(at_ms)
        assert window.start_ms <= at_ms < window.end_ms
        hour = datetime.fromtimestamp(at_ms / 1000, ZoneInfo("Europe/Dublin")).hour
        assert window.lit == (12 <= hour < 22)


class TestTheEvidence:
    DAY = (MIDNIGHT_MS + 12 * HOUR_MS, MIDNIGHT_MS + 22 * HOUR_MS)

    @staticmethod
    def learner() -> LawLearner:
        """A law that knows its lamp well."""
        learner = LawLearner(HEATER, True)
        for index, number in enumerate((0.9, 1.0, 0.04, -0.12, 0.2)):
            learner.theta.x[index] = number
            learner.theta.renew(index, number, (0.05 * number) ** 2)
        return learner

    def ratio(self, *slopes: float) -> float:
        seen = LampSeen()
        for k, slope in enumerate(slopes):
            begin = self.DAY[0] + (3 + k) * HOUR_MS
            seen.pieces.append(Piece(begin, begin + HOUR_MS, 0.0, 0.0, -5.0, slope))
        return seen.ratio(self.learner(), HOURS, self.DAY, True)

    def test_without_any_is_none(self) -> None:
        assert self.ratio() == 0.0

    def test_what_fits_neither_story_counts_for_neither(self) -> None:
        assert self.ratio(-3.0) == 0.0

    def test_one_piece_alone_decides_nothing(self) -> None:
        assert 0.0 < self.ratio(-0.32) <= MOST
        assert self.ratio(-0.12) < 0.0

    def test_that_agrees_adds_up(self) -> None:
        assert self.ratio(-0.32, -0.32, -0.32) == pytest.approx(3 * self.ratio(-0.32))

    def test_of_a_lamp_that_is_hardly_known_is_none(self) -> None:
        learner = self.learner()
        learner.theta.renew(4, 0.2, 0.2**2)
        seen = LampSeen(pieces=[Piece(self.DAY[0], self.DAY[0] + HOUR_MS, 0.0, 0.0, -5.0, -0.32)])
        assert seen.ratio(learner, HOURS, self.DAY, True) == 0.0
