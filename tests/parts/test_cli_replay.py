"""`stillwell replay` and `stillwell review`: small traces, damaged ones, and what the night was
like."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from command_line import call, json_lines, process, tank
from stillwell.store import StoreReader

EVENING = dt.datetime(2026, 1, 14, 20, 0, tzinfo=dt.UTC)
"""Dublin keeps UTC in January: nights last from 22:00 to 08:00."""


def rows(hours: float, value: Callable[[float], float], every_s: int = 60) -> Iterable[str]:
    """Readings of both probes from 20:00 on; `value` of the hours gone."""
    for second in range(0, round(hours * 3600), every_s):
        at = (EVENING + dt.timedelta(seconds=second)).strftime("%Y-%m-%dT%H:%M:%SZ")
        for name in ("water-a", "water-b"):
            yield f"{at},{name},{value(second / 3600):.4f}"
        yield f"{at},float-low,1"


def cold_from_midnight(hours: float) -> float:
    """25.3 °C until midnight, half a degree an hour down until 04:00, and back until 06:00."""
    if hours < 4:
        return 25.3
    return 25.3 - (0.5 * (hours - 4) if hours < 8 else max(0.0, 2.0 - (hours - 8)))


def trace(folder: Path, lines: Iterable[str]) -> Path:
    path = folder / "readings.csv"
    path.write_text("\n".join(["time,channel,value", *lines, ""]), encoding="utf-8")
    return path


def replayed(
    folder: Path, lines: Iterable[str], *more: object, ends: int = 0
) -> tuple[list[Any], str]:
    """The objects of `replay --json`, and what went to standard error."""
    result = call(
        *("replay", "-c", tank(folder), "-r", trace(folder, lines)),
        *("-s", folder / "out.db", "--json", *more),
    )
    assert result.exit_code == ends, result.stderr
    return json_lines(result), result.stderr


class TestReplay:
    def test_adds_no_offset_to_values_that_have_theirs(self, tmp_path: Path) -> None:
        config, store = tank(tmp_path), tmp_path / "out.db"
        written = config.read_text().replace(
            "[channel.water-a]", '[channel.water-a]\noffset = "0.5 K"'
        )
        config.write_text(written)
        readings = trace(tmp_path, ["2026-01-14T20:00:00Z,water-a,25.3"])
        assert call("replay", "-c", config, "-r", readings, "-s", store).exit_code == 0
        with StoreReader.open(store) as reader:
            [kept] = reader.all_readings()
        assert (kept.value, kept.measured) == (25.3, None)

    def test_tells_the_alarm_and_reviews_the_night(self, tmp_path: Path) -> None:
        lines, _ = replayed(tmp_path, rows(14, cold_from_midnight))
        low = [(o["time"], o["state"]) for o in lines if o.get("alarm") == "water.low"]
        # 24.8 is passed at 01:00, and the band's delay is 5 minutes.
        assert low[0][0][:16] in ("2026-01-15T01:05", "2026-01-15T01:06", "2026-01-15T01:07")
        assert low[0][1] == "unacknowledged"
        assert low[-1][1] == "returned-unacknowledged"
        [review] = [o["review"] for o in lines if "review" in o]
        assert review["night"] == "2026-01-14"
        assert (review["start"], review["end"]) == ("2026-01-14T22:00:00Z", "2026-01-15T08:00:00Z")
        [band] = review["bands"]
        # Below 24.8 from 01:00 (half a degree an hour) to 05:30 (a degree an hour): 4 h 30 min.
        assert band["below_s"] == pytest.approx(4.5 * 3600, abs=120)
        assert band["lowest"] == pytest.approx(23.3, abs=0.02)
        assert [a["name"] for a in review["alarms"]] == ["water.low"]

    def test_the_last_line_of_a_night_that_ends_seconds_early_is_its_review(
        self, tmp_path: Path
    ) -> None:
        lines, _ = replayed(tmp_path, rows(11.99, lambda hours: 25.3 + hours % 0.1))
        assert [o["review"]["night"] for o in lines] == ["2026-01-14"]

    def test_damaged_rows_are_told_and_left_out(self, tmp_path: Path) -> None:
        lines = list(rows(1, lambda _: 25.3))
        lines[30] = "2026-01-14T20:1"
        lines[60] = "2026-01-14T20:20:00Z,water-a,warm"
        lines.insert(90, "\0\0\0\0")
        _, told = replayed(tmp_path, lines, ends=1)
        assert told.count("readings.csv, line ") == 3
        assert "3 rows were left out in all." in told
        with StoreReader.open(tmp_path / "out.db") as reader:
            assert sum(1 for _ in reader.all_readings()) == 180 - 2

    def test_many_damaged_rows_are_counted(self, tmp_path: Path) -> None:
        lines = [*rows(0.2, lambda _: 25.3), *["garbage"] * 100]
        _, told = replayed(tmp_path, lines, ends=1)
        assert told.count("readings.csv, line ") == 20
        assert "100 rows were left out in all." in told

    def test_rows_in_another_order_are_refused_before_a_store_is_made(self, tmp_path: Path) -> None:
        lines = list(rows(2, lambda _: 25.3))
        _, told = replayed(tmp_path, reversed(lines), ends=2)
        assert "line 5: the rows are not in time order" in told
        assert not (tmp_path / "out.db").exists()

    def test_a_channel_that_nobody_configured_is_told_once(self, tmp_path: Path) -> None:
        lines = [*rows(0.1, lambda _: 25.3)]
        lines[1:1] = [lines[0].replace("water-a", "sump"), lines[0].replace("water-a", "sump")]
        _, told = replayed(tmp_path, lines, ends=1)  # it stands twice at one time
        assert told.count("no channel sump") == 1

    def test_a_gap_is_a_silence(self, tmp_path: Path) -> None:
        lines = [line for line in rows(2, lambda _: 25.3) if "T21:0" not in line]
        found, _ = replayed(tmp_path, lines)
        silent = [o for o in found if o.get("alarm") == "water-a.silent"]
        assert [o["event"] for o in silent] == ["raise", "clear"]

    def test_the_journal_is_kept(self, tmp_path: Path) -> None:
        journal = tmp_path / "journal.csv"
        journal.write_text("time,kind,value,unit\n2026-01-14T20:30:00Z,pour,250,mL\n")
        replayed(tmp_path, rows(1, lambda _: 25.3), "-j", journal)
        with StoreReader.open(tmp_path / "out.db") as reader:
            [entry] = reader.journal()
        assert (entry.kind, entry.value, entry.unit) == ("pour", 250.0, "mL")

    def test_the_same_trace_gives_the_same_words(self, tmp_path: Path) -> None:
        both = []
        for name in ("one", "two"):
            (tmp_path / name).mkdir()
            both.append(replayed(tmp_path / name, rows(10, cold_from_midnight, 300))[0])
        assert both[0] == both[1]

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("", "header"),
            ("a,b\n1,2\n", "header"),
            ("time,channel,value\n", "holds no reading"),
            ("time,channel,value\n2026-01-14T20:00:00Z,sump,1\n", "holds no reading"),
        ],
    )
    def test_what_is_no_trace_is_told_and_no_store_is_made(
        self, tmp_path: Path, text: str, says: str
    ) -> None:
        path = tmp_path / "readings.csv"
        path.write_text(text)
        result = call("replay", "-c", tank(tmp_path), "-r", path, "-s", tmp_path / "out.db")
        assert result.exit_code == 2
        assert says in " ".join(result.stderr.split())
        assert not (tmp_path / "out.db").exists()

    def test_a_store_that_exists_is_not_touched(self, tmp_path: Path) -> None:
        (tmp_path / "out.db").write_text("precious")
        path = trace(tmp_path, rows(0.1, lambda _: 25.3))
        result = call("replay", "-c", tank(tmp_path), "-r", path, "-s", tmp_path / "out.db")
        assert result.exit_code == 2
        assert (tmp_path / "out.db").read_text() == "precious"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A replayed night that was cold from one o'clock on."""
    replayed(tmp_path, rows(14, cold_from_midnight, 120))
    return tmp_path / "out.db"


