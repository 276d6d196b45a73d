"""The simulated households with a return chamber keep to physics, and to what they promise of
faults and seeds."""

from __future__ import annotations

import itertools
from functools import cache
from math import sqrt
from pathlib import Path
from random import Random

import pytest
from bench_chamber import in_settings

from stillwell.settings import load
from tanks.households.instruments import Rod
from tanks.households.story import LEVEL, RESERVOIR, TOP_UP, Fault, Kind, Row, Run, befalls
from tanks.households.water import Hole, Natatorium, Notches, Transfer, Water, Weir
from tanks.households.weather import AIRPORTS, HOURS, outdoors_at
from tanks.households.worlds import NOTCHES, WEIR, WORLDS, Simulated
from tanks.physics import PSYCHROMETRIC_PA_K, latent_j_kg, saturation_pa, shah_kg_m2_s
from tanks.trace import DAY_S, seeds

TANK_MM2, CHAMBER_MM2 = 150_000.0, 20_000.0


def water(edge: Weir | Notches, hole: Hole | None = None, siphon_mm: float = 0.0) -> Water:
    """Returns water that is at rest with the tank filled to its edge and the chamber to the
    mark."""
    return Water(
        TANK_MM2,
        CHAMBER_MM2,
        edge,
        hole,
        siphon_mm,
        edge_mm=90.0,
        rim_mm=120.0,
        intake_mm=-60.0,
        lift_mm=300.0,
        shut_mm=1_500.0,
        free_ml_s=190.0,
    )


class TestHydraulics:
    @pytest.mark.parametrize("h_mm", [5.0, 20.0, 100.0])
    def test_a_straight_edge_passes_what_francis_measured(self, h_mm: float) -> None:
        # J. B. Francis 1855, Lowell Hydraulic Experiments: Q = 1.84 b h^(3/2) in m and s, from
        # memory.
        francis = 1.84e6 * 0.25 * (h_mm / 1_000.0) ** 1.5
        assert Weir(250.0).ml_s(h_mm) == pytest.approx(francis, rel=0.01)

    @pytest.mark.parametrize("h_mm", [10.0, 50.0, 100.0])
    def test_a_notch_of_90_degrees_passes_what_thomson_measured(self, h_mm: float) -> None:
        # J. Thomson 1861: Q = 1.38 h^(5/2) in m and s, from memory; 2 in 100 between authors.
        thomson = 3 * 1.38e6 * (h_mm / 1_000.0) ** 2.5
        assert Notches(3).ml_s(h_mm) == pytest.approx(thomson, rel=0.02)

    def test_the_tank_drains_over_its_edge_as_the_integral_says(self) -> None:
        # dh/dt = -k h^(3/2) / A has h(t) = (h0^(-1/2) + k t / (2 A))^(-2).
        here = water(Weir(120.0))
        here.tank_ml = 8.0 * TANK_MM2 / 1_000.0
        here.chamber_ml = -20.0 * CHAMBER_MM2 / 1_000.0
        k = here.edge.ml_s(1.0) * 1_000.0
        expected = (8.0**-0.5 + k * 60.0 / (2.0 * TANK_MM2)) ** -2
        here.move(60.0, None)
        assert here.over_mm == pytest.approx(expected, abs=0.05)

    def test_it_drains_through_a_hole_in_torricellis_time(self) -> None:
        # t = 2 A (sqrt(h0) - sqrt(h)) / (Cd a sqrt(2 g)), from the hole up to the edge.
        hole = Hole(area_mm2=12.0, below_mm=10.0)
        here = water(Weir(120.0), hole)
        here.chamber_ml = -30.0 * CHAMBER_MM2 / 1_000.0
        root = hole.cd * hole.area_mm2 * sqrt(2.0 * 9_810.0)
        seconds = 2.0 * TANK_MM2 * (sqrt(10.0) - sqrt(5.0)) / root
        here.move(seconds, None)
        assert here.over_mm == pytest.approx(-5.0, abs=0.2)

    @pytest.mark.parametrize(
        "here",
        [water(Weir(120.0), siphon_mm=2.0), water(Notches(30), Hole(12.0, 6.0))],
        ids=["weir", "notches"],
    )
    def test_a_pump_that_stops_gives_all_that_stood_above_the_rest(self, here: Water) -> None:
        here.tank_ml = 5.0 * TANK_MM2 / 1_000.0
        for _ in range(30):
            here.move(60.0, 1.0)
        over, level, stored = here.over_mm, here.level_mm, here.stored_ml
        for _ in range(300):
            here.move(60.0, None)
        rest = max(here.siphon_mm, here.hole.below_mm if here.hole else 0.0)
        rise = (over + rest) * TANK_MM2 / CHAMBER_MM2
        assert here.level_mm - level == pytest.approx(rise, rel=0.02)
        assert here.stored_ml == pytest.approx(stored, abs=1e-6)
        for _ in range(60):
            here.move(60.0, 1.0)
        assert here.level_mm == pytest.approx(level, abs=0.2)

    def test_what_is_poured_stays_in_the_chamber_but_for_what_a_lighter_pump_lifts(self) -> None:
        here = water(Weir(120.0))
        here.chamber_ml = 45.0 * CHAMBER_MM2 / 1_000.0  # what then stands over the edge
        for _ in range(30):
            here.move(60.0, 1.0)
        before = here.level_mm
        here.chamber_ml += 200.0
        here.move(60.0, 1.0)
        lifted = here.level_mm - before
        assert 0.9 * 200_000.0 / CHAMBER_MM2 < lifted < 200_000.0 / CHAMBER_MM2


