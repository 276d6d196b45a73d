"""The judge of a watch over the heat: what counts as false, told, taken back, renamed, cleared."""

from __future__ import annotations

from datetime import date
from typing import Literal

import pytest
from heat_judge import Alarm, Facts, Look, facts, judge, tally

from tanks.trace import DAY_S, HOUR_S, Fault, Heater, Household, Injected, seeds
from tanks.worlds import NODES

HOUSEHOLD = Household(
    volume_l=68.0,
    heater=Heater.THERMOSTAT,
    powers_w=(100.0,),
    setting_c=25.0,
    night=None,
    chiller_w=None,
    chiller_setting_c=None,
    fan_hours=None,
    lamp_hours=None,
    lamp_switch=False,
    band_c=(24.0, 26.5),
    every_s=30,
    probes=("probe-a",),
    room_probe=False,
    start=date(2026, 3, 1),
)
ONSET_S, END_S = 5 * DAY_S, 8 * DAY_S
Priority = Literal["low", "medium", "high"]


def looks(water_c: float, heats_w: float, falls_k: float = 0.0) -> tuple[Look, ...]:
    return tuple(
        Look(at, water_c - falls_k * at / DAY_S, heats_w, heats_w, 0.0)
        for at in range(300, 12 * DAY_S, 300)
    )


def known(fault: Fault, seen: tuple[Look, ...] = (), band_left_s: int | None = None) -> Facts:
    return Facts(
        household=HOUSEHOLD,
        injected=None if fault is Fault.NONE else Injected(fault, ONSET_S, END_S),
        days=12.0,
        shows_s=ONSET_S + HOUR_S,
        band_left_s=band_left_s,
        mended_s=END_S + 3 * HOUR_S,
        looks=seen or looks(25.0, 40.0),
    )


def alarm(
    name: str, raised_s: int, cleared_s: int | None = None, priority: Priority = "high"
) -> Alarm:
    return Alarm(name, priority, raised_s, cleared_s)


TOLD = alarm("heater.not-heating", ONSET_S + 2 * HOUR_S, END_S + HOUR_S)


class TestTheRightAlarm:
    def test_is_told_with_its_delay_and_cleared_in_time(self) -> None:
        found = judge([TOLD], known(Fault.HEATER_DEAD, band_left_s=ONSET_S + 5 * HOUR_S))
        assert (found.told, found.delay_s, found.before_band) == (True, HOUR_S, True)
        assert (found.taken_back, found.renamed, found.raised) == (0, (), 1)
        assert found.cleared_in_time is True
        assert not found.false
        assert not found.wrong

    def test_comes_after_the_band_was_left(self) -> None:
        found = judge([TOLD], known(Fault.HEATER_DEAD, band_left_s=ONSET_S + HOUR_S))
        assert found.before_band is False

    def test_never_comes(self) -> None:
        found = judge([], known(Fault.HEATER_DEAD, band_left_s=ONSET_S + HOUR_S))
        assert (found.told, found.delay_s, found.before_band) == (False, None, False)
        assert found.cleared_in_time is None

    def test_is_taken_back_and_raised_again(self) -> None:
        gone = alarm("heater.not-heating", ONSET_S + 2 * HOUR_S, ONSET_S + DAY_S)
        again = alarm("heater.not-heating", ONSET_S + 2 * DAY_S, END_S + HOUR_S)
        found = judge([again, gone], known(Fault.HEATER_DEAD))
        assert (found.taken_back, found.raised) == (1, 2)

    def test_may_come_and_go_with_a_relay_that_does(self) -> None:
        gone = alarm("heater.stuck-on", ONSET_S + 2 * HOUR_S, ONSET_S + DAY_S)
        assert judge([gone], known(Fault.RELAY_STICKS)).taken_back == 0

    @pytest.mark.parametrize("cleared_s", [END_S + 4 * HOUR_S, None])
    def test_is_cleared_too_late(self, cleared_s: int | None) -> None:
        late = alarm("heater.not-heating", ONSET_S + 2 * HOUR_S, cleared_s)
        assert judge([late], known(Fault.HEATER_DEAD)).cleared_in_time is False