class TestReview:
    def test_reads_well_in_a_file_without_the_configuration(self, store: Path) -> None:
        done = process("review", "-s", store)
        lines = done.stdout.splitlines()
        assert lines[2:4] == [
            "Rock pool, village reading room",
            "Night of Wed 14 Jan 2026, 22:00 to 08:00",
        ]
        assert lines[5].startswith("Water 23.3 °C to 25.3 °C, 4 h 2")
        assert "below 24.8 °C" in lines[5]
        picture = lines[6:14]
        assert all(any("\u2800" <= letter <= "\u28ff" for letter in row) for row in picture)
        assert all(len(row) <= 80 for row in picture)
        assert lines[14].split() == ["22:00", "00:00", "02:00", "04:00", "06:00", "08:00"]
        assert any(line.startswith("water.low (") for line in lines)
        assert "\x1b" not in done.stdout

    def test_a_date_names_the_night(self, store: Path) -> None:
        [made] = json_lines(call("review", "2026-01-14", "-s", store, "--json"))
        assert made["review"]["night"] == "2026-01-14"

    def test_a_night_of_which_nothing_is_known_says_so(self, store: Path) -> None:
        told = call("review", "2026-01-10", "-s", store)
        assert told.exit_code == 2
        assert told.stderr == (
            "No reading was kept in the night of 2026-01-10.\n"
            "There are readings from 2026-01-14 20:00 to 2026-01-15 09:58.\n"
        )

    def test_a_date_that_is_none_is_told(self, store: Path) -> None:
        result = call("review", "14/1/2026", "-s", store)
        assert result.exit_code == 2
        assert "2026-01-31" in result.stderr

    def test_the_last_nights_come_oldest_first(self, store: Path) -> None:
        made = json_lines(call("review", "--last", "3", "-s", store, "--json"))
        nights = [o["review"]["night"] for o in made]
        assert nights == sorted(nights)
        assert nights[-1] == "2026-01-14"