class TestEvaporation:
    @pytest.mark.parametrize(
        ("t_c", "air_c", "humid", "kg_m2_h"),
        [
            (25, 22, 0.5, 0.2347),
            (25, 20, 0.5, 0.2548),
            (25, 25, 0.7, 0.1171),
            (24, 18, 0.4, 0.2759),
        ],
    )
    def test_the_natatorium_equation_is_the_handbooks(
        self, t_c: float, air_c: float, humid: float, kg_m2_h: float
    ) -> None:
        # ASHRAE Handbook HVAC Applications, V = 0, Fa = 1, pressures of ASHRAE 2017 F1 (PsychroLib)
        # with 0.9816 of them over seawater.
        found = Natatorium(1.0).mm_s(t_c, humid * saturation_pa(air_c), 0.0) * 3_600.0
        assert found == pytest.approx(kg_m2_h, rel=0.006)

    def test_mass_goes_as_heat_does_by_lewis(self) -> None:
        # Bowen 1926: sensible to latent heat as the psychrometric constant, 67 Pa/K (FAO-56).
        law = Transfer(1.0)
        slow, fast = (law.mm_s(25.0, 1_250.0, speed) for speed in (0.0, 2.0))
        moist = 0.981 * saturation_pa(25.0) - 1_250.0
        per_pa = (fast - slow) * latent_j_kg(25.0) / moist
        assert 3.8 * 2.0 / per_pa == pytest.approx(PSYCHROMETRIC_PA_K, rel=0.03)

    def test_still_air_is_within_the_spread_of_published_equations(self) -> None:
        # Smith et al. 1995, ASHRAE Transactions 101(1): equations differ by up to four times at low
        # speeds. Held against Shah 2014.
        vapour = 0.5 * saturation_pa(22.0)
        shah = shah_kg_m2_s(25.0, 0.981 * saturation_pa(25.0), 22.0, vapour)
        assert 0.5 < Transfer(1.0).mm_s(25.0, vapour, 0.0) / shah < 2.0


class TestWeather:
    @pytest.mark.parametrize("airport", AIRPORTS)
    def test_is_a_year_of_hours_that_can_be(self, airport: str) -> None:
        year = outdoors_at(airport)
        assert len(year.t_c) == HOURS
        both = zip(year.vapour_pa, year.t_c, strict=True)
        assert all(0.0 < vapour <= 1.001 * saturation_pa(t_c) for vapour, t_c in both)
        assert max(year.wind_m_s) < 25.0

    def test_is_the_one_that_is_meant(self) -> None:
        # The extremes at JFK in 2013 in the series: 12.02 and 98.06 degF.
        year = outdoors_at("JFK")
        assert min(year.t_c) == pytest.approx((12.02 - 32) / 1.8)
        assert max(year.t_c) == pytest.approx((98.06 - 32) / 1.8)


