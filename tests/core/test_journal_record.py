"""A journal as a file and back: nothing twice, nothing lost, nothing back that was struck out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.entry import STRUCK, Entry
from stillwell.journal import KINDS, Circumstances, JournalError, Kind, drafted, standing
from stillwell.journal.record import NotTaken, as_kept, of_driver, rows, sorted_out

NOW = 1_767_225_600_000  # 1 January 2026 00:00 UTC
DAY = 86_400_000
HERE = Circumstances(NOW, 68_000.0)
VALUES: dict[Kind, tuple[tuple[float, str], ...]] = {
    Kind.POUR: ((540.0, "mL"), (1.2, "L to mark")),
    Kind.SALT_POUR: ((1.0, "L at 34.5 ppt"),),
    Kind.WATER_CHANGE: ((10.0, "L at 35 ppt"), (10.0, "L")),
    Kind.SALINITY: ((35.2, "ppt"), (1.0264, "sg 25/25 degC"), (53.1, "mS/cm at 25.2 degC")),
    Kind.TEMPERATURE: ((77.5, "degF"),),
    Kind.AMMONIA: ((0.25, "mg/L NH3"), (0.0, "mg/L N")),
    Kind.NITRITE: ((0.3, "mg/L NO2"),),
    Kind.NITRATE: ((10.0, "mg/L NO3"),),
    Kind.PH: ((8.2, ""), (8.05, "total")),
    Kind.HEATER_TRIM: ((-0.9, "degF"),),
    Kind.LAMP_HOURS: ((10.0, "h"),),
    Kind.CALIBRATION: ((35.5, "ppt"),),
    Kind.ANIMALS_IN: ((2.0, ""), (30.0, "")),
    Kind.ANIMALS_OUT: ((1.0, ""),),
    Kind.POSTPONED: ((2.0, "d"),),
}


@dataclass(frozen=True)
class Line:
    """As a file's reader hands it over."""

    utc_ms: int
    kind: str
    value: float | None = None
    unit: str = ""
    text: str = ""
    by: str = ""


TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), max_size=20)


@st.composite
def entries(draw: st.DrawFn) -> Entry:
    kind = draw(st.sampled_from(list(Kind)))
    value: float | None = None
    unit = ""
    if kind in VALUES:
        value, unit = draw(st.sampled_from(VALUES[kind]))
    text = draw(TEXTS)
    if kind is Kind.POSTPONED:
        text = "water-change"
    elif KINDS[kind].needs_text:
        text = f"refractometer {text}".strip()
    at_ms = NOW - draw(st.integers(0, 3 * 365)) * DAY - draw(st.integers(0, 2000))
    lasted_s = draw(st.none() | st.sampled_from((90.0, 1500.0, 1188.6)))
    return drafted(
        kind, value, unit, here=HERE, at_ms=at_ms, text=text, by=draw(TEXTS), lasted_s=lasted_s
    ).entry


def numbered(found: Sequence[Entry]) -> tuple[Entry, ...]:
    """With numbers, and who struck whom, as the store gives them."""
    rows_ = [replace(e, id=n) for n, e in enumerate(found, 1)]
    by = {e.strikes: e.id for e in rows_ if e.strikes is not None}
    return tuple(replace(e, struck_by=by.get(e.id)) for e in rows_)


def lines(found: Sequence[Entry]) -> list[tuple[int, Line]]:
    """What a reader makes of the file that is written of them."""
    from datetime import datetime

    out = []
    for number, (time, kind, value, unit, text, by) in enumerate(rows(found), 2):
        at_ms = round(datetime.fromisoformat(time).timestamp() * 1000)
        out.append((number, Line(at_ms, kind, float(value) if value else None, unit, text, by)))
    return out


def bare(found: Sequence[Entry]) -> Counter[tuple[object, ...]]:
    return Counter(
        (e.kind, e.at_ms, e.value, e.unit, e.to_mark, e.lasted_s, e.text, e.by) for e in found
    )


class TestThereAndBack:
    @given(st.lists(entries(), max_size=8))
    @settings(deadline=None)
    def test_into_an_empty_journal_gives_the_same(self, found: list[Entry]) -> None:
        journal = numbered(found)
        back = sorted_out(lines(journal), HERE, sure=True)
        assert bare(back.new) == bare(journal)
        assert (back.refused, back.odd, back.struck, back.known) == ((), (), (), 0)

    @given(st.lists(entries(), max_size=8), st.lists(st.integers(1, 8), max_size=4))
    @settings(deadline=None)
    def test_into_itself_brings_nothing(self, found: list[Entry], strikes: list[int]) -> None:
        gone = [Entry(STRUCK, NOW, strikes=n) for n in sorted(set(strikes)) if n <= len(found)]
        journal = numbered([*found, *gone])
        back = sorted_out(lines(journal), replace(HERE, entries=journal), sure=True)
        assert back.new == ()
        assert back.known == len(standing(journal))

    @given(st.lists(entries(), max_size=8), st.integers(0, 8))
    @settings(deadline=None)
    def test_into_a_part_of_itself_brings_the_rest(self, found: list[Entry], cut: int) -> None:
        part = numbered(found[:cut])
        back = sorted_out(lines(numbered(found)), replace(HERE, entries=part), sure=True)
        assert bare([*part, *back.new]) == bare(found)

    def test_what_was_done_twice_is_there_twice(self) -> None:
        journal = numbered([Entry("pour", NOW - DAY, 500.0, "mL")] * 2)
        assert len(sorted_out(lines(journal), HERE, sure=False).new) == 2
        once = replace(HERE, entries=journal[:1])
        assert len(sorted_out(lines(journal), once, sure=False).new) == 1


