"""`note --export` and `note --import` on stores of their own, and a journal beside a replayed
trace."""

from __future__ import annotations

from pathlib import Path

import pytest

from command_line import call, json_lines, tank
from stillwell.store import StoreReader

FILE = """time,kind,value,unit,text
2026-01-05T22:00:00Z,pour,1.2,L,
2026-01-05T22:00:00Z,salinity,1.0264,sg 25/25 degC,"before, after"
2026-01-06T22:00:00Z,pour,-3,L,
2026-01-07T22:00:00Z,pour,much,L,
2026-01-08T22:00:00Z,salinity,26,ppt,
"""


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("note")
    assert call("simulate", "-c", tank(folder), "--days", "0.02", "--json").exit_code == 0
    return (folder / "tank.db").read_bytes()


@pytest.fixture
def config(tmp_path: Path, filled: bytes) -> Path:
    (tmp_path / "tank.db").write_bytes(filled)
    return tank(tmp_path)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    written = tmp_path / "log.csv"
    written.write_text(FILE, encoding="utf-8")
    return written


class TestImport:
    def test_takes_what_can_be_and_names_the_line_of_the_rest(
        self, config: Path, file: Path
    ) -> None:
        result = call("note", "--import", file, "-c", config)
        assert result.exit_code == 1
        assert "2 entries taken" in result.stdout
        assert "2 refused, 1 odd and not taken" in result.stdout
        assert "line 4: A pour of -3.0 L can't be" in result.stderr
        assert 'line 5: "much" is no number' in result.stderr
        assert "line 6: A salinity of 26 ppt is unusual" in result.stderr
        with StoreReader.open(config.parent / "tank.db") as reader:
            kept = {(e.kind, e.value, e.unit, e.text) for e in reader.journal()}
        assert kept == {
            ("pour", 1200.0, "mL", ""),
            ("salinity", 1.0264, "sg 25/25 °C", "before, after"),
        }

    def test_takes_what_a_spreadsheet_writes(self, config: Path, file: Path) -> None:
        file.write_text(
            "time;kind;value;unit;text\n2026-01-05T22:00:00Z;pour;1,2;L;before, after\n",
            encoding="utf-8-sig",
        )
        assert call("note", "--import", file, "-c", config).exit_code == 0
        with StoreReader.open(config.parent / "tank.db") as reader:
            [entry] = reader.journal()
        assert (entry.value, entry.unit, entry.text) == (1200.0, "mL", "before, after")

    def test_a_second_time_brings_nothing(self, config: Path, file: Path) -> None:
        call("note", "--import", file, "-c", config)
        [again] = json_lines(call("note", "--import", file, "-c", config, "--json"))
        assert again["taken"] == []
        assert again["known"] == 2
        assert [row["line"] for row in again["refused"]] == [4, 5]

    def test_odd_rows_come_with_yes(self, config: Path, file: Path) -> None:
        [found] = json_lines(call("note", "--import", file, "--yes", "-c", config, "--json"))
        assert len(found["taken"]) == 3
        assert found["odd"] == []

    def test_what_was_struck_out_here_stays_out(self, config: Path, file: Path) -> None:
        call("note", "--import", file, "-c", config)
        call("note", "--strike", "1", "-c", config)
        [again] = json_lines(call("note", "--import", file, "-c", config, "--json"))
        assert again["taken"] == []
        assert [row["line"] for row in again["struck"]] == [2]

    def test_a_file_that_is_no_journal_is_refused(self, config: Path, tmp_path: Path) -> None:
        other = tmp_path / "other.csv"
        other.write_text("date;kind;value\n")
        result = call("note", "--import", other, "-c", config)
        assert result.exit_code == 2
        assert "time,kind,value,unit" in result.stderr


class TestExport:
    def test_comes_back_the_same(self, config: Path, file: Path, tmp_path: Path) -> None:
        call("note", "--import", file, "-c", config)
        first, second = tmp_path / "first.csv", tmp_path / "second.csv"
        assert call("note", "--export", first, "-c", config).exit_code == 0
        (tmp_path / "other").mkdir()
        (tmp_path / "other" / "tank.db").write_bytes((tmp_path / "tank.db").read_bytes())
        elsewhere = tank(tmp_path / "other")
        for number in (1, 2):
            call("note", "--strike", number, "-c", elsewhere)
        assert call("note", "--import", first, "-c", config).exit_code == 0
        assert call("note", "--export", second, "-c", config).exit_code == 0
        assert first.read_text() == second.read_text()
        assert len(first.read_text().splitlines()) == 3
        # struck out there: they stay out
        [there] = json_lines(call("note", "--import", first, "-c", elsewhere, "--json"))
        assert (there["taken"], len(there["struck"])) == ([], 2)

    def test_to_the_screen(self, config: Path) -> None:
        call("note", "pour", "1.2 L", "-c", config, "--by", "Niamh")
        said = call("note", "--export", "-", "-c", config).stdout.splitlines()
        assert said[0] == "time,kind,value,unit,text,by"
        assert said[1].endswith(",pour,1200,mL,,Niamh")

    def test_replaces_no_file_unasked(self, config: Path, file: Path) -> None:
        result = call("note", "--export", file, "-c", config)
        assert result.exit_code == 2
        assert file.read_text(encoding="utf-8") == FILE


class TestReplay:
    def test_reads_a_journal_in_whatever_units_and_names_what_it_leaves_out(
        self, tmp_path: Path, file: Path
    ) -> None:
        trace = tmp_path / "trace.csv"
        trace.write_text("time,channel,value\n2026-01-05T21:59:00Z,water-a,25.3\n")
        store = tmp_path / "replayed.db"
        result = call("replay", "-c", tank(tmp_path), "-r", trace, "-j", file, "-s", store)
        assert result.exit_code == 1
        assert "line 4: A pour of -3.0 L can't be" in result.stderr
        with StoreReader.open(store) as reader:
            kept = [(e.kind, e.value, e.unit) for e in reader.journal()]
        assert kept == [
            ("pour", 1200.0, "mL"),
            ("salinity", 1.0264, "sg 25/25 °C"),
            ("salinity", 26.0, "ppt"),
        ]

    def test_knows_an_entry_only_when_its_time_has_come(self, tmp_path: Path) -> None:
        trace, journal = tmp_path / "trace.csv", tmp_path / "journal.csv"
        rows = (f"2026-01-05T{12 + n // 60:02}:{n % 60:02}:00Z,water-a,25.3\n" for n in range(180))
        trace.write_text("time,channel,value\n" + "".join(rows))
        journal.write_text(
            "time,kind,value,unit\n"
            "2026-01-04T12:00:00Z,animals-in,2,\n"
            "2026-01-05T13:30:00Z,ammonia,1,mg/L N\n"
            "2026-01-09T13:30:00Z,nitrite,1,mg/L N\n"
        )
        store = tmp_path / "replayed.db"
        config = tank(tmp_path)
        said = json_lines(
            call("replay", "-c", config, "-r", trace, "-j", journal, "-s", store, "--json")
        )
        seen = {row["alarm"]: row["time"] for row in said if row.get("event") == "raise"}
        assert seen["ammonia.seen"][:16] == "2026-01-05T13:30"
        assert "nitrite.seen" not in seen
        with StoreReader.open(store) as reader:
            assert len(reader.journal()) == 3