def test_a_gauge_with_the_published_coefficient_reads_a_mm_less_for_four_kelvin() -> None:
    def said(mm_per_k: float) -> float:
        gauge = Rod(
            Random(1),
            0.0,
            0.0,
            mm_per_k,
            lamp_k=0.0,
            lag_s=60.0,
            creep_mm_day=0.0,
            walk_mm_day=0.0,
            foul_mm_day=0.0,
            drop=0.0,
            out_day=0.0,
            wild=0.0,
        )
        gauge.age(1, 26.0, False)
        value = gauge.read(0, 5.0, 0.0)
        assert value is not None
        return value

    assert said(-0.25) - said(0.0) == pytest.approx(-1.0)


DAYS, ONSET_S, LASTS_S = 1.5, DAY_S // 2, 3 * DAY_S // 4


@cache
def run(world: Simulated, kind: Kind, fault: Fault) -> tuple[Run, list[Row]]:
    """Returns a day and a half with three quarters of a day of fault, and its rows."""
    (seed,) = seeds("choose", 1)
    found = world.run(seed, DAYS, kind, fault, onset_s=ONSET_S, lasts_s=LASTS_S)
    return found, list(found)


CASES = [
    (WORLDS[index % 2], befalls(fault)[index % len(befalls(fault))], fault)
    for index, fault in enumerate(fault for fault in Fault if fault is not Fault.NONE)
]


@pytest.mark.parametrize(("world", "kind", "fault"), CASES, ids=lambda case: str(case)[:14])
class TestFaults:
    def test_no_water_is_made_or_lost(self, world: Simulated, kind: Kind, fault: Fault) -> None:
        for row in run(world, kind, fault)[1]:
            truth = row.truth
            came = truth.poured_ml + truth.dosed_ml + truth.swelled_ml
            went = truth.evaporated_ml + truth.leaked_ml
            assert abs(truth.stored_ml - (came - went)) < 1e-6

    def test_it_is_there_from_its_onset_until_it_is_mended(
        self, world: Simulated, kind: Kind, fault: Fault
    ) -> None:
        found, rows = run(world, kind, fault)
        assert found.injected is not None
        assert all(row.truth.fault == found.injected.holds(row.at_s) for row in rows)
        assert not any(row.truth.shows for row in rows if not row.truth.fault)

    def test_until_the_onset_it_is_the_life_of_its_twin(
        self, world: Simulated, kind: Kind, fault: Fault
    ) -> None:
        found, rows = run(world, kind, fault)
        (seed,) = seeds("choose", 1)
        twin = world.run(seed, DAYS, kind)
        assert twin.household == found.household
        early = [row for row in rows if row.at_s < ONSET_S]
        assert early == list(itertools.islice(twin, len(early)))


def during(rows: list[Row]) -> list[Row]:
    return [row for row in rows if ONSET_S + 3_600 < row.at_s < ONSET_S + LASTS_S]


