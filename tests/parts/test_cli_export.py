"""`stillwell export`: the files that it writes, and that nobody ever finds half of one."""

from __future__ import annotations

import csv
import io
import subprocess
from pathlib import Path

import pytest

from command_line import STILLWELL, call, json_lines, process, tank
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Entry, Store
from stillwell_drivers.trace_file import journal_lines, read_trace

NOON = 1_767_268_800_000  # 2026-01-01T12:00:00Z


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Ten minutes of two channels, one missed reading, one pour."""
    path = tmp_path / "tank.db"
    with Store.open(path) as opened:
        epoch = opened.begin_epoch("boot", Moment(0, NOON), True)
        for name in ("water-a", "room"):
            opened.describe_channel(name, "temperature")
        for minute in range(10):
            at = Moment(minute * 60_000, NOON + minute * 60_000, epoch)
            missed = minute == 3
            flag = Flag.MISSING if missed else Flag.PASS
            opened.put(
                [
                    Reading("water-a", at, None if missed else 25.0 + minute / 10, flag),
                    Reading("room", at, 20.0, Flag.PASS),
                ]
            )
        opened.put_journal(Entry(at_ms=NOON + 90_000, kind="pour", value=250.0, unit="mL"))
    return path


class TestCsv:
    def test_standard_output_holds_the_file_and_nothing_else(self, store: Path) -> None:
        result = call("export", "-s", store, "-o", "-")
        rows = list(csv.DictReader(io.StringIO(result.stdout)))
        assert len(rows) == 20
        assert rows[0] == {
            "time": "2026-01-01T12:00:00Z",
            "channel": "water-a",
            "value": "25",
            "unit": "Cel",
            "flag": "1",
            "tests": "",
        }
        assert "20 readings" in result.stderr

    def test_window_and_channels_choose(self, store: Path) -> None:
        result = call(
            *("export", "-s", store, "-o", "-", "--channel", "water-a"),
            *("--from", "2026-01-01T12:02Z", "--to", "2026-01-01T12:05Z"),
        )
        rows = list(csv.DictReader(io.StringIO(result.stdout)))
        assert [row["time"][11:16] for row in rows] == ["12:02", "12:03", "12:04"]
        assert [row["value"] for row in rows] == ["25.2", "", "25.4"]

    def test_an_unknown_channel_is_told_with_the_known_ones(self, store: Path) -> None:
        result = call("export", "-s", store, "-o", store.parent / "x.csv", "--channel", "watr")
        assert result.exit_code == 2
        assert "no channel watr" in result.stderr
        assert "room, water-a" in result.stderr

    def test_a_failed_export_leaves_nothing_behind(self, store: Path) -> None:
        before = set(store.parent.iterdir())
        call("export", "-s", store, "-o", store.parent / "x.csv", "--channel", "watr")
        assert set(store.parent.iterdir()) <= before | {
            store.with_name(store.name + end) for end in ("-wal", "-shm")
        }

    def test_an_existing_file_is_kept_unless_forced(self, store: Path) -> None:
        out = store.parent / "mine.csv"
        out.write_text("precious")
        assert call("export", "-s", store, "-o", out).exit_code == 2
        assert out.read_text() == "precious"
        assert call("export", "-s", store, "-o", out, "--force").exit_code == 0
        assert out.read_text().startswith("time,channel,")

    def test_a_directory_that_is_not_there_is_told(self, store: Path) -> None:
        result = call("export", "-s", store, "-o", store.parent / "no" / "x.csv")
        assert result.exit_code == 2
        assert "can't be written" in result.stderr

    def test_a_reader_that_goes_away_is_no_fault(self, tmp_path: Path) -> None:
        config = tank(tmp_path)
        with Store.open(tmp_path / "tank.db", bulk=True) as store:
            epoch = store.begin_epoch("boot", Moment(0, NOON), True)
            times = (Moment(s * 1000, NOON + s * 1000, epoch) for s in range(17_000))
            store.put([Reading("water-a", at, 25.0, Flag.PASS) for at in times])
        # `head` ends long before the 17 000 rows are written.
        line = f"'{STILLWELL}' export -c '{config}' -o - | head -n 1"
        done = shell(line)
        assert done.startswith("time,channel,value,unit,flag,tests")
        assert "Traceback" not in done
        assert "fault" not in done


class TestTrace:
    def test_the_journal_stands_beside_and_both_read_back(self, store: Path) -> None:
        out = store.parent / "night.csv"
        [told] = json_lines(call("export", "-s", store, "-f", "trace", "-o", out, "--json"))
        beside = store.parent / "night-journal.csv"
        assert told == {"file": str(out), "journal": str(beside), "readings": 20, "entries": 1}
        back = [(at, {s.channel: s.value for s in samples}) for at, samples in read_trace(out)]
        assert len(back) == 10
        assert back[3] == (NOON + 180_000, {"water-a": None, "room": 20.0})
        [(_, entry)] = journal_lines(beside)
        assert (entry.kind, entry.value, entry.unit) == ("pour", 250.0, "mL")

    def test_the_names_are_said(self, store: Path) -> None:
        out = store.parent / "night.csv"
        result = call("export", "-s", store, "-f", "trace", "-o", out)
        said = " ".join(result.stderr.split())
        assert "night.csv" in said
        assert "1 journal entries in" in said
        assert "night-journal.csv" in said.replace(" ", "")


class TestParquet:
    def test_it_holds_every_reading(self, store: Path) -> None:
        parquet = pytest.importorskip("pyarrow.parquet")
        out = store.parent / "night.parquet"
        assert call("export", "-s", store, "-f", "parquet", "-o", out).exit_code == 0
        assert parquet.read_table(out).num_rows == 20

    def test_it_does_not_go_to_standard_output(self, store: Path) -> None:
        result = call("export", "-s", store, "-f", "parquet", "-o", "-")
        assert result.exit_code == 2
        assert "Name a file" in result.stderr


class TestWrongArguments:
    @pytest.mark.parametrize(
        ("arguments", "says"),
        [
            (("--from", "yesterday"), '"yesterday" is no time'),
            (("--from", "2026-01-02T00:00Z", "--to", "2026-01-01T00:00Z"), "not before --to"),
        ],
    )
    def test_are_told(self, store: Path, arguments: tuple[str, ...], says: str) -> None:
        result = call("export", "-s", store, "-o", "-", *arguments)
        assert result.exit_code == 2
        assert says in result.stderr

    def test_a_store_that_is_not_there_is_told(self, tmp_path: Path) -> None:
        done = process("export", "-s", tmp_path / "no.db", "-o", "-")
        assert done.returncode == 2
        assert "There is no store at" in done.stderr


def shell(line: str) -> str:
    """Standard output and error of a line for the shell."""
    done = subprocess.run(["sh", "-c", f"({line}) 2>&1"], capture_output=True, text=True)
    return done.stdout
