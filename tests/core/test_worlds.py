"""The simulated worlds keep to physics, and to what they promise of faults and seeds."""

from __future__ import annotations

import itertools
from functools import cache
from random import Random

import pytest

from tanks import nodes, slab
from tanks.body import Body
from tanks.draw import drawn_tank
from tanks.physics import (
    SEAWATER_J_L_K,
    latent_j_kg,
    penman_w_m2_pa,
    radiation_w_m2_k,
    saturation_pa,
    shah_kg_m2_s,
    upright_w_m2_k,
)
from tanks.trace import DAY_S, Fault, Heater, Row, Run, befalls, seeds
from tanks.worlds import NODES, SLAB, Simulated


def bodies(seed: int) -> tuple[Body, Body]:
    tank = drawn_tank(Random(seed))
    return nodes.nodes(Random(seed), tank, 2), slab.slab(Random(seed), tank, 2)


class TestPhysics:
    @pytest.mark.parametrize(
        ("water_c", "air_c", "kg_m2_h"), [(28, 28, 0.1360), (28, 30, 0.0968), (30, 28, 0.1959)]
    )
    def test_shah_is_the_published_table(
        self, water_c: float, air_c: float, kg_m2_h: float
    ) -> None:
        # M. M. Shah 2014, ASHRAE Transactions 120(2) SE-14-001, look-up table, 50 % humidity.
        vapour = 0.5 * saturation_pa(air_c)
        found = shah_kg_m2_s(water_c, saturation_pa(water_c), air_c, vapour) * 3_600
        assert found == pytest.approx(kg_m2_h, rel=0.015)

    @pytest.mark.parametrize("miles_a_day", [0.0, 50.0, 100.0])
    def test_penman_is_his_own_equation(self, miles_a_day: float) -> None:
        # Penman 1948, Proc. R. Soc. A 193:120: 0.35 (1 + u / 100) mm/d for a mm of mercury.
        mm_a_day = 0.35 * (1 + miles_a_day / 100) / 133.322
        watts = mm_a_day * latent_j_kg(21.0) / 86_400
        assert penman_w_m2_pa(miles_a_day * 1_609.344 / 86_400) == pytest.approx(watts, rel=0.01)

    def test_vapour_and_latent_heat_are_those_of_steam_tables(self) -> None:
        # IAPWS-95 at 25 degC: 3,169.9 Pa and 2,441.7 kJ/kg.
        assert saturation_pa(25.0) == pytest.approx(3_169.9, rel=1e-3)
        assert latent_j_kg(25.0) == pytest.approx(2.4417e6, rel=1e-3)

    def test_a_pane_gives_off_what_the_standard_for_glazing_says(self) -> None:
        # EN 673: 7.7 W/(m2 K) between upright uncoated glass (emissivity 0.837) and a still room.
        found = upright_w_m2_k(10.0) + radiation_w_m2_k(25.0, 15.0, 0.837)
        assert found == pytest.approx(7.7, rel=0.05)

    @pytest.mark.parametrize("which", [0, 1])
    @pytest.mark.parametrize("seed", range(2))
    def test_no_heat_is_made_or_lost(self, which: int, seed: int) -> None:
        body, rng = bodies(seed)[which], Random(seed)
        body.settle(25.0)
        before, moved = body.stored_j(), 0.0
        room, vapour, speed, covered, pumping = 20.0, 1_300.0, 0.1, False, True
        for step in range(1_000):
            if step % 100 == 0:
                room, vapour = rng.uniform(12, 32), rng.uniform(600, 2_500)
                speed, covered = rng.choice((0.0, 0.1, 2.0)), rng.random() < 0.3
                pumping = rng.random() < 0.7
                body.pour(rng.uniform(0.0, 10.0), rng.uniform(5.0, 30.0))
            heaters = [rng.choice((0.0, 60.0)), rng.choice((0.0, 40.0))]
            warmth = body.stored_j()
            body.step(30.0, room, vapour, speed, covered, heaters, 5.0, 20.0, 30.0, 4.0, pumping)
            moved += abs(body.stored_j() - warmth)
        assert body.stored_j() - before == pytest.approx(body.ledger_j, abs=1e-9 * moved + 1e-3)

    @pytest.mark.parametrize("which", [0, 1])
    def test_all_heat_that_is_given_stays_while_none_can_leave(self, which: int) -> None:
        tank = drawn_tank(Random(7))
        tank.refills = False
        body: Body = (nodes.nodes, slab.slab)[which](Random(7), tank, 2)
        body.settle(22.0)
        before, damp = body.stored_j(), saturation_pa(22.0)
        body.step(30.0, 22.0, damp, 0.0, False, [60.0, 40.0], 15.0, 0.0, 30.0, 4.0, True)
        assert body.stored_j() - before == pytest.approx((60 + 40 - 15 + 30 + 4) * 30.0)

    @pytest.mark.parametrize("which", [0, 1])
    @pytest.mark.parametrize("seed", range(2))
    def test_it_settles_where_as_much_goes_as_comes(self, which: int, seed: int) -> None:
        tank = drawn_tank(Random(seed))
        tank.refills = False
        body: Body = (nodes.nodes, slab.slab)[which](Random(seed), tank, 1)
        watts = body.loss_w(25.0, 20.0, 1_200.0, 0.0)
        body.settle(24.8)
        for _ in range(4 * 2_880):
            body.step(30.0, 20.0, 1_200.0, 0.0, False, [watts], 0.0, 0.0, 0.0, 0.0, True)
        assert body.water_c == pytest.approx(25.0, abs=0.05)

    @pytest.mark.parametrize("which", [0, 1])
    def test_a_heater_lifts_water_as_its_heat_capacity_says(self, which: int) -> None:
        # 3,998 J/(kg K) times 1.0233 kg/L (TEOS-10, 35 g/kg, 25 degC): a watt lifts a litre by
        # 0.88 K an hour, less what rock and panes take, while nothing goes to the room.
        assert pytest.approx(3_998 * 1.0233, rel=1e-3) == SEAWATER_J_L_K
        tank = drawn_tank(Random(5))
        tank.refills = False
        body: Body = (nodes.nodes, slab.slab)[which](Random(5), tank, 1)
        body.settle(22.0)
        damp, watts = saturation_pa(22.0), tank.volume_l
        for _ in range(120):
            body.step(30.0, 22.0, damp, 0.0, False, [watts], 0.0, 0.0, 0.0, 0.0, True)
        assert 0.70 < body.water_c - 22.0 < 0.88

    def test_a_tank_of_68_litres_evaporates_as_the_trade_says(self) -> None:
        # Common practice: an open tank of this size loses 0.5 to 2 % of its water a day.
        for which in (0, 1):
            tank = drawn_tank(Random(3))
            scale = (68.0 / tank.volume_l) ** (2.0 / 3.0)
            body = (nodes.nodes, slab.slab)[which](Random(3), tank, 1)
            body.settle(25.0)
            body.step(30.0, 21.0, 1_250.0, 0.05, False, [0.0], 0.0, 0.0, 0.0, 0.0, True)
            litres = body.evaporation_w * scale / latent_j_kg(25.0) * 86_400
            assert 0.005 * 68 < litres < 0.02 * 68


