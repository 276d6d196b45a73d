"""`note` on a store of its own: kept, listed, corrected, refused."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from statistics import median
from zoneinfo import ZoneInfo

import pytest

from command_line import call, json_lines, tank
from stillwell.journal import Kind
from stillwell.store import StoreReader

ZONE = ZoneInfo("Europe/Dublin")


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("note")
    assert call("simulate", "-c", tank(folder), "--days", "0.02", "--json").exit_code == 0
    return (folder / "tank.db").read_bytes()


@pytest.fixture
def config(tmp_path: Path, filled: bytes) -> Path:
    """The store beside it is one of a tank that nobody writes."""
    (tmp_path / "tank.db").write_bytes(filled)
    return tank(tmp_path)


def said_lately(reader: StoreReader, utc_ms: int) -> list[float]:
    """What water-a said within five minutes."""
    readings = reader.readings("water-a", utc_ms - 300_000, utc_ms + 300_000)
    return [r.value for r in readings if r.value is not None and r.flag == 1]


class TestNote:
    def test_a_pour_is_kept_in_millilitres(self, config: Path) -> None:
        result = call("note", "pour", "1.2", "L", "-c", config)
        assert result.exit_code == 0, result.output
        assert result.stdout.startswith("Noted as entry 1: ")
        with StoreReader.open(config.parent / "tank.db") as reader:
            [entry] = reader.journal()
        assert (entry.kind, entry.value, entry.unit) == ("pour", 1200.0, "mL")

    def test_json_has_these_keys(self, config: Path) -> None:
        [kept] = json_lines(call("note", "pour", "900 mL", "-c", config, "--json"))
        assert list(kept) == [
            *("id", "time", "kind", "value", "unit", "to_mark", "lasted_s", "text", "by"),
            *("strikes", "struck_by"),
        ]

    def test_salt_makes_it_a_salt_pour(self, config: Path) -> None:
        [kept] = json_lines(call("note", "pour", "1 L", "--salt", "-c", config, "--json"))
        assert kept["kind"] == "salt-pour"

    def test_a_time_of_day_is_the_tank_s_and_the_last_one_that_came(self, config: Path) -> None:
        now = datetime.now(ZONE)
        [kept] = json_lines(
            call("note", "pour", "1 L", "--at", "00:01", "--yes", "-c", config, "--json")
        )
        at = datetime.fromisoformat(kept["time"]).astimezone(ZONE)
        assert (at.hour, at.minute) == (0, 1)
        assert 0 <= (now - at).total_seconds() < 26 * 3600

    def test_a_water_change_keeps_how_long_it_took(self, config: Path) -> None:
        arguments = ("water-change", "10 L", "--for", "30 min", "--text", "with new salt")
        [kept] = json_lines(call("note", *arguments, "-c", config, "--json"))
        assert (kept["lasted_s"], kept["text"]) == (1800.0, "with new salt")
        assert kept["value"] == 10_000.0
        listed = call("note", "--list", "-c", config).stdout
        assert "water-change 10.0 L, took 30 min: with new salt" in listed
        refused = call("note", "water-change", "10 L", "--for", "3 d", "-c", config)
        assert refused.exit_code == 2
        assert "less than half a day" in refused.stderr

    def test_a_pour_without_a_volume_is_up_to_the_mark(self, config: Path) -> None:
        [kept] = json_lines(call("note", "pour", "-c", config, "--json"))
        assert (kept["value"], kept["unit"], kept["to_mark"]) == (None, "", True)
        assert "pour to mark" in call("note", "--list", "-c", config).stdout

    def test_a_gravity_is_told_in_ppt_too(self, config: Path) -> None:
        # 1.0264 at 25/25 °C is 35.04 by TEOS-10 and EOS-80.
        said = call("note", "salinity", "1.0264", "25/25 degC", "-c", config).stdout
        assert said.endswith("That is 35.0 ppt.\n")

    def test_a_thermometer_is_held_beside_the_probes(self, config: Path) -> None:
        with StoreReader.open(config.parent / "tank.db") as reader:
            [last] = [r for r in reader.latest_readings() if r.channel == "water-a"]
        at = datetime.fromtimestamp(last.moment.utc_ms / 1000, ZONE).isoformat()
        said = call("note", "temperature", "24 degC", "--at", at, "--yes", "-c", config).stdout
        assert "water-a reads 1." in said
        assert "more than the thermometer" in said
        assert "ASTM E563" in said
        with StoreReader.open(config.parent / "tank.db") as reader:
            near = said_lately(reader, last.moment.utc_ms)
        lines = said.splitlines()
        offset = lines[lines.index("[channel.water-a]") + 1]
        assert offset == f'offset = "{24 - median(near):.2f} K"'

    def test_an_offset_that_was_written_is_no_longer_proposed(
        self, config: Path, tmp_path: Path
    ) -> None:
        with StoreReader.open(config.parent / "tank.db") as reader:
            [last] = [r for r in reader.latest_readings() if r.channel == "water-a"]
            near = said_lately(reader, last.moment.utc_ms)
        at = datetime.fromtimestamp(last.moment.utc_ms / 1000, ZONE).isoformat()
        written = config.read_text().replace(
            "[channel.water-a]", f'[channel.water-a]\noffset = "{25 - median(near):.2f} K"'
        )
        config.write_text(written)
        words = ("temperature", "25 degC", "--within", "0.1 K", "--at", at, "--yes")
        said = call("note", *words, "-c", config).stdout
        assert "water-a reads 0.00 K" in said
        assert "water-a may be right as it is" in said
        refused = call("note", "temperature", "25 degC", "--within", "wide", "-c", config)
        assert refused.exit_code == 2

    def test_the_help_names_every_kind(self) -> None:
        said = " ".join(call("note", "--help").stdout.split())
        listed = said.split("Kinds: ", 1)[1].split(".", 1)[0].split(", ")
        assert listed == list(Kind)


class TestRefused:
    @pytest.mark.parametrize(
        ("words", "says"),
        [
            (("pour", "-1.2 L"), "can't be"),
            (("pour", "1.2 buckets"), "no unit of volume"),
            (("pour", "16 oz"), 'Write "16 fl oz"'),
            (("pour", "30 L"), "unusual"),
            (("drink", "1 L"), "drink"),
            (("pour", "1 L", "--at", "yesterday"), "no time"),
            (("pour", "1 L", "--at", "2099-01-01T08:00"), "still to come"),
            (("water-change", "10 L", "--for", "a while"), "a while"),
            (("water-change", "10 L", "--salt"), "--salt goes with a pour"),
            (("--strike", "99"), "no entry 99"),
            (("fed", "--txt", "flakes"), "Did you mean --text?"),
        ],
    )
    def test_with_the_reason(self, config: Path, words: tuple[str, ...], says: str) -> None:
        result = call("note", *words, "-c", config)
        assert result.exit_code == 2
        assert says in result.stderr
        with StoreReader.open(config.parent / "tank.db") as reader:
            assert reader.journal() == []

    def test_a_pour_that_the_chamber_can_t_take_is_asked_about(self, config: Path) -> None:
        chamber = '[tank.chamber]\nlength = "18 cm"\nwidth = "9 cm"\n'
        config.write_text(config.read_text(encoding="utf-8") + chamber, encoding="utf-8")
        asked = call("note", "pour", "4 L", "-c", config)
        assert asked.exit_code == 2
        assert "lifts the chamber by 247 mm" in asked.stderr
        assert call("note", "pour", "4 L", "--yes", "-c", config).exit_code == 0

    def test_the_same_twice_is_asked_about(self, config: Path) -> None:
        assert call("note", "pour", "1 L", "-c", config).exit_code == 0
        again = call("note", "pour", "1 L", "-c", config)
        assert again.exit_code == 2
        assert "noted already" in again.stderr
        assert call("note", "pour", "1 L", "--yes", "-c", config).exit_code == 0

    def test_where_there_is_no_store(self, tmp_path: Path) -> None:
        result = call("note", "pour", "1 L", "-c", tank(tmp_path))
        assert result.exit_code == 2
        assert "tank.db" in result.stderr


class TestCorrections:
    def test_struck_out_it_stays_in_the_list_and_counts_no_more(self, config: Path) -> None:
        call("note", "pour", "1 L", "-c", config)
        assert call("note", "--strike", "1", "-c", config).stdout == "Entry 1 is struck out.\n"
        assert "(struck out by 2)" in call("note", "--list", "-c", config).stdout
        with StoreReader.open(config.parent / "tank.db") as reader:
            assert reader.journal() == []

    def test_another_in_its_place_is_about_the_same_time(self, config: Path) -> None:
        [first] = json_lines(
            call("note", "pour", "1 L", "--at", "00:01", "--yes", "-c", config, "--json")
        )
        [second] = json_lines(
            call("note", "pour", "1.1 L", "--strike", "1", "--yes", "-c", config, "--json")
        )
        assert second["time"] == first["time"]
        assert second["strikes"] == 1

    def test_an_entry_is_struck_once(self, config: Path) -> None:
        call("note", "pour", "1 L", "-c", config)
        call("note", "--strike", "1", "-c", config)
        again = call("note", "--strike", "1", "-c", config)
        assert again.exit_code == 2
        assert "already" in again.stderr

    def test_an_empty_journal_says_so(self, config: Path) -> None:
        assert call("note", "--list", "-c", config).stdout == "The journal is empty.\n"
