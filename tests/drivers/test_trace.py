"""A trace is read row by row, and no damage in it stops the rest."""

from __future__ import annotations

import subprocess
import tomllib
import tracemalloc
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from examples import examples
from stillwell.ports import DriverError, TellsTime
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract, ManualClock
from stillwell_drivers.trace import Trace, TraceSettings
from stillwell_drivers.trace_file import (
    Damage,
    JournalRow,
    TraceError,
    journal_lines,
    read_trace,
)

CONFIG = Path(__file__).parents[2] / "config"
EVENING = round(datetime(2026, 1, 5, 22, tzinfo=UTC).timestamp() * 1000)

GOOD = """\
time,channel,value
2026-01-05T22:00:00Z,water-a,25.3125
2026-01-05T22:00:00Z,float-low,1
2026-01-05T22:01:00Z,water-a,
2026-01-05T22:01:00Z,float-low,0.95
2026-01-05T22:02:00.500Z,water-a,25.25
"""


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "night.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def rows_of(path: Path) -> tuple[list[tuple[int, tuple[Sample, ...]]], list[Damage]]:
    damage: list[Damage] = []
    return list(read_trace(path, damage.append)), damage


def flat(groups: list[tuple[int, tuple[Sample, ...]]]) -> list[tuple[int, str, float | None]]:
    return [((at - EVENING) // 1000, s.channel, s.value) for at, group in groups for s in group]


class TestReadingATrace:
    def test_a_share_may_say_how_many_looks_it_rests_on(self, tmp_path: Path) -> None:
        text = "time,channel,value,looks\n2026-01-05T22:00:00Z,float-low,0.5,20\n"
        text += "2026-01-05T22:01:00Z,float-low,1,\n2026-01-05T22:02:00Z,float-low,1,0\n"
        groups, damage = rows_of(written(tmp_path, text))
        assert [group for _, group in groups] == [
            (Sample("float-low", 0.5, looks=20),),
            (Sample("float-low", 1.0),),
        ]
        assert [d.why for d in damage] == ['"0" is no number of looks']

    def test_rows_of_one_time_come_together_in_order(self, tmp_path: Path) -> None:
        groups, damage = rows_of(written(tmp_path, GOOD))
        assert groups == [
            (EVENING, (Sample("water-a", 25.3125), Sample("float-low", 1.0))),
            (
                EVENING + 60_000,
                (
                    Sample("water-a", None, Failure.SILENT, "trace: empty"),
                    Sample("float-low", 0.95),
                ),
            ),
            (EVENING + 120_500, (Sample("water-a", 25.25),)),
        ]
        assert damage == []

    @pytest.mark.parametrize(
        "same",
        [
            "2026-01-05T22:00:00.000Z",
            "2026-01-05T23:00:00+01:00",
            "2026-01-05 22:00:00+00:00",
            "2026-01-05T14:00:00-08:00",
        ],
    )
    def test_times_are_those_of_rfc_3339(self, tmp_path: Path, same: str) -> None:
        # RFC 3339, section 5.6: offsets, fractions, and a blank for the T.
        groups, damage = rows_of(written(tmp_path, f"time,channel,value\n{same},a,1\n"))
        assert groups == [(EVENING, (Sample("a", 1.0),))]
        assert damage == []

    @pytest.mark.parametrize("ending", ["\n", "\r\n"])
    def test_marks_endings_quotes_and_empty_lines_do_not_matter(
        self, tmp_path: Path, ending: str
    ) -> None:
        text = '"time","channel","value"\n\n"2026-01-05T22:00:00Z","a","1.5"\n \n'
        raw = b"\xef\xbb\xbf" + text.replace("\n", ending).encode()
        groups, damage = rows_of(written(tmp_path, raw))
        assert (flat(groups), damage) == ([(0, "a", 1.5)], [])

    def test_a_last_line_without_an_end_counts(self, tmp_path: Path) -> None:
        groups, damage = rows_of(written(tmp_path, GOOD.rstrip("\n")))
        assert len(groups) == 3
        assert damage == []

    def test_a_header_alone_is_an_empty_trace(self, tmp_path: Path) -> None:
        assert rows_of(written(tmp_path, "time,channel,value\n")) == ([], [])

    def test_it_streams(self, tmp_path: Path) -> None:
        path = tmp_path / "long.csv"
        with path.open("w", encoding="utf-8") as file:
            file.write("time,channel,value\n")
            for k in range(60_000):
                moment = datetime.fromtimestamp(EVENING / 1000 + k * 60, UTC)
                file.write(f"{moment:%Y-%m-%dT%H:%M:%SZ},water-a,25.3\n")
        tracemalloc.start()
        try:
            count = sum(1 for _ in read_trace(path))
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert count == 60_000
        # The file has 2 MB; held in memory its rows would be some 20 MB.
        assert peak < 500_000


class TestDamage:
    @pytest.mark.parametrize(
        ("row", "why"),
        [
            (b"2026-01-05T22:00:30Z,water-a", "2 fields"),
            (b"2026-01-05T22:00:30Z,water-a,25,3", "4 fields"),
            (b"2026-01-05T22:00:30,water-a,25.3", "no zone"),
            (b"2026-13-05T22:00:30Z,water-a,25.3", "no RFC 3339 time"),
            (b",water-a,25.3", "no RFC 3339 time"),
            (b"2026-01-05T22:00:30Z,water-a,warm", '"warm" is no number'),
            (b"2026-01-05T22:00:30Z,water-a,nan", "no number"),
            (b"2026-01-05T22:00:30Z,water-a,inf", "no number"),
            (b"2026-01-05T22:00:30Z,water-a,1_0", "no number"),
            ("2026-01-05T22:00:30Z,water-a,٢٥".encode(), "no number"),
            (b"2026-01-05T22:00:30Z,,25.3", "no name"),
            (b"2026-01-05T22:00:30Z,w\xff,25.3", "no UTF-8"),
            (b"2026-01-05T22:00:30Z,w\x00,25.3", "zero bytes"),
            (b'2026-01-05T22:00:30Z,"water-a,25.3', "quotes"),
            (b"2026-01-05T21:59:00Z,water-a,25.3", "before that of an earlier row"),
            (b"2026-01-05T22:00:00Z,float-low,0", "stands twice"),
            (b"x" * 10_000, "longer than 4096"),
            (b"2062-01-05T22:00:30Z,water-a,25.3", "leaps ahead"),
        ],
    )
    def test_one_damaged_row_is_named_and_left_out_and_nothing_else(
        self, tmp_path: Path, row: bytes, why: str
    ) -> None:
        lines = GOOD.encode().split(b"\n")
        whole, _ = rows_of(written(tmp_path, GOOD))
        path = written(tmp_path, b"\n".join([*lines[:3], row, *lines[3:]]))
        groups, damage = rows_of(path)
        assert groups == whole
        assert [(d.path, d.line) for d in damage] == [(path, 4)]
        assert why in damage[0].why
        assert f"{path}, line 4: " in str(damage[0])

    def test_a_leap_ahead_in_the_first_row_does_not_hide_the_rest(self, tmp_path: Path) -> None:
        lines = GOOD.splitlines()
        lines.insert(1, "2062-01-05T22:00:00Z,water-a,25.3")
        groups, damage = rows_of(written(tmp_path, "\n".join(lines)))
        assert groups == rows_of(written(tmp_path, GOOD))[0]
        assert [d.line for d in damage] == [2]

    def test_a_true_gap_of_days_is_kept(self, tmp_path: Path) -> None:
        text = GOOD + "2026-01-09T22:00:00Z,water-a,24\n2026-01-09T22:01:00Z,water-a,24\n"
        groups, damage = rows_of(written(tmp_path, text))
        assert [value for _, _, value in flat(groups)][-2:] == [24.0, 24.0]
        assert damage == []

    def test_a_file_that_is_not_there_says_so(self, tmp_path: Path) -> None:
        with pytest.raises(TraceError, match=r"no\.csv cannot be read: No such file"):
            next(read_trace(tmp_path / "no.csv"))

    @pytest.mark.parametrize("text", ["", "time,kind,value,unit\n", "\x00\x01\x02", "25.3\n"])
    def test_a_file_that_is_no_trace_says_so_with_its_line(self, tmp_path: Path, text: str) -> None:
        with pytest.raises(TraceError, match=r"night\.csv, line 1: "):
            next(read_trace(written(tmp_path, text)))

    @given(noise=st.binary(max_size=400), cut=st.integers(0, len(GOOD)))
    @examples(150)
    def test_no_bytes_whatever_raise_or_disturb_the_order(
        self, tmp_path_factory: pytest.TempPathFactory, noise: bytes, cut: int
    ) -> None:
        header = b"time,channel,value\n"
        body = GOOD.encode()[len(header) :]
        path = written(tmp_path_factory.mktemp("t"), header + body[:cut] + noise + body[cut:])
        groups, _ = rows_of(path)
        times = [at for at, _ in groups]
        assert times == sorted(set(times))
        assert all(s.value is None or isinstance(s.value, float) for _, g in groups for s in g)

    @given(cut=st.integers(19, len(GOOD)))
    @examples(60)
    def test_a_file_cut_anywhere_gives_what_stood_before_the_cut(
        self, tmp_path_factory: pytest.TempPathFactory, cut: int
    ) -> None:
        folder = tmp_path_factory.mktemp("t")
        whole, _ = rows_of(written(folder, GOOD))
        complete = GOOD[:cut].count("\n") - 1
        groups, _ = rows_of(written(folder, GOOD[:cut]))
        assert flat(groups)[:complete] == flat(whole)[:complete]


def row(minute: int, channel: str = "water-a", value: str = "25.3") -> str:
    at = datetime.fromtimestamp(EVENING / 1000 + 60 * minute, UTC)
    return f"{at:%Y-%m-%dT%H:%M:%SZ},{channel},{value}"


MINUTES = range(200)


class TestAnotherOrder:
    """How a spreadsheet or another program may have left the rows."""

    @pytest.mark.parametrize(
        ("order", "line"),
        [
            ([row(m) for m in reversed(MINUTES)], 3),
            ([row(60 * m) for m in reversed(MINUTES)], 3),
            ([row(m, c) for c in ("water-a", "float-low") for m in MINUTES], 202),
        ],
        ids=["newest first", "hourly, newest first", "a channel after the other"],
    )
    def test_than_that_of_time_is_refused_with_the_row_and_how_to_sort_it(
        self, tmp_path: Path, order: list[str], line: int
    ) -> None:
        path = written(tmp_path, "\n".join(["time,channel,value", *order, ""]))
        with pytest.raises(TraceError, match="not in time order") as raised:
            rows_of(path)
        assert f"night.csv, line {line}:" in raised.value.what
        command = raised.value.do.removeprefix("Sort them by time: ")
        subprocess.run(command, shell=True, cwd=tmp_path, check=True)
        groups, damage = rows_of(tmp_path / "sorted.csv")
        assert sum(len(group) for _, group in groups) == len(order)
        assert damage == []

    @examples(50)
    @given(st.permutations(range(60)))
    def test_no_row_is_lost_in_silence(
        self, tmp_path_factory: pytest.TempPathFactory, minutes: list[int]
    ) -> None:
        lines = ["time,channel,value", *map(row, minutes), ""]
        path = written(tmp_path_factory.mktemp("order"), "\n".join(lines))
        with suppress(TraceError):
            groups, damage = rows_of(path)
            assert sum(len(group) for _, group in groups) + len(damage) == 60


class TestASpreadsheet:
    def test_s_semicolons_and_decimal_commas_are_taken(self, tmp_path: Path) -> None:
        semicolons = GOOD.replace(",", ";").replace(".3125", ",3125").replace("0.95", "0,95")
        groups, damage = rows_of(written(tmp_path, semicolons))
        assert damage == []
        assert groups == rows_of(written(tmp_path, GOOD))[0]

    def test_s_decimal_comma_between_quotes_is_taken(self, tmp_path: Path) -> None:
        groups, _ = rows_of(written(tmp_path, GOOD.replace("25.3125", '"25,3125"')))
        assert groups == rows_of(written(tmp_path, GOOD))[0]

    def test_s_comma_that_may_part_thousands_is_asked_back(self, tmp_path: Path) -> None:
        text = "time;kind;value;unit\n2026-01-05T22:00:00Z;pour;1,200;mL\n"
        damage: list[Damage] = []
        assert [row for _, row in journal_lines(written(tmp_path, text), damage.append)] == []
        assert 'line 2: "1,200" has a comma in its number. Write "1.200" or "1200".' in str(
            damage[0]
        )


class TestTheJournal:
    def test_damaged_rows_are_named_and_left_out(self, tmp_path: Path) -> None:
        text = (
            "time,kind,value,unit\n"
            "yesterday,pour,1.2,L\n"
            "2026-01-05T22:00:00Z,pour,much,L\n"
            "2026-01-05T22:00:00Z,,1,L\n"
            "2026-01-05T22:00:00Z,pour,1.2,L\n"
        )
        damage: list[Damage] = []
        rows = [row for _, row in journal_lines(written(tmp_path, text), damage.append)]
        assert rows == [JournalRow(EVENING, "pour", 1.2, "L")]
        assert [d.line for d in damage] == [2, 3, 4]

    def test_further_columns_may_follow_and_a_gravity_finds_its_reference(
        self, tmp_path: Path
    ) -> None:
        text = (
            "time,kind,value,unit,reference,weather,by,text\n"
            '2026-01-05T22:00:00Z,salinity,1.0264,sg,25/25 degC,rain,Niamh,"after, tea"\n'
            "2026-01-05T22:01:00Z,pour,1.2,L,can,,,\n"
        )
        assert [row for _, row in journal_lines(written(tmp_path, text))] == [
            JournalRow(EVENING, "salinity", 1.0264, "sg 25/25 degC", "after, tea", "Niamh"),
            JournalRow(EVENING + 60_000, "pour", 1.2, "L"),
        ]

    def test_a_trace_is_no_journal(self, tmp_path: Path) -> None:
        with pytest.raises(TraceError, match='"time,kind,value,unit" is needed'):
            next(journal_lines(written(tmp_path, GOOD)))


class TestTheContract(DriverContract):
    @pytest.fixture
    def case(self, tmp_path: Path) -> DriverCase:
        channels: dict[str, Any] = {"water-a": {}, "low": {"column": "float-low"}}
        return DriverCase(
            Trace,
            {"channels": channels, "readings": str(written(tmp_path, GOOD))},
            {"channels": channels, "readings": str(tmp_path / "no.csv")},
        )


class TestPlaying:
    @pytest.fixture
    def clock(self) -> ManualClock:
        return ManualClock()

    def _opened(self, path: Path, clock: ManualClock, **more: Any) -> Trace:
        channels: dict[str, Any] = {"water-a": {}, "low": {"column": "float-low"}}
        settings = {"channels": channels, "readings": path, **more}
        driver = Trace(TraceSettings.model_validate(settings))
        assert isinstance(driver, TellsTime)
        driver.use_clock(clock)
        driver.open()
        return driver

    def test_each_row_comes_when_its_time_has_come(
        self, tmp_path: Path, clock: ManualClock
    ) -> None:
        driver = self._opened(written(tmp_path, GOOD), clock)
        assert list(driver.read()) == [Sample("water-a", 25.3125), Sample("low", 1.0)]
        clock.advance(59)
        assert [s.value for s in driver.read()] == [25.3125, 1.0]
        clock.advance(1)
        assert [(s.value, s.failure) for s in driver.read()] == [
            (None, Failure.SILENT),
            (0.95, None),
        ]
        clock.advance(61)
        assert [s.value for s in driver.read()] == [25.25, 0.95]

    def test_a_row_given_again_is_marked_stale(self, tmp_path: Path, clock: ManualClock) -> None:
        driver = self._opened(written(tmp_path, GOOD), clock)
        assert [s.stale for s in driver.read()] == [False, False]
        clock.advance(30)
        assert [s.stale for s in driver.read()] == [True, True]
        clock.advance(30)
        assert [s.stale for s in driver.read()] == [False, False]

    def test_a_channel_without_rows_falls_silent(self, tmp_path: Path, clock: ManualClock) -> None:
        text = GOOD + "2026-01-05T22:10:00Z,water-a,25\n2026-01-05T22:11:00Z,water-a,25\n"
        driver = self._opened(written(tmp_path, text), clock)
        clock.advance(10 * 60)
        water, low = driver.read()
        assert water.value == 25.0
        assert (low.value, low.failure) == (None, Failure.SILENT)

    def test_it_plays_faster_when_asked(self, tmp_path: Path, clock: ManualClock) -> None:
        driver = self._opened(written(tmp_path, GOOD), clock, speed=60)
        clock.advance(1)
        assert [s.value for s in driver.read()] == [None, 0.95]

    def test_a_stepped_wall_clock_does_not_move_it(
        self, tmp_path: Path, clock: ManualClock
    ) -> None:
        driver = self._opened(written(tmp_path, GOOD), clock)
        clock.step_wall(10 * 365 * 86_400)
        assert [s.value for s in driver.read()] == [25.3125, 1.0]

    def test_another_order_than_that_of_time_is_said_again_and_again(
        self, tmp_path: Path, clock: ManualClock
    ) -> None:
        order = [row(m, c) for c in ("water-a", "float-low") for m in MINUTES]
        path = written(tmp_path, "\n".join(["time,channel,value", *order, ""]))
        driver = self._opened(path, clock)
        clock.advance(200 * 60)
        for _ in range(2):
            with pytest.raises(DriverError, match="not in time order"):
                driver.read()

    def test_after_its_end_it_says_so(self, tmp_path: Path, clock: ManualClock) -> None:
        driver = self._opened(written(tmp_path, GOOD), clock)
        clock.advance(120 + 150)
        assert next(iter(driver.read())).value == 25.25
        clock.advance(1)
        with pytest.raises(DriverError, match=r"night\.csv has come to its end"):
            driver.read()

    def test_it_counts_damaged_rows(self, tmp_path: Path, clock: ManualClock) -> None:
        driver = self._opened(written(tmp_path, GOOD + "nonsense\n"), clock)
        clock.advance(200)
        driver.read()
        assert driver.damage == 1

    def test_a_trace_without_a_good_row_is_told(self, tmp_path: Path, clock: ManualClock) -> None:
        with pytest.raises(TraceError, match="no reading that can be used"):
            self._opened(written(tmp_path, "time,channel,value\nx\n"), clock)

    def test_the_sample_stanza_is_good(self) -> None:
        text = tomllib.loads((CONFIG / "sample-trace.toml").read_text(encoding="utf-8"))
        source = text["source"]["recorded"]
        assert source.pop("driver") == "trace"
        del source["every"]
        settings = TraceSettings.model_validate(source)
        assert set(settings.channels) == set(text["channel"])
        assert settings.hold == 150.0
