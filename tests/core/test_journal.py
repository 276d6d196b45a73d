"""The keeper's book: refused with the reason, asked about, corrected, and read as evidence."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.entry import STRUCK, Entry
from stillwell.estimate.cycle.nitrification import Happening
from stillwell.estimate.cycle.stage import Test
from stillwell.estimate.level.evidence import Pour, WaterChange
from stillwell.estimate.level.geometry import Geometry
from stillwell.estimate.salt.told import Check, Exchange, TopUp
from stillwell.journal import (
    KINDS,
    Circumstances,
    Draft,
    JournalError,
    Kind,
    corrected,
    cycle_happenings,
    cycle_tests,
    drafted,
    number_and_unit,
    salinity_of,
    salt_events,
    standing,
    struck,
)
from stillwell.journal.kinds import Takes
from stillwell.observe.chamber.journal import change_of, pour_of
from stillwell.units import System

NOW = 1_767_225_600_000  # 1 January 2026 00:00 UTC
DAY = 86_400_000
HERE = Circumstances(NOW, 68_000.0)


def noted(kind: str, value: str | float | None = None, unit: str = "") -> Draft:
    return drafted(kind, value, unit, here=HERE, text="water-change")


def why_not(kind: str, value: str, unit: str) -> JournalError | None:
    try:
        noted(kind, value, unit)
    except JournalError as error:
        return error
    return None


def kept(entries: Sequence[Entry]) -> Circumstances:
    """With numbers as the store gives them."""
    return replace(HERE, entries=tuple(replace(e, id=n) for n, e in enumerate(entries, 1)))


class TestValues:
    @pytest.mark.parametrize(
        ("kind", "value", "unit", "is_kept", "as_"),
        [
            ("pour", "540", "mL", 540.0, "mL"),
            ("pour", "1.2", "L", 1200.0, "mL"),
            ("pour", "1", "gal to mark", 3785.411784, "mL"),
            ("pour", None, "", None, ""),
            ("pour", "1,2", "L", 1200.0, "mL"),
            ("pour", "2", "cups", 473.176473, "mL"),
            ("salt-pour", "1.2", "L at 34.5 ppt", 1200.0, "mL at 34.5 ppt"),
            ("salt-pour", "1.2", "L at 34,5 ppt", 1200.0, "mL at 34.5 ppt"),
            ("salt-pour", "1.2", "L at 34,5 g/kg", 1200.0, "mL at 34.5 g/kg"),
            ("water-change", "10", "L at 35 psu", 10_000.0, "mL at 35 ppt"),
            ("water-change", "15", "%", 10_200.0, "mL"),
            ("water-change", "15", "% at 34.5 ppt", 10_200.0, "mL at 34.5 ppt"),
            ("salt-pour", "1.2", "L at 35 G/KG", 1200.0, "mL at 35 g/kg"),
            ("salinity", "35.2", "ppt", 35.2, "ppt"),
            ("salinity", "35.2", "g/kg", 35.2, "g/kg"),
            ("salinity", "1.0264", "25/25 degC", 1.0264, "sg 25/25 °C"),
            ("salinity", "1.0258", "sg 60/60 °F", 1.0258, "sg 60/60 °F"),
            ("salinity", "53.1", "mS/cm at 25.2 degC", 53.1, "mS/cm at 25.2 degC"),
            ("salinity", "5.31", "S/m at 77 degF", 53.1, "mS/cm at 25 degC"),
            ("temperature", "77.5", "degF", (77.5 - 32) / 1.8, "Cel"),
            ("ammonia", "1.2159", "mg/L NH3", 1.0, "mg/L N"),
            ("nitrite", "0.25", "ppm N", 0.25, "mg/L N"),
            ("nitrate", "4.4267", "mg/L NO3", 1.0, "mg/L N"),
            ("ph", "8.2", "", 8.2, "NBS"),
            ("ph", "8.05", "total", 8.05, "total"),
            ("heater-trim", "-0.9", "degF", -0.5, "K"),
            ("lamp-hours", "10", "h", 36_000.0, "s"),
            ("calibration", "35.5", "ppt", 35.5, "ppt"),
            ("animals-in", "2", "", 2.0, ""),
            ("fed", None, "", None, ""),
        ],
    )
    def test_are_kept_in_one_unit(
        self, kind: str, value: str | None, unit: str, is_kept: float | None, as_: str
    ) -> None:
        draft = noted(kind, value, unit)
        expected = None if is_kept is None else pytest.approx(is_kept, rel=1e-4)
        assert draft.entry.value == expected
        assert draft.entry.unit == as_
        assert draft.questions == ()

    @pytest.mark.parametrize(
        ("kind", "value", "unit", "says"),
        [
            ("pour", "-1.2", "L", "can't be"),
            ("pour", "70", "L", "can't be: it is more than 68.0 L"),
            ("pour", "500", "", "has no unit|needs one"),
            ("pour", "5", "%", "no unit of volume|needed here"),
            ("water-change", "150", "%", "can't be"),
            ("pour", "1,200", "mL", 'Write "1.200 mL" or "1200 mL"'),
            ("pour", "16", "oz", 'Write "16 fl oz"'),
            ("pour", "1.2", "L at 35 ppt", "Write salt-pour"),
            ("salt-pour", "1.2", "L at 70 ppt", "up to 42"),
            ("salt-pour", "1.2", "L at 35", 'Write "35 ppt"'),
            ("salt-pour", None, "", "needs a value"),
            ("salinity", "1.026", "", "worth 0.6 to 0.8 ppt"),
            ("salinity", "1.026", "sg", "worth 0.6 to 0.8 ppt"),
            ("salinity", "1.026", "60/60", "has no unit"),
            ("salinity", "53.1", "mS/cm", "without the water's temperature"),
            ("salinity", "53.1", "mS/cm at 77 degC", "outside -2 to 40"),
            ("salinity", "35", "", 'Write "35 ppt".'),
            ("salinity", "1026", "", 'write "1.026 25/25 degC" or "1.026 60/60 degF"'),
            ("salinity", "1026.4", "sg", 'write "1.0264 25/25 degC"'),
            ("salinity", "53.1", "", 'Write "53.1 mS/cm at 25.2 degC"'),
            ("salinity", "35", "furlong", 'Write "35 ppt".'),
            ("salinity", "350", "ppt", "can't be"),
            ("salinity", "1.26", "sg 25/25 degC", "can't be"),
            ("temperature", "77.5", "degC", "can't be"),
            ("temperature", "25.3", "", "has no unit|needs one"),
            ("ammonia", "0.5", "mg/L", "leaflet"),
            ("ammonia", "0.5", "mg/L NO2", "is counted as"),
            ("ammonia", "3", "", '3 has no unit.*Write "3 mg/L N" or "3 mg/L NH3"'),
            ("nitrite", "5", "mg/L", 'Write "5 mg/L N" or "5 mg/L NO2"'),
            ("nitrite", "-0.5", "mg/L N", "0 or more"),
            ("ph", "82", "", "can't be"),
            ("ph", "8.2", "mV", 'Write "8.2 NBS" or "8.2 total"'),
            ("lamp-hours", "30", "h", "can't be"),
            ("heater-trim", "77", "K", "can't be"),
            ("animals-in", "1.5", "", "counted"),
            ("fed", "3", "g", "takes no value"),
            ("salinty", "35", "ppt", 'Did you mean "salinity"'),
            ("temperature", "nan", "degC", "does not begin with a number"),
        ],
    )
    def test_that_can_not_be_are_refused_with_the_reason(
        self, kind: str, value: str | None, unit: str, says: str
    ) -> None:
        with pytest.raises(JournalError, match=says):
            noted(kind, value, unit)

    @pytest.mark.parametrize(
        ("kind", "value", "unit"),
        [
            ("pour", "12", "L"),
            ("salinity", "26", "ppt"),
            ("salinity", "1.018", "25/25 degC"),
            ("temperature", "15", "degC"),
            ("ammonia", "20", "mg/L N"),
            ("ph", "7.2", ""),
            ("lamp-hours", "18", "h"),
            ("heater-trim", "5", "K"),
            ("animals-in", "20", ""),
        ],
    )
    def test_that_are_odd_are_asked_about_with_what_is_usual(
        self, kind: str, value: str, unit: str
    ) -> None:
        (question,) = noted(kind, value, unit).questions
        assert "unusual" in question
        assert question.endswith("Is it right?")

    @pytest.mark.parametrize("kind", list(Kind))
    def test_of_the_example_of_each_kind_are_taken(self, kind: Kind) -> None:
        words = KINDS[kind].example.split(" --text ")[0].split(maxsplit=2)
        assert words[0] == kind
        value = words[1] if len(words) > 1 else None
        draft = noted(kind, value, words[2] if len(words) > 2 else "")
        assert draft.questions == ()
        assert (draft.entry.value is None) == (value is None)

    @pytest.mark.parametrize(
        ("kind", "value", "unit"),
        [
            ("pour", "1.2", "L to mark"),
            ("salt-pour", "1.2", "L at 34.5 ppt"),
            ("salt-pour", "1.2", "L at 35 g/kg to mark"),
            ("salinity", "35.2", "g/kg"),
            ("salinity", "1.0258", "60/60 degF"),
            ("salinity", "53.1", "mS/cm at 25.2 degC"),
            ("temperature", "77.5", "degF"),
            ("ammonia", "0.5", "mg/L NH3"),
            ("ph", "8.05", "total"),
            ("heater-trim", "-0.5", "K"),
            ("lamp-hours", "10", "h"),
        ],
    )
    def test_as_kept_are_read_as_the_same_again(self, kind: str, value: str, unit: str) -> None:
        once = noted(kind, value, unit).entry
        assert noted(kind, once.value, once.unit_in_file).entry == once

    @pytest.mark.parametrize(
        ("kind", "value", "unit", "to_mark"),
        [
            ("pour", "540", "mL to the fill mark", True),
            ("pour", None, "", True),
            ("salt-pour", "1", "L at 35 ppt to mark", True),
            ("pour", "540", "mL", False),
            ("animals-in", None, "", False),
        ],
    )
    def test_say_whether_the_water_stood_at_the_mark(
        self, kind: str, value: str | None, unit: str, to_mark: bool
    ) -> None:
        entry = noted(kind, value, unit).entry
        assert entry.to_mark is to_mark
        assert "mark" not in entry.unit

    @pytest.mark.parametrize("seconds", [0.0, -60.0, 43_200.0, math.nan])
    def test_took_no_time_or_half_a_day_are_refused(self, seconds: float) -> None:
        with pytest.raises(JournalError, match="can't be"):
            drafted("water-change", "10", "L", here=HERE, lasted_s=seconds)

    @given(st.sampled_from(list(Kind)), st.text(max_size=12), st.text(max_size=20))
    def test_whatever_is_typed_is_an_entry_or_a_reason(
        self, kind: Kind, value: str, unit: str
    ) -> None:
        try:
            entry = noted(kind, value, unit).entry
        except JournalError:
            return  # a reason, and nothing else that was raised
        assert entry.value is None or math.isfinite(entry.value)
        assert entry.value is not None or KINDS[kind].takes is not Takes.VALUE


class TestSuggestions:
    @given(
        st.sampled_from(["salinity", "ammonia", "nitrite", "nitrate", "ph", "pour", "temperature"]),
        st.decimals("0.1", 40, places=2).map(str),
        st.sampled_from(["", "mg/L", "furlong", "oz", "m"]),
    )
    def test_are_understood_when_they_are_typed(self, kind: str, number: str, unit: str) -> None:
        told = why_not(kind, number, unit)
        if told is None:
            return
        for text in re.findall('"([^"]+)"', told.do):
            typed, rest = number_and_unit(text)
            assert typed == number or " as in " in told.do
            again = why_not(kind, typed, rest)
            assert again is None or "can't be" in again.what

    def test_are_in_the_keeper_s_own_units(self) -> None:
        here = replace(HERE, units=System.US)
        with pytest.raises(JournalError) as raised:
            drafted("temperature", "77.5", "", here=here)
        assert raised.value.do == 'Write "77.5 degF" or "77.5 degC".'


class TestChamber:
    """18 x 9 cm, known to 5 %: a litre lifts it by 62 mm, by 56 mm at least."""

    CHAMBER = Geometry(180.0 * 90.0, 0.05, -45.0, 25.0)

    def asked(self, value: str, kind: str = "pour", missing_ml: float | None = 31.0) -> list[str]:
        here = replace(HERE, chamber=self.CHAMBER, missing_ml=missing_ml)
        return list(drafted(kind, value, "mL", here=here).questions)

    def test_a_pour_that_passes_the_highest_safe_level_is_asked_about(self) -> None:
        (question,) = self.asked("4000")
        assert question == (
            "A pour of 4.0 L lifts the chamber by 247 mm: at most 31 mL were missing, so it comes "
            "to 223 mm above the fill mark or more; 25 mm are safe. Is it right?"
        )
        assert self.asked("4000", "salt-pour")

    def test_what_was_missing_and_what_may_still_be_well_is_not(self) -> None:
        assert self.asked("31") == []
        assert self.asked("400") == []
        assert self.asked("540", missing_ml=540.0) == []

    def test_without_a_level_only_what_can_t_fit_at_all_is(self) -> None:
        assert self.asked("1200", missing_ml=None) == []
        (question,) = self.asked("1500", missing_ml=None)
        assert "even from its lowest safe level" in question

    def test_a_water_change_takes_out_as_much(self) -> None:
        assert self.asked("10000", "water-change") == []

    def test_without_a_chamber_nothing_is(self) -> None:
        assert drafted("pour", "4", "L", here=HERE).questions == ()

    @given(st.floats(10.0, 3000.0), st.floats(0.0, 2000.0))
    def test_more_is_never_asked_about_less(self, ml: float, missing_ml: float) -> None:
        here = replace(HERE, chamber=self.CHAMBER, missing_ml=missing_ml)
        asked = [bool(drafted("pour", v, "mL", here=here).questions) for v in (ml, ml + 100.0)]
        assert asked != [True, False]


class TestTimes:
    def test_are_told_in_the_tank_s_zone(self) -> None:
        here = replace(HERE, zone=ZoneInfo("America/New_York"))
        with pytest.raises(JournalError, match="31 December 2025 20:00 EST is still to come"):
            drafted("fed", None, here=here, at_ms=NOW + 3_600_000)

    def test_in_the_future_are_refused(self) -> None:
        with pytest.raises(JournalError, match="still to come"):
            drafted("fed", None, here=HERE, at_ms=NOW + 10 * 60_000)
        assert drafted("fed", None, here=HERE, at_ms=NOW + 60_000).questions == ()

    @pytest.mark.parametrize("at_ms", [0, -(10**18), 10**18])
    def test_that_no_tank_has_seen_are_refused(self, at_ms: int) -> None:
        with pytest.raises(JournalError):
            drafted("fed", None, here=HERE, at_ms=at_ms)

    def test_years_late_are_asked_about(self) -> None:
        (question,) = drafted("fed", None, here=HERE, at_ms=NOW - 800 * DAY).questions
        assert "800 days ago" in question

    def test_before_the_first_reading_are_asked_about(self) -> None:
        here = replace(HERE, first_ms=NOW - DAY)
        (question,) = drafted("fed", None, here=here, at_ms=NOW - 2 * DAY).questions
        assert "before the first reading" in question

    def test_twice_within_two_minutes_are_asked_about(self) -> None:
        here = kept([noted("pour", "540", "mL").entry])
        later = replace(here, now_ms=NOW + 60_000)
        (question,) = drafted("pour", "0.54", "L", here=later).questions
        assert "as entry 1" in question
        assert drafted("pour", "500", "mL", here=later).questions == ()
        much_later = replace(here, now_ms=NOW + DAY)
        assert drafted("pour", "540", "mL", here=much_later).questions == ()


class TestTexts:
    def test_lose_what_could_hide_in_them(self) -> None:
        entry = drafted("note", None, here=HERE, text=" a\x1b[31mb\nc\u202ed ").entry
        assert entry.text == r"a\x1b[31mb cd"

    def test_too_long_are_refused(self) -> None:
        with pytest.raises(JournalError, match="shorten"):
            drafted("note", None, here=HERE, text="x" * 501)

    def test_are_needed_where_they_are_all_there_is(self) -> None:
        with pytest.raises(JournalError, match="needs a text"):
            drafted("note", None, here=HERE)


class TestCorrections:
    FIRST = drafted("pour", "5.4", "L", here=HERE).entry

    def test_strike_the_old_one_out_and_keep_it(self) -> None:
        here = kept([self.FIRST])
        new = corrected(1, drafted("pour", "540", "mL", here=here), here).entry
        after = kept([self.FIRST, new])
        assert [e.value for e in standing(after.entries)] == [540.0]

    def test_of_corrections_leave_the_last(self) -> None:
        second = replace(self.FIRST, value=540.0, strikes=1)
        third = replace(self.FIRST, value=450.0, strikes=2)
        after = kept([self.FIRST, second, third])
        assert [e.value for e in standing(after.entries)] == [450.0]

    def test_of_what_has_been_corrected_name_the_one_that_stands(self) -> None:
        here = kept([self.FIRST, replace(self.FIRST, value=540.0, strikes=1)])
        with pytest.raises(JournalError, match="Correct entry 2"):
            corrected(1, drafted("pour", "450", "mL", here=here), here)

    def test_of_nothing_are_refused(self) -> None:
        with pytest.raises(JournalError, match="no entry 7"):
            struck(7, kept([self.FIRST]))

    def test_by_striking_put_nothing_in_its_place(self) -> None:
        here = kept([self.FIRST])
        entry = struck(1, here, by="Niamh")
        assert entry.kind == STRUCK
        after = kept([self.FIRST, entry])
        assert standing(after.entries) == []
        with pytest.raises(JournalError, match="struck out already"):
            struck(1, after)
        with pytest.raises(JournalError, match="no entry 2"):
            struck(2, after)

    def test_are_no_double_of_what_they_correct(self) -> None:
        here = kept([drafted("pour", "540", "mL", here=HERE, text="tap").entry])
        draft = drafted("pour", "540", "mL", here=here, text="from the can")
        assert draft.questions
        assert corrected(1, draft, here).questions == ()

    @given(st.lists(st.integers(0, 8), max_size=8))
    def test_of_any_shape_leave_a_subset_and_end(self, strikes: list[int]) -> None:
        rows = [
            replace(self.FIRST, id=n, strikes=s if 0 < s < n else None)
            for n, s in enumerate(strikes, 1)
        ]
        left = standing(rows)
        assert {e.id for e in left} <= {e.id for e in rows}


class TestEvidence:
    @staticmethod
    def entry(kind: str, value: str | None, unit: str) -> Entry:
        return noted(kind, value, unit).entry

    def test_of_salinity_is_the_same_by_every_instrument(self) -> None:
        # PSS-78 and TEOS-10: 35 is 53.071 mS/cm at 25 °C and 1.02637 at 25/25 °C.
        for value, unit in (
            ("35", "ppt"),
            ("53.071", "mS/cm at 25 degC"),
            ("1.02637", "25/25 degC"),
            ("1.02686", "60/60 degF"),
        ):
            assert salinity_of(self.entry("salinity", value, unit)) == pytest.approx(35.0, abs=0.01)

    def test_in_grams_a_kilogram_is_no_practical_salinity(self) -> None:
        # Millero et al., Deep-Sea Research I 55 (2008) 50: 35.16504 g/kg at practical salinity 35.
        read = self.entry("salinity", "35.16504", "g/kg")
        assert salinity_of(read) == pytest.approx(35.0, abs=1e-9)
        [poured] = salt_events([self.entry("salt-pour", "1", "L at 35.16504 g/kg")])
        assert isinstance(poured, TopUp)
        assert poured.salinity == pytest.approx(35.0, abs=1e-9)

    def test_of_another_kind_is_no_salinity(self) -> None:
        with pytest.raises(ValueError, match="no salinity"):
            salinity_of(self.entry("ph", "8.2", ""))

    def test_reaches_the_salt_balance(self) -> None:
        entries = [
            self.entry("salinity", "35.2", "ppt"),
            self.entry("pour", "540", "mL to mark"),
            self.entry("pour", None, ""),
            self.entry("salt-pour", "1", "L at 34 ppt"),
            self.entry("salt-pour", "1", "L"),
            self.entry("water-change", "10", "L at 35 ppt"),
            self.entry("fed", None, ""),
            replace(self.entry("salinity", "35", "ppt"), unit="furlongs"),
        ]
        assert salt_events(entries, check_sd=0.3) == [
            Check(NOW, 35.2, 0.3),
            TopUp(NOW, 540.0, to_mark=True),
            TopUp(NOW, None, to_mark=True),
            TopUp(NOW, 1000.0, 34.0),
            TopUp(NOW, 1000.0, 35.0),
            Exchange(NOW, 10_000.0, 35.0),
        ]

    def test_reaches_the_cycle(self) -> None:
        entries = [
            self.entry("ammonia", "0.5", "mg/L N"),
            self.entry("nitrite", "0.25", "mg/L N"),
            self.entry("water-change", "6.8", "L"),
        ]
        assert cycle_tests(entries) == [Test(NOW, ammonia=0.5), Test(NOW, nitrite=0.25)]
        (change,) = cycle_happenings(entries, NOW - 3 * DAY, 68_000.0)
        assert isinstance(change, Happening)
        assert (change.t_d, change.diluted) == pytest.approx((3.0, 0.1))

    def test_reaches_the_level(self) -> None:
        entries = [
            self.entry("pour", "540", "mL to mark"),
            self.entry("salt-pour", "1", "L"),
            self.entry("water-change", "10", "L"),
        ]
        assert pour_of(entries[0], NOW) == Pour(NOW, 540.0, 27.0, to_mark=True)
        assert pour_of(entries[1], NOW) == Pour(NOW, 1000.0, 50.0, fresh=False)
        # Three quarters of an hour before the time noted to half an hour after it.
        assert change_of(entries[2], NOW) == WaterChange(NOW - 2_700_000, NOW + 1_800_000)
        told = replace(entries[2], lasted_s=1500.0, text="took 2 h of my morning")
        assert change_of(told, NOW) == WaterChange(NOW, NOW + 1_500_000)