class TestWhatFaultsDo:
    def test_a_leak_loses_so_much_an_hour(self) -> None:
        (seed,) = seeds("choose", 1)
        lasts = 10 * 3_600
        found = WEIR.run(seed, 1.0, Kind.GAUGE, Fault.LEAK, size=40.0, onset_s=3_600, lasts_s=lasts)
        assert list(found)[-1].truth.leaked_ml == pytest.approx(400.0, abs=1.0)

    @pytest.mark.parametrize("fault", [Fault.PUMP_STOPPED, Fault.MAINS_LOST])
    def test_a_pump_that_stands_lets_the_chamber_rise_for_good(self, fault: Fault) -> None:
        for world in WORLDS:
            rows = run(world, Kind.DOSED_SWITCH, fault)[1]
            before = next(row for row in rows if row.at_s == ONSET_S - 60).truth.level_mm
            assert all(row.truth.level_mm > before + 8.0 for row in during(rows))
            assert not any(row.truth.pump_runs for row in during(rows))

    def test_without_mains_no_dose_comes(self) -> None:
        rows = during(run(NOTCHES, Kind.DOSED_SWITCH, Fault.MAINS_LOST)[1])
        assert not any(row.values.get(TOP_UP) for row in rows[10:])
        assert rows[0].truth.dosed_ml == rows[-1].truth.dosed_ml

    def test_a_top_up_that_does_not_stop_empties_its_reservoir(self) -> None:
        rows = run(WEIR, Kind.DOSED_GAUGE, Fault.TOP_UP_STUCK_ON)[1]
        assert max(row.truth.level_mm for row in during(rows)) > 20.0
        assert during(rows)[-1].truth.reservoir_ml < 0.1 * rows[0].truth.reservoir_ml

    def test_one_that_does_not_come_lets_the_chamber_fall(self) -> None:
        rows = during(run(WEIR, Kind.DOSED_RESERVOIR, Fault.TOP_UP_MISSING)[1])
        assert rows[-1].truth.level_mm < rows[0].truth.level_mm - 2.0
        assert rows[0].truth.dosed_ml == rows[-1].truth.dosed_ml

    def test_a_float_that_hangs_says_the_same_all_the_time(self) -> None:
        rows = during(run(WEIR, Kind.ONE_FLOAT, Fault.FLOAT_STUCK_UP)[1])
        assert {row.values["float-low"] for row in rows if "float-low" in row.values} == {1.0}

    def test_a_gauge_that_moved_is_off_by_as_much_as_the_judge_is_told(self) -> None:
        found, rows = run(WEIR, Kind.GAUGE, Fault.GAUGE_MOVED)
        assert found.injected is not None
        (seed,) = seeds("choose", 1)
        apart = [
            said - other
            for row, twin in zip(rows, WEIR.run(seed, DAYS, Kind.GAUGE), strict=True)
            if ONSET_S <= row.at_s < ONSET_S + LASTS_S
            and (said := row.values.get(LEVEL)) is not None
            and (other := twin.values.get(LEVEL)) is not None
        ]
        assert sum(apart) / len(apart) == pytest.approx(found.injected.size, abs=0.6)

    def test_one_that_a_household_cannot_have_is_refused(self) -> None:
        with pytest.raises(ValueError, match="can't have"):
            WEIR.run(seeds("choose", 1)[0], 12.0, Kind.GAUGE, Fault.SIPHON)
        with pytest.raises(ValueError, match="too few"):
            WEIR.run(seeds("choose", 1)[0], 4.0, Kind.GAUGE, Fault.LEAK)


class TestHouseholds:
    @pytest.mark.parametrize("world", WORLDS, ids=lambda world: world.name)
    def test_a_machine_keeps_the_level_and_takes_what_it_gives(self, world: Simulated) -> None:
        for seed in seeds("choose", 2):
            rows = list(world.run(seed, 1.0, Kind.DOSED_RESERVOIR))
            steady = [r.truth.level_mm for r in rows if r.truth.pump_runs and not r.truth.hands]
            assert sorted(steady)[len(steady) // 2] == pytest.approx(-2.0, abs=8.0)
            assert any(RESERVOIR in row.values for row in rows)

    @pytest.mark.parametrize("kind", Kind)
    @pytest.mark.parametrize("world", WORLDS, ids=lambda world: world.name)
    def test_its_settings_are_accepted(self, world: Simulated, kind: Kind, tmp_path: Path) -> None:
        found = world.run(seeds("choose", 2)[1], 1.0, kind).household
        path = tmp_path / "stillwell.toml"
        path.write_text(in_settings(found, tmp_path / "tank.db", False), encoding="utf-8")
        assert load(path).tank.chamber is not None

    def test_a_day_costs_what_the_trade_says(self) -> None:
        # Common practice: an open tank loses 0.5 to 2 % of its water a day; a fan more.
        shares = []
        for world in WORLDS:
            for seed in seeds("choose", 3):
                found = world.run(seed, 1.0, Kind.ONE_FLOAT)
                lost = list(found)[-1].truth.evaporated_ml / 1_000.0
                shares.append(lost / found.household.volume_l)
        assert 0.005 < sorted(shares)[len(shares) // 2] < 0.02
        assert min(shares) > 0.001
        assert max(shares) < 0.06
