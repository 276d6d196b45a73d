"""The refractometer by the journal: when it was set, and what that says of the readings between."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.entry import Entry
from stillwell.estimate.salt.told import Check
from stillwell.journal import Circumstances, JournalError, drafted, salinity_of, salt_events
from stillwell.journal.refractometer_log import calibrations, too_much
from stillwell.keeper.reminders import scale_in_words
from stillwell.water.refractometer import Calibration

DAY = 86_400_000
START = 1_767_225_600_000  # 1 January 2026 00:00 UTC
HERE = Circumstances(START, 68_000.0)


def look(day: float, found: float, text: str = "refractometer, 35 ppt fluid") -> Entry:
    return Entry("calibration", START + round(day * DAY), found, "ppt", text)


def check(day: float, read: float, unit: str = "ppt", text: str = "") -> Entry:
    return Entry("salinity", START + round(day * DAY), read, unit, text)


def read(entries: list[Entry]) -> list[float]:
    return [e.salinity for e in salt_events(entries) if isinstance(e, Check)]


class TestLooks:
    @pytest.mark.parametrize(
        ("found", "text", "standard"),
        [
            (35.5, "refractometer, 35 ppt fluid", 35.0),
            (0.3, "refractometer with pure water", 0.0),
            (36.0, "Refractometer", 35.0),
            (33.4, "refractometer, 33 ppt fluid of our own", 33.0),
        ],
    )
    def test_know_their_fluid(self, found: float, text: str, standard: float) -> None:
        assert calibrations([look(0, found, text)]) == (Calibration(START, standard, found),)

    def test_in_grams_a_kilogram_are_put_into_practical_salinity(self) -> None:
        # Millero et al., Deep-Sea Research I 55 (2008) 50: 35.16504 g/kg at practical salinity 35.
        seen = replace(look(0, 35.16504, "refractometer, 35.16504 g/kg fluid"), unit="g/kg")
        assert calibrations([seen]) == (Calibration(START, 35.0, 35.0),)

    @pytest.mark.parametrize(
        ("found", "text"), [(25.4, "probe A beside a thermometer"), (20.0, "refractometer")]
    )
    def test_of_something_else_do_not_count(self, found: float, text: str) -> None:
        assert calibrations([look(0, found, text)]) == ()

    def test_are_told_with_what_they_found_and_how_it_wanders(self) -> None:
        said = scale_in_words([look(0, 35.0), look(30, 35.6)], "UTC")
        assert said == (
            "Refractometer: set on Sat 31 Jan, found 0.6 high then; it wanders +0.6 in a month."
        )
        assert scale_in_words([check(0, 35.0)], "UTC") == ""


class TestReadings:
    def test_between_two_looks_are_put_right_by_their_share_of_the_time(self) -> None:
        rows = [look(0, 35.0), check(15, 35.3), look(30, 35.6), check(31, 35.0)]
        assert read(rows) == pytest.approx([35.0, 35.0])

    def test_before_the_first_look_are_put_right_by_all_of_it(self) -> None:
        assert read([check(0, 35.4), look(1, 35.5)]) == pytest.approx([34.9])

    def test_of_other_instruments_stay_as_they_are(self) -> None:
        rows = [
            check(0, 1.0264, "sg 25/25 °C"),
            check(0, 53.1, "mS/cm at 25.2 degC"),
            check(0, 35.4, text="by the conductivity pen"),
        ]
        alone = salt_events(rows)
        assert salt_events([*rows, look(1, 36.0)]) == alone

    @given(st.lists(st.tuples(st.floats(0, 400), st.floats(33.0, 37.0)), max_size=6))
    def test_are_never_put_right_by_more_than_the_worst_look_found(
        self, looks: list[tuple[float, float]]
    ) -> None:
        found = calibrations([look(day, value) for day, value in looks])
        worst = max((abs(c.offset) for c in found), default=0.0)
        for day in range(0, 420, 20):
            assert abs(too_much(START + day * DAY, found)) <= worst + 1e-9


class TestWithoutCompensation:
    # Quan & Fry, Appl. Opt. 34 (1995) 3477: a scale drawn for 20 °C shows water of 35 as this.
    @pytest.mark.parametrize(("prism_c", "shows"), [(15, 37.6), (25, 32.0), (30, 28.6)])
    def test_a_reading_is_put_right_by_the_prism_s_temperature(
        self, prism_c: int, shows: float
    ) -> None:
        draft = drafted("salinity", shows, f"ppt no ATC at {prism_c} degC", here=HERE)
        assert draft.questions == ()
        assert salinity_of(draft.entry) == pytest.approx(35.0, abs=0.1)
        again = drafted("salinity", draft.entry.value, draft.entry.unit, here=HERE)
        assert again.entry == draft.entry

    def test_a_prism_beyond_the_formula_is_refused(self) -> None:
        with pytest.raises(JournalError, match="outside 0 to 30"):
            drafted("salinity", "35", "ppt no ATC at 40 degC", here=HERE)