class TestAnotherCause:
    def test_is_wrong_while_the_fault_is_there_and_renames_it_once_it_was_told(self) -> None:
        other = alarm("room.too-cold", ONSET_S + DAY_S, priority="medium")
        found = judge([TOLD, other], known(Fault.HEATER_DEAD, looks(20.0, 100.0, 0.1)))
        assert found.wrong == (other,)
        assert found.renamed == ("room.too-cold",)
        assert not found.false

    def test_is_no_renaming_before_the_right_one(self) -> None:
        other = alarm("heater.too-weak", ONSET_S + HOUR_S)
        found = judge([other, TOLD], known(Fault.HEATER_DEAD))
        assert (found.wrong, found.renamed) == ((other,), ())

    def test_is_allowed_where_it_is_so_too(self) -> None:
        other = alarm("heater.setting-moved", ONSET_S + HOUR_S)
        found = judge([other], known(Fault.ONE_DEAD))
        assert (found.wrong, found.told) == ((), False)

    @pytest.mark.parametrize("name", ["heater.stuck-on", "heater.not-heating", "chiller.stuck-on"])
    def test_no_device_is_at_fault_when_the_sun_shines(self, name: str) -> None:
        assert judge([alarm(name, ONSET_S + HOUR_S)], known(Fault.SUN_HOT)).wrong_of("high") == 1

    def test_that_is_not_about_heat_is_not_judged(self) -> None:
        assert not judge([alarm("leak", 3 * DAY_S)], known(Fault.NONE)).false


class TestFalse:
    @pytest.mark.parametrize("raised_s", [DAY_S, END_S + DAY_S])
    def test_is_what_is_raised_outside_the_fault(self, raised_s: int) -> None:
        assert judge([alarm("heater.not-heating", raised_s)], known(Fault.HEATER_DEAD)).false

    def test_a_dial_that_is_turned_back_has_moved_again(self) -> None:
        back = alarm("heater.setting-moved", END_S + HOUR_S)
        assert not judge([back], known(Fault.DIAL_UP)).false
        assert judge([back], known(Fault.HEATER_DEAD)).false

    @pytest.mark.parametrize(
        ("name", "seen", "so"),
        [
            ("room.too-cold", looks(23.9, 98.0, 0.1), True),
            ("room.too-cold", looks(23.0, 98.0, -0.1), False),
            ("room.too-cold", looks(23.9, 40.0, 0.1), False),
            ("room.too-cold", looks(25.9, 98.0, 0.1), False),
            ("room.too-warm", looks(26.6, 0.0, -0.1), True),
            ("room.too-warm", looks(28.9, 0.0, 0.1), False),
            ("room.too-warm", looks(26.6, 40.0, -0.1), False),
        ],
    )
    def test_a_room_is_at_fault_only_where_the_devices_do_what_they_can(
        self, name: str, seen: tuple[Look, ...], so: bool
    ) -> None:
        found = judge([alarm(name, 2 * DAY_S)], known(Fault.NONE, seen))
        assert bool(found.false) is not so

    def test_an_alarm_cannot_end_before_it_begins(self) -> None:
        with pytest.raises(ValueError, match="before it is raised"):
            judge([alarm("heater.stuck-on", 100, 50)], known(Fault.NONE))


class TestTally:
    def test_adds_up(self) -> None:
        left = known(Fault.HEATER_DEAD, band_left_s=ONSET_S + 5 * HOUR_S)
        false = alarm("heater.stuck-on", DAY_S, priority="medium")
        found = tally([judge([TOLD], left), judge([false], left)])
        assert (found.runs, found.days, found.could_show) == (2, 24.0, 2)
        assert (found.told, found.never_told, found.told_late) == (1, 1, 1)
        assert (found.false_high, found.false_medium) == (0, 1)
        assert found.per_tank_day(found.false_medium) == pytest.approx(1 / 24)
        assert found.delay_median_s == found.delay_longest_s == HOUR_S
        assert (found.cleared, found.cleared_late) == (1, 0)


class TestFacts:
    def test_a_dead_heater_shows_before_the_band_is_left(self) -> None:
        run = NODES.run(
            seeds("choose", 2)[1],
            4.0,
            Fault.HEATER_DEAD,
            Heater.THERMOSTAT,
            onset_s=DAY_S,
            lasts_s=DAY_S,
            every_s=300,
        )
        found = facts(run)
        assert found.days == pytest.approx(4.0, abs=0.01)
        assert found.shows_s is not None
        assert found.band_left_s is not None
        assert found.mended_s is not None
        assert DAY_S < found.shows_s < found.band_left_s < 2 * DAY_S < found.mended_s

    def test_where_nothing_is_wrong_nothing_shows(self) -> None:
        run = NODES.run(seeds("choose", 2)[1], 1.0, every_s=300)
        found = facts(run)
        assert (found.shows_s, found.band_left_s, found.mended_s) == (None, None, None)