@cache
def run(world: Simulated, fault: Fault) -> tuple[Run, list[Row]]:
    """Returns a day with half a day of fault, read so seldom that it is quick, and their rows."""
    (seed,) = seeds("choose", 1)
    found = world.run(seed, 1.0, fault, onset_s=DAY_S // 4, lasts_s=DAY_S // 2, every_s=300)
    return found, list(found)


def during(rows: list[Row]) -> list[Row]:
    return [row for row in rows if DAY_S * 0.26 < row.at_s < DAY_S * 0.75]


@pytest.mark.parametrize("world", [NODES, SLAB], ids=lambda world: world.name)
class TestFaults:
    @pytest.mark.parametrize("fault", [fault for fault in Fault if fault is not Fault.NONE])
    def test_each_is_there_from_its_onset_until_it_is_mended(
        self, world: Simulated, fault: Fault
    ) -> None:
        found, rows = run(world, fault)
        assert found.injected is not None
        assert all(row.truth.fault == found.injected.holds(row.at_s) for row in rows)
        assert all(
            row.truth.wrong_w == 0.0
            for row in rows
            if row.at_s <= found.injected.onset_s
            or row.at_s > found.injected.end_s + found.household.every_s
        )
        assert {*found.household.probes} <= set(rows[-1].values)

    def test_a_dead_heater_gives_nothing_and_is_missed(self, world: Simulated) -> None:
        rows = during(run(world, Fault.HEATER_DEAD)[1])
        assert all(sum(row.truth.heaters_w) == 0.0 for row in rows)
        assert min(row.truth.wrong_w for row in rows) < 0.0

    def test_one_that_is_stuck_on_gives_too_much(self, world: Simulated) -> None:
        found, all_rows = run(world, Fault.HEATER_STUCK_ON)
        rows = during(all_rows)
        assert all(row.truth.heaters_w[0] > 0.9 * found.household.powers_w[0] for row in rows)
        assert max(row.truth.wrong_w for row in rows) > 0.0

    def test_one_of_several_leaves_the_others(self, world: Simulated) -> None:
        rows = during(run(world, Fault.ONE_DEAD)[1])
        assert all(row.truth.heaters_w[0] == 0.0 for row in rows)

    def test_a_chiller_that_is_stuck_on_is_missed_on_the_other_side(self, world: Simulated) -> None:
        rows = during(run(world, Fault.CHILLER_STUCK_ON)[1])
        assert all(row.truth.chiller_w > 0.0 for row in rows)
        assert min(row.truth.wrong_w for row in rows) < 0.0

    @pytest.mark.parametrize("fault", [Fault.PROBE_STUCK, Fault.ROOM_COLD, Fault.PUMP_STOPPED])
    def test_what_is_no_fault_of_a_device_has_nothing_wrong(
        self, world: Simulated, fault: Fault
    ) -> None:
        assert all(row.truth.wrong_w == 0.0 for row in run(world, fault)[1])

    def test_until_the_onset_it_is_the_life_of_its_twin(self, world: Simulated) -> None:
        found, rows = run(world, Fault.HEATER_DEAD)
        (seed,) = seeds("choose", 1)
        twin = world.run(seed, 1.0, heater=found.household.heater, every_s=300)
        assert twin.household == found.household
        early = [row for row in rows if row.at_s < DAY_S // 4]
        assert early == list(itertools.islice(twin, len(early)))

    def test_a_run_can_be_gone_through_twice(self, world: Simulated) -> None:
        found, rows = run(world, Fault.RELAY_STICKS)
        assert list(found) == rows

    def test_a_run_that_is_too_short_is_refused(self, world: Simulated) -> None:
        with pytest.raises(ValueError, match="too few"):
            world.run(seeds("choose", 1)[0], 5.0, Fault.HEATER_DEAD)

    def test_a_tank_without_a_heater_has_none_that_could_die(self, world: Simulated) -> None:
        with pytest.raises(ValueError, match="can't have"):
            world.run(seeds("choose", 1)[0], 14.0, Fault.HEATER_DEAD, Heater.NONE)


class TestSpreads:
    def test_seeds_of_choosing_and_of_reporting_never_meet(self) -> None:
        assert not set(seeds("choose", 100)) & set(seeds("report", 100))

    @pytest.mark.parametrize("world", [NODES, SLAB], ids=lambda world: world.name)
    @pytest.mark.parametrize("heater", Heater)
    def test_every_kind_of_heater_is_to_be_had(self, world: Simulated, heater: Heater) -> None:
        found = world.run(seeds("choose", 3)[2], 1.0, heater=heater).household
        assert found.heater is heater
        assert bool(found.powers_w) == (heater is not Heater.NONE)
        assert (len(found.powers_w) > 1) == (heater is Heater.SEVERAL)
        assert (found.night is not None) == (heater is Heater.SCHEDULE)

    def test_a_heated_tank_holds_its_band(self) -> None:
        # A tank to which nothing is wrong and that its heater holds: what a watch must be quiet on.
        for world in (NODES, SLAB):
            for seed in seeds("choose", 3):
                found = world.run(seed, 1.0, heater=Heater.THERMOSTAT, every_s=300)
                low = found.household.band_c[0]
                assert all(row.truth.water_c > low for row in found)

    def test_every_fault_can_befall_some_kind(self) -> None:
        assert all(befalls(fault) for fault in Fault)
