"""`book`: some weeks of a simulated tank."""

from __future__ import annotations

from pathlib import Path

import pytest

from command_line import call, json_lines, tank
from stillwell.entry import Entry
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store

SPAN = ("--from", "2026-03-08T00:00Z", "--until", "2026-03-10T12:00Z")


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tank(tmp_path_factory.mktemp("book"), every="5 min")
    assert call("simulate", "-c", made, *SPAN).exit_code == 0
    for words in (("salinity", "35.4 ppt"), ("ammonia", "1 mg/L N"), ("water-change", "10 L")):
        noted = call("note", "-c", made, "--yes", "--at", "2026-03-09T10:00Z", *words)
        assert noted.exit_code == 0
    return made


class TestBook:
    def test_holds_water_salinity_tests_and_deeds(self, config: Path) -> None:
        words = ("--from", "2026-03-08", "--to", "2026-03-10")
        [found] = json_lines(call("book", "-c", config, *words, "--json"))
        assert [round(value) for _, value in found["water"]["water"]] == [25, 25, 25]
        assert found["tests"]["ammonia"] == [["2026-03-09T10:00:00Z", 1.0]]
        assert found["done"]["water-change"] == 1
        # No check before the 9th: no salinity of the 8th.
        assert len(found["salinity"]) == 2
        _, value, low, high = found["salinity"][0]
        assert low < value < high

    def test_says_it_in_words(self, config: Path) -> None:
        said = call("book", "-c", config).stdout
        assert "Water, day by day" in said
        assert "salinity 1" in said

    def test_draws_a_picture(self, config: Path, tmp_path: Path) -> None:
        pytest.importorskip("matplotlib")
        drawn = tmp_path / "weeks.png"
        assert call("book", "-c", config, "--png", drawn).exit_code == 0
        assert drawn.read_bytes().startswith(b"\x89PNG")

    def test_days_the_wrong_way_round_are_told(self, config: Path) -> None:
        result = call("book", "-c", config, "--from", "2026-03-10", "--to", "2026-03-01")
        assert result.exit_code == 2
        assert "before the last" in result.stderr

    def test_a_past_time_without_the_level_ends_where_the_entries_do(self, tmp_path: Path) -> None:
        made = tank(tmp_path)
        checked_ms, later_ms = 1_767_607_200_000, 1_773_100_000_000  # 5 January, 9 March 2026
        with Store.open(tmp_path / "tank.db", bulk=True) as store:
            store.begin_epoch("boot", Moment(0, later_ms, 1), True)
            store.put(
                [Reading("water-a", Moment(0, later_ms, 1), 25.0, Flag.PASS, "", "", None, None)]
            )
            store.put_journal(Entry("salinity", checked_ms, 35.0, "ppt"))
        words = ("book", "-c", made, "--from", "2026-01-01", "--to", "2026-01-31", "--json")
        [found] = json_lines(call(*words))
        assert [at[:10] for at, *_ in found["salinity"]] == ["2026-01-06"]
