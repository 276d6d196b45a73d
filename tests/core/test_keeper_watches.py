"""The salt balance and the cycle as observers: alarms, corrections, and a restart in between."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from in_words import said, what
from stillwell.entry import STRUCK, Entry
from stillwell.estimate.answer import Estimate
from stillwell.finding import Finding
from stillwell.observe.cycle import AMMONIA, NITRITE, CycleWatch
from stillwell.observe.known import Known
from stillwell.observe.observing import Observer
from stillwell.observe.plan import BookPlan
from stillwell.observe.publishes import ALWAYS
from stillwell.observe.salt.watch import SaltWatch
from stillwell.ports import Published
from stillwell.reading import Moment

DAY = 86_400_000
HOUR = 3_600_000
START = 1_770_000_000_000
PLAN = BookPlan(68_000.0, "Europe/Dublin")


def moment(day: float) -> Moment:
    ms = round(day * DAY)
    return Moment(ms, START + ms)


def entry(number: int, day: float, kind: str, value: float | None = None, unit: str = "") -> Entry:
    return Entry(kind, START + round(day * DAY), value, unit, id=number)


def active(found: Iterable[Finding]) -> set[str]:
    return {f.alarm for f in found if f.active}


def lived(watch: Observer, entries: list[Entry], begin: float, end: float) -> list[Published]:
    """Tells entries at their times and ticks every six hours; returns what was published."""
    out: list[Published] = []
    at = begin
    while at <= end:
        for one in entries:
            if at - 0.25 < (one.at_ms - START) / DAY <= at:
                list(watch.note(one, None))
        list(watch.tick(moment(at)))
        out += watch.estimates(moment(at))
        at += 0.25
    return out


class TestSalt:
    def test_says_of_each_alarm_at_the_start_that_it_does_not_stand(self) -> None:
        found = list(SaltWatch(PLAN).tick(moment(0)))
        assert {f.alarm for f in found} == set(SaltWatch.alarms())
        assert not active(found)

    def test_is_silent_where_nobody_measures(self) -> None:
        watch = SaltWatch(PLAN)
        list(watch.tick(moment(0)))
        list(watch.note(entry(1, 1.0, "pour", 500.0, "mL"), None))
        assert list(watch.tick(moment(90))) == []
        assert list(watch.estimates(moment(90))) == []

    def test_a_check_outside_the_limits_is_an_alarm_with_its_caution(self) -> None:
        watch = SaltWatch(PLAN)
        list(watch.note(entry(1, 1.0, "salinity", 38.0, "ppt"), None))
        found = list(watch.tick(moment(1.01)))
        assert active(found) == {"salinity.high"}
        [high] = [f for f in found if f.active]
        assert "Unplug heater and pump" in said(high).caution

    def test_a_check_that_was_struck_out_is_an_alarm_no_more(self) -> None:
        watch = SaltWatch(PLAN)
        wrong = entry(1, 1.0, "salinity", 38.0, "ppt")
        list(watch.note(wrong, None))
        list(watch.tick(moment(1.01)))
        list(watch.note(Entry(STRUCK, wrong.at_ms, strikes=1, id=2), wrong))
        assert not active(watch.tick(moment(1.02)))

    def test_the_interval_grows_until_somebody_looks(self) -> None:
        watch = SaltWatch(PLAN)
        rows = lived(watch, [entry(1, 0.5, "salinity", 35.0, "ppt")], 0.0, 60.0)
        assert {(row.name, row.unit) for row in rows} <= set(ALWAYS.items())
        widths = [row.high - row.low for row in rows if row.high and row.low]
        assert widths[-1] > 2 * widths[1]
        assert watch._standing in ({"salinity.unsure"}, {"salinity.high"})

    def test_the_level_keeps_a_full_tank_from_being_called_salty(self) -> None:
        check = [entry(1, 0.5, "salinity", 35.0, "ppt")]
        known, blind = SaltWatch(PLAN), SaltWatch(PLAN)
        known.hear(Known(missing=Estimate(0.0, -60.0, 60.0, "mL", (), (0, 0))))
        last = lived(known, check, 0.0, 14.0)[-1], lived(blind, check, 0.0, 14.0)[-1]
        assert last[0].value == pytest.approx(35.0, abs=0.3)
        assert last[1].value is not None
        assert last[1].value > 36.0

    @settings(max_examples=20)
    @given(st.floats(0.25, 9.75))
    def test_a_restart_changes_nothing(self, cut: float) -> None:
        cut = round(cut * 4) / 4
        entries = [
            entry(1, 0.5, "salinity", 35.4, "ppt"),
            entry(2, 3.2, "pour", 1500.0, "mL"),
            entry(3, 6.1, "water-change", 10_000.0, "mL at 35 ppt"),
            entry(4, 8.0, "salinity", 35.0, "ppt"),
        ]
        whole = SaltWatch(PLAN)
        lived(whole, entries, 0.0, 10.0)
        first, second = SaltWatch(PLAN), SaltWatch(PLAN)
        lived(first, entries, 0.0, cut)
        second.restore(first.state())
        lived(second, entries, cut + 0.25, 10.0)
        assert second.state() == whole.state()

    def test_a_damaged_state_is_refused(self) -> None:
        other, damaged = '[99,{"entries":[]}]', '[3,{"entries":[[1]],"level":[],"standing":[]}]'
        for text in ("", "[]", other, damaged):
            with pytest.raises(ValueError, match="can't be used"):
                SaltWatch(PLAN).restore(text)

    def test_a_restart_forgets_no_word_beside_an_entry(self) -> None:
        # with pure water 0.5 is half a unit too much; as 35 ppt fluid it would be misread
        checks = [
            entry(1, 0.1, "salinity", 35.5, "ppt"),
            replace(entry(2, 0.2, "calibration", 0.5, "ppt"), text="refractometer, pure water"),
        ]
        first, second = SaltWatch(PLAN), SaltWatch(PLAN)
        lived(first, checks, 0.0, 0.5)
        second.restore(first.state())
        [before], [after] = (lived(watch, [], 0.75, 1.0)[-1:] for watch in (first, second))
        assert before == after
        blunt = SaltWatch(PLAN)
        assert lived(blunt, checks[:1], 0.0, 1.0)[-1] != after

    def test_a_clock_that_was_never_set_ends_no_alarm(self) -> None:
        before, after = SaltWatch(PLAN), SaltWatch(PLAN)
        list(before.note(entry(1, 0.9, "salinity", 38.0, "ppt"), None))
        assert active(before.tick(moment(1.0))) == {"salinity.high"}
        after.restore(before.state())
        assert list(after.tick(Moment(0, 60_000))) == []
        assert active(after.tick(moment(1.1))) == {"salinity.high"}


class TestCycle:
    def test_a_stage_is_published_when_it_changes(self) -> None:
        watch = CycleWatch(PLAN)
        rows = lived(
            watch,
            [
                entry(1, 0.1, "cycle-start"),
                entry(2, 2.0, "ammonia", 2.0, "mg/L N"),
                entry(3, 2.0, "nitrite", 0.0, "mg/L N"),
                entry(4, 5.0, "ammonia", 0.5, "mg/L N"),
                entry(5, 5.0, "nitrite", 1.0, "mg/L N"),
            ],
            0.0,
            9.0,
        )
        assert {(row.name, row.unit) for row in rows} <= set(ALWAYS.items())
        assert [row.basis for row in rows] == [
            *("not started", "ammonia rising", "ammonia falling, nitrite rising")
        ]

    def test_ammonia_in_a_tank_without_animals_is_no_alarm(self) -> None:
        watch = CycleWatch(PLAN)
        list(watch.note(entry(1, 1.0, "ammonia", 2.0, "mg/L N"), None))
        assert not active(watch.tick(moment(1.1)))

    def test_ammonia_beside_animals_is_one_until_a_test_reads_zero(self) -> None:
        watch = CycleWatch(PLAN)
        list(watch.note(entry(1, 1.0, "animals-in", 2.0), None))
        list(watch.note(entry(2, 2.0, "ammonia", 0.25, "mg/L N"), None))
        found = list(watch.tick(moment(2.1)))
        assert active(found) == {AMMONIA}
        [raised] = [f for f in found if f.active]
        assert "NH3" in what(raised)
        assert "dry hands" in said(raised).caution
        list(watch.note(entry(3, 3.0, "ammonia", 0.0, "mg/L N"), None))
        assert not active(watch.tick(moment(3.1)))

    def test_stands_again_after_a_restart(self) -> None:
        before, after = CycleWatch(PLAN), CycleWatch(PLAN)
        list(before.note(entry(1, 1.0, "animals-in", 2.0), None))
        list(before.note(entry(2, 2.0, "nitrite", 0.25, "mg/L N"), None))
        list(before.tick(moment(2.1)))
        after.restore(before.state())
        assert active(after.tick(moment(2.2))) == {NITRITE}