class TestMarkAndDuration:
    CHANGE = Entry("water-change", NOW, 10_000.0, "mL at 35 ppt", "with the hose", lasted_s=1500.0)
    POUR = Entry("pour", NOW, 540.0, "mL", to_mark=True)

    def test_stand_in_the_file_as_they_always_have(self) -> None:
        assert [fields[3:5] for fields in rows(numbered([self.CHANGE, self.POUR]))] == [
            ("mL at 35 ppt", "took 25 min; with the hose"),
            ("mL to mark", ""),
        ]

    @pytest.mark.parametrize(
        ("text", "lasted_s", "rest"),
        [
            ("took 25 min; with the hose", 1500.0, "with the hose"),
            ("took 0.5 h", 1800.0, ""),
            ("took 1 h 30 min; ", 5400.0, ""),
            ("took 25 minutes of my morning", None, "took 25 minutes of my morning"),
            ("took 3 d", None, "took 3 d"),
            ("it took 25 min", None, "it took 25 min"),
        ],
    )
    def test_are_read_from_any_file(self, text: str, lasted_s: float | None, rest: str) -> None:
        kept = as_kept(Line(NOW, "water-change", 10.0, "L", text), HERE)
        assert (kept.lasted_s, kept.text) == (lasted_s, rest)

    def test_that_somebody_wrote_as_text_are_there_already(self) -> None:
        journal = numbered([replace(self.CHANGE, text="took 25 min; oh", lasted_s=None)])
        back = sorted_out(lines(journal), replace(HERE, entries=journal), sure=True)
        assert (back.new, back.known) == ((), 1)


class TestRows:
    def test_that_were_struck_out_since_do_not_come_back(self) -> None:
        wrong = Entry("pour", NOW - DAY, 5000.0, "mL")
        old_file = lines(numbered([wrong]))
        right = Entry("pour", NOW - DAY, 500.0, "mL", strikes=1)
        here = replace(HERE, entries=numbered([wrong, right]))
        back = sorted_out(old_file, here, sure=True)
        assert back.new == ()
        assert back.struck == (NotTaken(2, "Entry 1 was the same, and was struck out."),)

    def test_that_can_not_be_are_refused_with_line_and_reason_and_the_rest_is_taken(self) -> None:
        found = sorted_out(
            [
                (2, Line(NOW - DAY, "pour", -1.2, "L")),
                (3, Line(NOW - DAY, "pour", 1.2, "L")),
                (4, Line(NOW - DAY, "salinity", 1.026, "sg")),
                (5, Line(NOW + DAY, "pour", 1.2, "L")),
                (6, Line(NOW - DAY, "purr", 1.2, "L")),
                (7, Line(NOW - DAY, "note")),
            ],
            HERE,
            sure=True,
        )
        assert [e.value for e in found.new] == [1200.0]
        assert [row.line for row in found.refused] == [2, 4, 5, 6, 7]
        said = " ".join(map(str, found.refused))
        for reason in ("can't be", "0.6 to 0.8 ppt", "still to come", '"pour"', "needs a text"):
            assert reason in said

    def test_that_are_odd_wait_for_somebody_to_be_sure(self) -> None:
        row = [(2, Line(NOW - DAY, "salinity", 26.0, "ppt"))]
        doubted = sorted_out(row, HERE, sure=False)
        assert doubted.new == ()
        assert "unusual" in doubted.odd[0].why
        assert len(sorted_out(row, HERE, sure=True).new) == 1

    def test_nearly_as_noted_by_hand_are_asked_about(self) -> None:
        here = replace(HERE, entries=numbered([Entry("pour", NOW - DAY, 500.0, "mL")]))
        row = [(2, Line(NOW - DAY + 60_000, "pour", 500.0, "mL"))]
        assert "as entry 1" in sorted_out(row, here, sure=False).odd[0].why
        assert len(sorted_out(row, here, sure=True).new) == 1

    def test_years_old_are_nothing_odd_in_a_record(self) -> None:
        here = replace(HERE, first_ms=NOW - DAY)
        row = [(2, Line(NOW - 2000 * DAY, "pour", 500.0, "mL"))]
        assert len(sorted_out(row, here, sure=False).new) == 1


class TestOfADriver:
    def test_the_mark_in_the_unit_is_the_entry_s(self) -> None:
        kept = of_driver("tank", Line(NOW, "pour", 540.0, "mL to mark"))
        assert (kept.value, kept.unit, kept.to_mark, kept.by) == (540.0, "mL", True, "tank")
        assert of_driver("tank", Line(NOW, "pour")).to_mark
        assert not of_driver("tank", Line(NOW, "water-change")).to_mark


class TestOfATrace:
    def test_are_kept_in_the_journal_s_units(self) -> None:
        assert as_kept(Line(NOW, "pour", 1.2, "L"), HERE).value == 1200.0
        assert as_kept(Line(NOW, "water-change", 2.0, "gal"), HERE).value == pytest.approx(7570.82)
        assert as_kept(Line(NOW, "temperature", 77.0, "degF"), HERE).value == pytest.approx(25.0)

    def test_of_another_year_are_of_their_own_time(self) -> None:
        assert as_kept(Line(NOW + 900 * DAY, "pour", 1.2, "L"), HERE).at_ms == NOW + 900 * DAY

    def test_that_can_not_be_are_refused(self) -> None:
        with pytest.raises(JournalError, match="can't be"):
            as_kept(Line(NOW, "pour", -1.2, "L"), HERE)
