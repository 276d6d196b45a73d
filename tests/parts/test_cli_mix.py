"""`mix` as the person with the bucket calls it."""

from __future__ import annotations

from pathlib import Path

import pytest

from command_line import call, json_lines, tank
from dissolving import dissolved
from stillwell.water.mixing import DryMix, Water, changed


def one(*words: object) -> dict[str, float]:
    [found] = json_lines(call("mix", *words, "--json"))
    return found


class TestABatch:
    def test_weighs_what_seawater_of_35_holds(self) -> None:
        # 35.16504 g/kg at practical salinity 35: Millero et al., Deep-Sea Res. I 55 (2008) 50;
        # 1023.343 kg/m3 at 25 degC: UNESCO Technical Paper in Marine Science 44 (1983).
        found = one("10", "L", "--temperature", "25 degC")
        assert found["dry_g"] == pytest.approx(10 * 1.023343 * 35.16504, rel=2e-4)

    def test_is_approached_from_below(self) -> None:
        found = one("10 L")
        assert 0 < found["first_g"] < found["dry_g"]
        said = call("mix", "10 L").stdout
        assert said.index("first") < said.index("Read the salinity")

    def test_salt_and_fresh_water_make_the_batch_whatever_the_mix_holds(self) -> None:
        found = one("20 L", "--water-share", "9 %", "--to", "34 ppt")
        fresh = Water.of_volume(found["fresh_ml"], 0.0, found["t_c"])
        made = dissolved(DryMix(0.09), fresh, found["dry_g"])
        assert made.salinity == pytest.approx(34.0, abs=1e-6)
        assert made.ml == pytest.approx(20_000.0, rel=1e-6)

    def test_a_kitchen_measure_is_marked_as_rough(self) -> None:
        assert "roughly" in call("mix", "10 L").stdout

    def test_a_gravity_without_its_temperatures_is_asked_back(self) -> None:
        result = call("mix", "10 L", "--to", "1.0264")
        assert result.exit_code == 2
        assert "25/25 degC" in result.stderr

    def test_no_volume_is_told(self) -> None:
        assert call("mix", "0 L").exit_code == 2


class TestPuttingRight:
    def test_a_low_batch_gets_salt(self) -> None:
        found = one("10 L", "--reads", "34ppt")
        now = Water.of_volume(10_000.0, 34.0, found["t_c"])
        assert dissolved(DryMix(), now, found["dry_g"]).salinity == pytest.approx(35.0, abs=1e-6)

    def test_a_high_batch_gets_fresh_water_or_a_swap(self) -> None:
        found = one("10 L", "--reads", "36.5 ppt")
        now = Water.of_volume(10_000.0, 36.5, found["t_c"])
        swapped = changed(
            now, found["swap_fresh_ml"], Water.of_volume(found["swap_fresh_ml"], 0.0, now.t_c)
        )
        assert swapped.salinity == pytest.approx(35.0, abs=1e-6)
        assert found["add_fresh_ml"] > found["swap_fresh_ml"]

    def test_what_was_weighed_teaches_how_much_water_the_mix_holds(self) -> None:
        found = one("10 L", "--reads", "34 ppt", "--weighed", "370 g")
        salt = Water.of_volume(10_000.0, 34.0, found["t_c"]).salt_g
        assert found["water_share"] == pytest.approx(1 - salt / 370.0, abs=1e-9)

    def test_a_weight_that_can_not_be_is_refused_with_what_to_check(self) -> None:
        result = call("mix", "10 L", "--reads", "34 ppt", "--weighed", "100 g")
        assert result.exit_code == 2
        assert "check the weight" in result.stderr


class TestAWaterChange:
    def test_brings_the_tank_to_the_target(self, tmp_path: Path) -> None:
        found = one("10 L", "--tank", "35.5 ppt", "-c", tank(tmp_path))
        now = Water.of_volume(68_000.0, 35.5, found["t_c"])
        new = Water.of_volume(10_000.0, found["salinity"], found["t_c"])
        assert changed(now, 10_000.0, new).salinity == pytest.approx(35.0, abs=1e-6)

    def test_a_batch_s_reading_and_the_tank_s_are_two_questions(self, tmp_path: Path) -> None:
        both = ("--reads", "33 ppt", "--tank", "35.5 ppt")
        result = call("mix", "10 L", *both, "-c", tank(tmp_path))
        assert result.exit_code == 2
        assert "they don't go together" in result.stderr

    def test_says_to_unplug_before_water_is_taken_out(self, tmp_path: Path) -> None:
        said = call("mix", "10 L", "--tank", "35.5 ppt", "-c", tank(tmp_path)).stdout
        assert "Unplug heater and pump" in said

    def test_a_large_move_is_spread_over_days(self, tmp_path: Path) -> None:
        said = call("mix", "34 L", "--tank", "38 ppt", "-c", tank(tmp_path)).stdout
        assert "spread it over 3.0 days" in said

    def test_what_one_change_can_not_do_is_refused(self, tmp_path: Path) -> None:
        result = call("mix", "2 L", "--tank", "39 ppt", "-c", tank(tmp_path))
        assert result.exit_code == 2
        assert "Change more" in result.stderr


class TestWarming:
    def test_takes_the_heat_that_the_water_needs(self) -> None:
        # 10 L of seawater from 15 to 25 degC at 100 W: 10.23 kg x 4.0 kJ/(kg K) x 10 K / 100 W
        found = one("10 L", "--cold", "15 degC", "--temperature", "25 degC", "--heater", "100 W")
        assert found["warm_s"] == pytest.approx(10.23 * 4000 * 10 / 100, rel=0.01)

    def test_a_heater_that_can_not_do_it_is_told(self) -> None:
        cold = ("--cold", "5 degC", "--room", "2 degC", "--heater", "25 W")
        assert "can't warm it" in call("mix", "20 L", *cold).stdout
        assert one("20 L", *cold)["warm_s"] is None

    def test_a_heater_in_a_bucket_comes_with_its_caution(self) -> None:
        said = call("mix", "10 L", "--cold", "17 degC", "--heater", "75 W").stdout
        for caution in ("drip loop", "RCD", "dry hands"):
            assert caution in said
