"""The keeper's book: what is due and when, the salt balance and the cycle by the journal, light."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.calendar import local_date, utc_ms
from stillwell.entry import Entry
from stillwell.estimate.lamplight import LitHours, NotSeen
from stillwell.estimate.salt.balance import begun, updated
from stillwell.estimate.salt.told import MissingWater
from stillwell.journal import Circumstances, JournalError, drafted, salt_events
from stillwell.keeper import photoperiod
from stillwell.keeper.level_now import LevelNow
from stillwell.keeper.photoperiod import Light
from stillwell.keeper.reminders import Facts, Task, due, tasks
from stillwell.observe.balance import Ledger, animals, cycle_of, salt_states
from stillwell.observe.plan import BookPlan
from stillwell.observe.salt.alarms import explained
from stillwell.units import Dimension, System, parse

DAY = 86_400_000
HOUR = 3_600_000
DUBLIN = ZoneInfo("Europe/Dublin")
PLAN = BookPlan(68_000.0, "Europe/Dublin")
START = utc_ms(dt.date(2026, 3, 2), dt.time(8), DUBLIN)  # a Monday


def book(*rows: tuple[float, str, float | None, str], to_mark: bool = False) -> list[Entry]:
    """Entries as (days since the start, kind, value, unit); `to_mark`: of the pours."""
    return [
        Entry(
            kind,
            START + round(day * DAY),
            value,
            unit,
            id=number + 1,
            to_mark=to_mark and kind == "pour",
        )
        for number, (day, kind, value, unit) in enumerate(rows)
    ]


def at(day: float) -> int:
    return START + round(day * DAY)


def named(name: str, entries: list[Entry], now: float, **more: object) -> Task | None:
    facts = Facts(entries, START, **more)  # type: ignore[arg-type]
    return next((t for t in tasks(facts, PLAN, at(now)) if t.name == name), None)


class TestTopUp:
    def test_is_looked_at_every_day(self) -> None:
        poured = book((3.4, "pour", 500.0, "mL"))
        assert named("top-up", poured, 3.9).local_date == dt.date(2026, 3, 6)  # type: ignore[union-attr]

    def test_that_nobody_answers_is_due_anew_each_day(self) -> None:
        days = {named("top-up", [], day + 0.2).local_date for day in (1, 2, 3)}  # type: ignore[union-attr]
        assert len(days) == 3

    def test_is_left_out_when_the_level_knows_that_nothing_is_missing(self) -> None:
        assert named("top-up", [], 3.2, level=LevelNow(5.0)) is None

    def test_says_how_much(self) -> None:
        task = named("top-up", [], 3.2, level=LevelNow(540.0))
        assert task is not None
        assert "540 mL" in task.text

    def test_orders_no_water_while_the_pump_may_stand(self) -> None:
        task = named("top-up", [], 3.2, level=LevelNow(-600.0, "pump.stopped"))
        assert task is not None
        assert task.text.startswith("See to pump.stopped first; until the pump runs pour nothing")

    def test_of_today_is_not_due_before_its_time(self) -> None:
        poured = book((3.4, "pour", 500.0, "mL"))
        before_nine = Facts(poured, START)
        assert not [t for t in due(before_nine, PLAN, at(4.0)) if t.name == "top-up"]
        assert [t for t in due(before_nine, PLAN, at(4.05)) if t.name == "top-up"]


class TestWaterChange:
    def test_is_due_a_week_after_the_last(self) -> None:
        task = named("water-change", book((2.0, "water-change", 10_000.0, "mL")), 3.0)
        assert task is not None
        assert task.local_date == dt.date(2026, 3, 11)

    def test_says_amounts_and_the_caution(self) -> None:
        task = named("water-change", [], 8.0)
        assert task is not None
        for part in ("10.0 L", "35 ppt", "dry mix", "unplug heater and pump", "drip loop", "RCD"):
            assert part in task.text

    def test_has_no_more_digits_than_an_instrument_where_the_limits_are_in_g_per_kg(self) -> None:
        low, high = (parse(text, Dimension.SALINITY) for text in ("34 g/kg", "36 g/kg"))
        plan = replace(PLAN, salinity_low=low, salinity_high=high)
        [task] = [t for t in tasks(Facts([], START), plan, at(8.0)) if t.name == "water-change"]
        assert "at 34.8 ppt" in task.text
        assert "at 34.8 ppt" in task.note

    def test_is_typed_in_the_units_of_the_keeper_and_read_back(self) -> None:
        for units in System:
            plan = replace(PLAN, units=units)
            facts = Facts(book((0.0, "water-change", 10_000.0, "mL at 35 ppt")), START)
            [note] = [t.note for t in tasks(facts, plan, at(7.1)) if t.name == "water-change"]
            kind, value, unit = note.removeprefix("stillwell note ").split(" ", 2)
            here = Circumstances(at(7.1), PLAN.tank_ml)
            kept = drafted(kind, value, unit, here=here).entry
            assert kept.value == pytest.approx(10_000.0, rel=0.01)

    def test_waits_while_the_cycle_runs(self) -> None:
        running = book((0.1, "cycle-start", None, ""), (2.0, "ammonia", 1.0, "mg/L N"))
        assert named("water-change", running, 20.0) is None

    def test_keeps_its_hour_when_the_clocks_change(self) -> None:
        # 29 March 2026: Ireland goes to summer time.
        for changed in (18.0, 24.0):
            task = named("water-change", book((changed, "water-change", 9e3, "mL")), changed)
            assert task is not None
            local = dt.datetime.fromtimestamp(task.due_ms / 1000, DUBLIN)
            assert local.time() == dt.time(9)

    def test_an_entry_struck_out_does_not_count(self) -> None:
        rows = book((2.0, "water-change", 10_000.0, "mL"))
        rows.append(Entry("struck", at(2.0), strikes=1, id=2))
        task = named("water-change", rows, 3.0)
        assert task is not None
        assert task.local_date == dt.date(2026, 3, 9)


class TestPostponing:
    def test_puts_a_task_off_from_when_it_was_asked(self) -> None:
        rows = [
            *book((0.5, "water-change", 10_000.0, "mL")),
            Entry("postponed", at(7.2), 2 * 86_400.0, "s", "water-change", id=9),
        ]
        task = named("water-change", rows, 7.3)
        assert task is not None
        assert task.local_date == dt.date(2026, 3, 11)

    def test_is_over_once_the_thing_was_done(self) -> None:
        rows = [
            Entry("postponed", at(7.2), 20 * 86_400.0, "s", "water-change", id=9),
            *book((8.0, "water-change", 10_000.0, "mL")),
        ]
        task = named("water-change", rows, 8.3)
        assert task is not None
        assert task.local_date == dt.date(2026, 3, 17)

    def test_of_something_unknown_is_refused_with_what_there_is(self) -> None:
        here = Circumstances(START, 68_000.0)
        with pytest.raises(JournalError, match="refractometer"):
            drafted("postponed", "2 d", here=here, text="watering")


class TestTests:
    def test_come_every_other_day_while_the_cycle_runs(self) -> None:
        rows = book((0.1, "cycle-start", None, ""), (2.1, "ammonia", 1.0, "mg/L N"))
        task = named("tests", rows, 3.0)
        assert task is not None
        assert task.local_date == dt.date(2026, 3, 6)

    def test_are_silent_once_both_were_back_at_zero_twice(self) -> None:
        rows = book(*CYCLE)
        assert named("tests", rows, 30.0) is None
        assert cycle_of(rows).verdict.finished_ms == at(12.0)

    def test_are_nobodys_business_in_a_tank_that_lives_already(self) -> None:
        rows = book((0.0, "animals-in", 2.0, ""), (5.0, "ammonia", 0.0, "mg/L N"))
        assert named("tests", rows, 9.0) is None


CYCLE = (
    (0.0, "cycle-start", None, ""),
    *((2.0, "ammonia", 2.0, "mg/L N"), (2.0, "nitrite", 0.0, "mg/L N")),
    *((6.0, "ammonia", 0.5, "mg/L N"), (6.0, "nitrite", 1.0, "mg/L N")),
    *((10.0, "ammonia", 0.0, "mg/L N"), (10.0, "nitrite", 0.0, "mg/L N")),
    *((12.0, "ammonia", 0.0, "mg/L N"), (12.0, "nitrite", 0.0, "mg/L N")),
)


class TestOnce:
    @given(
        st.lists(
            st.tuples(
                st.floats(0.0, 60.0),
                st.sampled_from(["pour", "water-change", "salinity", "ammonia", "cycle-start"]),
            ),
            max_size=12,
        ),
        st.floats(0.0, 60.0),
    )
    def test_a_task_has_one_date_and_its_time_lies_on_it(
        self, rows: list[tuple[float, str]], now: float
    ) -> None:
        units = {"ammonia": "mg/L N", "salinity": "ppt", "cycle-start": ""}
        entries = book(
            *(
                (day, kind, 35.0 if kind == "salinity" else 1.0, units.get(kind, "mL"))
                for day, kind in sorted(rows)
                if day <= now
            )
        )
        found = tasks(Facts(entries, START), PLAN, at(now))
        assert len({t.name for t in found}) == len(found)
        for task in found:
            assert local_date(task.due_ms, DUBLIN) == task.local_date
            assert task.note.startswith("stillwell ")

    def test_nothing_is_asked_of_the_first_hours(self) -> None:
        assert due(Facts([], START), PLAN, at(0.05)) == []

    def test_a_cold_sample_is_given_its_time_on_the_prism(self) -> None:
        # 45 s: common practice.
        measured = book((0.0, "salinity", 35.0, "ppt"))
        for name in ("salinity", "refractometer"):
            task = named(name, measured, 40.0)
            assert task is not None
            assert " 45 s" in task.text

    def test_a_refractometer_that_was_never_calibrated_is_due(self) -> None:
        rows = book((1.0, "salinity", 35.0, "ppt"))
        task = named("refractometer", rows, 2.1)
        assert task is not None
        assert at(1.1) < task.due_ms <= at(2.1)
        rows.append(Entry("calibration", at(1.2), 35.5, "ppt", "Refractometer, 35 fluid", id=5))
        later = named("refractometer", rows, 1.3)
        assert later is not None
        assert later.local_date == dt.date(2026, 4, 2)


class TestBalance:
    def test_a_check_is_the_salinity_and_salt_water_raises_it(self) -> None:
        checked = book((1.0, "salinity", 35.0, "ppt"))
        before = Ledger(PLAN.salt).at(checked, [], at(2.0))
        poured = [*checked, Entry("salt-pour", at(1.5), 5000.0, "mL at 35 ppt", id=8)]
        after = Ledger(PLAN.salt).at(poured, [], at(2.0))
        assert before.checks == 1
        # 5 L of 35 in 68 L are worth 35 x 5/68 = 2.6
        assert after.mean[0] - before.mean[0] == pytest.approx(2.6, abs=0.15)

    def test_does_not_depend_on_the_order_in_which_things_were_written_down(self) -> None:
        rows = book(
            (1.0, "salinity", 35.4, "ppt"),
            (2.0, "pour", 900.0, "mL"),
            (3.0, "salinity", 35.0, "ppt"),
        )
        assert Ledger(PLAN.salt).at(rows, [], at(4)) == Ledger(PLAN.salt).at(rows[::-1], [], at(4))

    def test_the_level_says_what_is_missing(self) -> None:
        rows = book((1.0, "salinity", 35.0, "ppt"))
        seen = [MissingWater(at(9.9), 0.0, 30.0)]
        known = Ledger(PLAN.salt).at(rows, seen, at(10)).missing_ml
        assert abs(known) < 100
        assert Ledger(PLAN.salt).at(rows, [], at(10)).missing_ml > 1000

    def test_a_check_that_nothing_explains_is_told_with_what_it_likely_comes_from(self) -> None:
        week = [(float(day), "salinity", 35.0, "ppt") for day in range(0, 22, 7)]
        pours = [(day + 0.5, "pour", 540.0, "mL") for day in range(21)]
        ledger = Ledger(PLAN.salt)
        ledger.at(book(*week, *pours, to_mark=True), (), at(22))
        last = ledger.last_check
        assert last is not None
        assert not last.unexpected
        odd = book(*week, *pours, (21.5, "salinity", 37.5, "ppt"), to_mark=True)
        ledger.at(odd, (), at(22))
        last = ledger.last_check
        assert last is not None
        assert last.unexpected
        assert "Most likely: " in last.text

    def test_a_check_is_held_against_the_book_and_not_against_what_may_have_been_in_the_can(
        self,
    ) -> None:
        """It is the entries that do not explain it, however well salt water in the can would."""
        checks = [(2.0 * n, "salinity", 35.0 + 0.5 * max(0, n - 5), "ppt") for n in range(11)]
        pours = [(day + 0.5, "pour", 540.0, "mL") for day in range(20)]
        rows = book(*checks, *pours, to_mark=True)
        ledger = Ledger(PLAN.salt)
        after = ledger.at(rows, (), at(21))
        assert after.salted > 0.5
        state = begun(PLAN.salt, at(0))
        for event in sorted(salt_events(rows), key=lambda event: event.t_ms):
            before, state = state, updated(state, event)
        last = ledger.last_check
        assert last is not None
        assert event == last.check
        assert last.text == explained(before, last.check)

    def test_the_first_check_of_all_is_never_unexpected(self) -> None:
        ledger = Ledger(PLAN.salt)
        for read in (38.0, 41.9):  # 41.9 is further from the usual 35 than chance explains
            ledger.at(book((0.0, "salinity", read, "ppt")), (), at(1))
            last = ledger.last_check
            assert last is not None
            assert not last.unexpected
        ledger.at([], (), at(1))
        assert ledger.last_check is None

    @given(st.lists(st.tuples(st.floats(0.0, 150.0), st.sampled_from(["salinity", "pour"]))))
    def test_from_hour_to_hour_is_what_it_is_anew(self, rows: list[tuple[float, str]]) -> None:
        value = {"salinity": (35.2, "ppt"), "pour": (540.0, "mL")}
        entries = book(*((day, kind, *value[kind]) for day, kind in rows))
        ledger = Ledger(PLAN.salt)
        for day in (0.0, 10.0, 10.04, 60.0, 125.0, 149.0, 160.0):
            anew = Ledger(PLAN.salt).at(entries, [], at(day))
            assert ledger.at(entries, [], at(day)) == anew

    @given(st.lists(st.tuples(st.floats(0.0, 100.0), st.sampled_from(["salinity", "pour"]))))
    def test_from_day_to_day_is_what_it_is_on_each_of_them(
        self, rows: list[tuple[float, str]]
    ) -> None:
        value = {"salinity": (35.2, "ppt"), "pour": (540.0, "mL")}
        entries = book(*((day, kind, *value[kind]) for day, kind in rows))
        level = [MissingWater(at(7.5), 300.0, 30.0)]
        times = [at(day) for day in range(0, 110, 5)]
        together = list(salt_states(entries, level, PLAN.salt, times))
        assert together == [Ledger(PLAN.salt).at(entries, level, now) for now in times]

    def test_animals_are_counted_in_and_out(self) -> None:
        rows = book(
            (1, "animals-in", 3.0, ""), (2, "animals-out", 1.0, ""), (3, "animals-in", None, "")
        )
        assert animals(rows) == 3


class TestLight:
    def test_ten_hours_of_a_day_are_ten_hours(self) -> None:
        day = [1.0 if 72 <= cell < 132 else 0.0 for cell in range(144)]
        assert photoperiod.kept_hours(day) == pytest.approx(10.0)

    def test_a_day_that_was_hardly_seen_says_nothing(self) -> None:
        assert photoperiod.kept_hours([1.0] * 100) is None
        assert photoperiod.words(Light(10.0)) == ""

    def test_a_timer_that_went_wrong_is_told_with_the_caution(self) -> None:
        said = photoperiod.words(Light(10.0, True, 14.0))
        assert "4.0 h more" in said
        assert "Dry hands" in said
        assert "no more than 30 min a day" in said

    def test_hours_seen_only_in_the_water_s_warmth_say_so(self) -> None:
        seen = Light(10.0, by_warmth=LitHours(12.0, 11.5, 12.5, 600, 7.0))
        assert "about 12.0 h a day (11.5 to 12.5), by the water's warmth" in photoperiod.words(seen)
        assert "more than the 10 h wanted" in photoperiod.words(seen)
        as_wanted = Light(10.0, by_warmth=LitHours(10.5, 9.5, 11.5, 600, 7.0))
        assert photoperiod.words(as_wanted).endswith("; 10 h wanted.")
        unseen = Light(10.0, known=True, by_warmth=NotSeen("it does not show."))
        assert "it does not show" in photoperiod.words(unseen)
        assert photoperiod.words(replace(unseen, known=False)) == ""

    def test_hours_that_were_noted_are_those_wanted(self) -> None:
        noted = book((0.0, "lamp-hours", 11 * 3600.0, "s"), (1.0, "lamp-hours", 9 * 3600.0, "s"))
        assert photoperiod.wanted(noted, 8.0) == Light(9.0, known=True)
        assert photoperiod.wanted([], 8.0) == Light(8.0, known=True)
        assert photoperiod.wanted([], None) == Light(10.0)

    def test_a_wrong_yesterday_is_work_for_today_until_hours_are_noted(self) -> None:
        off = Light(10.0, True, 14.0)
        task = named("lamp", [], 5.5, light=off)
        assert task is not None
        assert task.local_date == local_date(at(5.5), DUBLIN)
        assert task.note == "stillwell note lamp-hours 10 h"
        noted = book((5.4, "lamp-hours", 10 * 3600.0, "s"))
        assert named("lamp", noted, 5.5, light=off) is None
        assert named("lamp", [], 5.5, light=Light(10.0, True, 10.2)) is None
        assert named("lamp", [], 5.5) is None
