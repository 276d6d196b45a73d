"""The simulated tank obeys the laws that a real one obeys; its faults do what their lines say."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, time
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import psychrolib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell_drivers.tank_faults import (
    EVENTS,
    FAULTS,
    Event,
    EventName,
    Fault,
    FaultName,
)
from stillwell_drivers.tank_keeper import DeedKind, Keeper, deeds_of
from stillwell_drivers.tank_model import (
    SEAWATER_G_PER_ML,
    SPECIFIC_HEAT,
    TankModel,
    TankParameters,
    TankState,
    latent_heat_j_per_g,
    water_activity,
)
from stillwell_drivers.tank_room import Climate, saturation_pressure_pa

DUBLIN = ZoneInfo("Europe/Dublin")
HOUR, DAY = 3600, 86_400
MONDAY = round(datetime(2026, 1, 5, tzinfo=UTC).timestamp() * 1000)
"""Midnight in Dublin too."""

ABSENT = Keeper(pours_at=None, changes_on=None, feeds_at=None)
"""A keeper who never comes."""
STEADY = Climate(
    mean_c=20.0,
    seasonal_k=0.0,
    daily_k=0.0,
    noise_k=0.0,
    humidity_summer=50.0,
    humidity_heating=50.0,
    humidity_noise=0.0,
)
"""A room in which nothing ever changes, for checks against closed formulas."""
PLAIN = TankParameters(climate=STEADY)
"""The reading room's tank in a room of 20 °C and 50 %RH for ever."""
BARE = replace(PLAIN, activity=0.0, pump_w=0.0, lamp_w=0.0)
"""The same without evaporation, pump heat and lamp heat."""


def tank(
    parameters: TankParameters = PLAIN,
    faults: Sequence[Fault] = (),
    events: Sequence[Event] = (),
    keeper: Keeper = ABSENT,
    seed: int = 1,
    start: int = MONDAY,
) -> TankModel:
    return TankModel(parameters, seed, start, DUBLIN, faults, events, keeper)


def at(model: TankModel, seconds: float) -> TankState:
    model.advance(model.start_utc_ms + round(seconds * 1000))
    return model.state


class TestItsFormulas:
    @pytest.mark.parametrize("celsius", [20.0, 24.0, 25.0, 26.0, 28.0, 30.0])
    def test_vapour_pressure_is_that_of_the_ashrae_handbook(self, celsius: float) -> None:
        # ASHRAE Handbook Fundamentals 2017, chapter 1, equation 6 (Hyland-Wexler), by PsychroLib.
        psychrolib.SetUnitSystem(psychrolib.SI)
        reference = psychrolib.GetSatVapPres(celsius)
        assert saturation_pressure_pa(celsius) == pytest.approx(reference, rel=1e-3)

    @pytest.mark.parametrize(
        ("salinity", "share"), [(30, 0.98416), (33, 0.98251), (35, 0.98140), (38, 0.97972)]
    )
    def test_salt_lowers_it_as_iapws_08_says(self, salinity: float, share: float) -> None:
        assert water_activity(salinity) == pytest.approx(share, abs=3e-4)

    @pytest.mark.parametrize(
        ("celsius", "joules"), [(20, 2453.55), (25, 2441.71), (26, 2439.33), (30, 2429.84)]
    )
    def test_latent_heat_is_that_of_iapws_97(self, celsius: float, joules: float) -> None:
        assert latent_heat_j_per_g(celsius) == pytest.approx(joules, rel=1.5e-3)

    @pytest.mark.parametrize(
        ("water", "air", "humidity", "kg_per_m2_h"),
        # ASHRAE Handbook, HVAC Applications, Places of Assembly, natatoriums: the mass rate at V =
        # 0 and activity 1, with pw times 0.9816 for seawater; arithmetic apart from this code.
        [(25, 20, 50, 0.2548), (25, 22, 40, 0.2694), (26, 24, 60, 0.1984), (24, 18, 40, 0.2759)],
    )
    def test_evaporation_is_ashraes(
        self, water: float, air: float, humidity: float, kg_per_m2_h: float
    ) -> None:
        one = replace(PLAIN, surface_m2=1.0, activity=1.0, climate=replace(STEADY, air_speed=0.0))
        rate = one.evaporation_g_per_s(water, 35.0, air, humidity) * 3.6
        assert rate == pytest.approx(kg_per_m2_h, rel=5e-3)


class TestHeat:
    def test_without_a_heater_it_cools_exponentially_with_the_known_time_constant(self) -> None:
        # Newton's law of cooling; the time constant is heat capacity over loss.
        capacity = 68_000 * SEAWATER_G_PER_ML * SPECIFIC_HEAT + 12_000
        constant = capacity / 3.5
        model = tank(BARE, [Fault(FaultName.NOT_HEATING, 0)])
        for hours in (1, 10, 23.9837, 60):
            expected = 20.0 + 5.3 * math.exp(-hours * HOUR / constant)
            assert at(model, hours * HOUR).water_c == pytest.approx(expected, abs=2e-5)

    def test_energy_balances_to_a_thousandth(self) -> None:
        lively = replace(PLAIN, climate=Climate())
        model = tank(lively, seed=5)
        before = model.state
        after = at(model, 3 * DAY)
        came = after.heater_j_total + after.other_j_total
        went = after.room_j_total + after.latent_j_total
        in_body = after.heater_body_w * lively.heater_lag_s
        mean_ml = (before.volume_ml + after.volume_ml) / 2
        capacity = mean_ml * SEAWATER_G_PER_ML * SPECIFIC_HEAT + lively.glass_j_per_k
        stored = capacity * (after.water_c - before.water_c)
        assert came - went == pytest.approx(stored + in_body, abs=came * 1e-3)

    def test_the_latent_heat_is_that_of_the_water_that_has_gone(self) -> None:
        state = at(tank(), DAY)
        # 2441.7 J/g at 25 °C: IAPWS-97.
        joules = state.evaporated_ml_total * 0.997 * 2441.7
        assert state.latent_j_total == pytest.approx(joules, rel=2e-3)

    def test_duty_is_heat_loss_over_power(self) -> None:
        model = tank(BARE)
        before, after = at(model, 12 * HOUR), at(model, 15 * DAY)
        duty = (after.heater_on_s_total - before.heater_on_s_total) / (14.5 * DAY)
        # The mean of a thermostat's saw-tooth lies near its setting, not on it: use the true mean.
        other = tank(BARE)
        temperatures = [at(other, 12 * HOUR + k * 600).water_c for k in range(int(14.5 * 144))]
        mean = sum(temperatures) / len(temperatures)
        assert abs(mean - 25.3) < 0.15
        assert duty == pytest.approx(3.5 * (mean - 20.0) / 75.0, rel=5e-3)

    def test_the_thermostat_keeps_the_water_at_its_setting(self) -> None:
        model = tank()
        seen = [at(model, HOUR + k * 60).chamber_c for k in range(2 * 1440)]
        assert 24.9 < min(seen) < 25.12
        assert 25.48 < max(seen) < 25.7

    def test_the_slope_of_the_water_does_not_step_when_the_heater_switches(self) -> None:
        model = tank()
        # The largest change of slope from one minute to the next against the one that a heater
        # without a body would make: P/C.
        values = [at(model, k * 60).water_c for k in range(1440)]
        bends = [
            abs(a - 2 * b + c) for a, b, c in zip(values, values[1:], values[2:], strict=False)
        ]
        step = 75.0 * 60 / PLAIN.heat_capacity
        assert max(bends) < 0.55 * step

    @pytest.mark.parametrize("pump", [True, False], ids=["pump-running", "pump-standing"])
    def test_a_step_of_a_minute_is_as_good_as_forty_in_each_second(self, pump: bool) -> None:
        # The same equations by Euler's rule: where the heater switches inside a minute, and what
        # goes to the room meanwhile. Halving Euler's step halves the difference, so that what
        # remains is Euler's error.
        model = tank(BARE, [] if pump else [Fault(FaultName.PUMP_STOPPED, 0)])
        water = sensed = 25.3
        body, excess, lost, relay = 0.0, 0.0, 0.0, False
        capacity = BARE.heat_capacity
        chamber = 2500 * SEAWATER_G_PER_ML * SPECIFIC_HEAT
        exchange = 1500 / 3.6 * SEAWATER_G_PER_ML * SPECIFIC_HEAT if pump else 3.0
        dt = 0.025
        for minute in range(1, 241):
            for _ in range(2400):
                if relay and sensed >= 25.5:
                    relay = False
                elif not relay and sensed <= 25.1:
                    relay = True
                flow = 3.5 * (water - 20.0)
                step = (
                    (body - flow) / capacity,
                    body * (1 / chamber - 1 / capacity) - excess * exchange / chamber,
                    (water + excess - sensed) / 60.0,
                    (75.0 * relay - body) / 90.0,
                )
                water += dt * step[0]
                excess += dt * step[1]
                sensed += dt * step[2]
                body += dt * step[3]
                lost += dt * flow
            state = at(model, minute * 60)
            assert state.water_c == pytest.approx(water, abs=2e-4), minute
            assert state.chamber_c - state.water_c == pytest.approx(excess, abs=2e-3), minute
            assert state.heater_body_w == pytest.approx(body, abs=0.4), minute
            assert state.room_j_total == pytest.approx(lost, abs=1.0), minute
        assert 300 < state.heater_on_s_total < 14_000  # it has switched


class TestWaterAndSalt:
    def test_a_year_loses_about_what_common_practice_says(self) -> None:
        # Common practice: a nano tank loses about a gallon (3.785 L) a week. Published correlations
        # differ by a factor of two around ASHRAE's, so no closer than that can be asked.
        model = tank(TankParameters(), keeper=Keeper())
        weekly_ml = at(model, 364 * DAY).evaporated_ml_total / 52
        assert 3785 / 1.4 < weekly_ml < 3785 * 1.4

    def test_evaporation_follows_shah_within_the_spread_of_the_literature(self) -> None:
        # Shah, ASHRAE Transactions 120(2), SE-14-001 (2014): 0.1534 kg/(m2 h) at 25/22/50 for an
        # undisturbed pool. ASHRAE with an activity of 0.5 is 0.73 to 1.13 times Shah.
        rate = PLAIN.evaporation_g_per_s(25.0, 0.0, 22.0, 50.0) * 3.6 / PLAIN.surface_m2
        assert 0.65 < rate / 0.1534 < 1.25

    def test_dry_air_takes_more_and_damp_air_less(self) -> None:
        lost = [
            at(
                tank(
                    replace(PLAIN, climate=replace(STEADY, humidity_summer=rh, humidity_heating=rh))
                ),
                DAY,
            ).evaporated_ml_total
            for rh in (35.0, 50.0, 70.0)
        ]
        assert lost[0] > 1.1 * lost[1] > 1.2 * lost[2]

    def test_the_level_falls_by_what_is_lost_over_the_area(self) -> None:
        rigid = replace(PLAIN, differential_k=0.001)
        model = tank(rigid)
        first, last = at(model, HOUR), at(model, 21 * HOUR)
        lost = last.evaporated_ml_total - first.evaporated_ml_total
        # 18 cm by 9 cm is 162 cm2: 16.2 mL a millimetre.
        assert first.level_mm - last.level_mm == pytest.approx(lost / 16.2, abs=0.15)

    def test_evaporation_leaves_the_salt(self) -> None:
        model = tank()
        state = at(model, 4 * DAY)
        mass = 68_000 * SEAWATER_G_PER_ML
        # By mass, S m / (m - e): 100 at 35 losing 2 of pure water gives 35.714.
        expected = 35.16504 * mass / (mass - state.evaporated_ml_total * 0.99705)
        assert state.salinity == pytest.approx(expected, rel=1e-9)

    def test_a_month_of_pours_and_changes_conserves_volume(self) -> None:
        model = tank(TankParameters(), keeper=Keeper(), seed=3)
        state = at(model, 30 * DAY)
        expected = (
            68_000
            + state.poured_ml_total
            + state.exchanged_ml_total
            - state.evaporated_ml_total
            - state.leaked_ml_total
        )
        assert state.poured_ml_total > 8000
        assert state.volume_ml == pytest.approx(expected, abs=1e-6)

    def test_a_daily_pour_brings_the_level_back_to_the_mark(self) -> None:
        keeper = replace(ABSENT, pours_at=time(8, 30), pour_sd_mm=0.0)
        model = tank(keeper=keeper)
        before, after = at(model, 8.5 * HOUR), at(model, 8.5 * HOUR + 60)
        assert before.level_mm < -8
        assert after.level_mm == pytest.approx(0.0, abs=0.3)
        assert after.salinity == pytest.approx(35.165, abs=0.02)

    def test_a_pour_is_written_down_once_with_about_its_volume(self) -> None:
        keeper = replace(ABSENT, pours_at=time(8, 30), note_sd=0.0)
        model = tank(keeper=keeper)
        at(model, 3 * DAY)
        notes = model.journal_since(MONDAY)
        assert [note.utc_ms for note in notes] == [
            MONDAY + k * 86_400_000 + 30_600_000 for k in range(3)
        ]
        assert {note.kind for note in notes} == {"pour"}
        assert sum(note.value for note in notes) == pytest.approx(
            model.state.poured_ml_total, abs=2
        )
        assert model.journal_since(notes[1].utc_ms) == notes[2:]

    def test_an_unnoted_pour_happens_and_is_not_written_down(self) -> None:
        model = tank(keeper=replace(ABSENT, pours_at=time(8, 30), pours_noted=0.0))
        assert at(model, 2 * DAY).poured_ml_total > 500
        assert model.journal_since(0) == []

    def test_missed_pours_are_missed_as_often_as_asked(self) -> None:
        keeper = replace(ABSENT, pours_at=time(8, 30), pours_missed=0.3)
        days = [datetime.fromtimestamp(MONDAY / 1000 + k * DAY, UTC).date() for k in range(1000)]
        pours = sum(len(deeds_of(keeper, 1, day, DUBLIN)) for day in days)
        # Binomial, n = 1000, p = 0.7: four standard deviations are 58.
        assert abs(pours - 700) < 58

    def test_a_water_change_takes_its_share_and_brings_salinity_back(self) -> None:
        keeper = replace(ABSENT, changes_on=0)
        model = tank(keeper=keeper, parameters=replace(PLAIN, salinity=38.0))
        before, during, after = (
            at(model, 10 * HOUR),
            at(model, 10.2 * HOUR),
            at(model, 11 * HOUR),
        )
        assert during.volume_ml == pytest.approx(0.85 * before.volume_ml, rel=1e-3)
        assert not during.pump_on
        assert after.level_mm == pytest.approx(0.0, abs=5.0)
        # Mixing by mass: 15 % replaced by new water of 35.165 g/kg, and what had evaporated too.
        assert after.salinity == pytest.approx(0.85 * before.salinity + 0.15 * 35.165, abs=0.03)
        assert [note.kind for note in model.journal_since(0)] == ["water-change"]

    def test_salinity_is_checked_every_so_many_days_and_written_down(self) -> None:
        parameters = replace(PLAIN, salinity=34.0)
        exact = replace(ABSENT, salinity_every_d=3, salinity_sd=0.0)
        model = tank(keeper=exact, parameters=parameters)
        at(model, 9 * DAY)
        notes = model.journal_since(0)
        assert [(b.utc_ms - a.utc_ms) / 86_400_000 for a, b in pairwise(notes)] == [3.0, 3.0]
        assert {(note.kind, note.unit) for note in notes} == {("salinity", "g/kg")}
        # Nothing but water evaporates, so that it rises from 34 on.
        assert 34.0 <= notes[0].value < notes[1].value < notes[2].value < 37.0
        model = tank(keeper=replace(exact, salinity_sd=0.5), parameters=parameters)
        at(model, 9 * DAY)
        assert [note.value for note in model.journal_since(0)] != [note.value for note in notes]

    def test_the_level_rises_by_the_drain_back_while_the_pump_is_paused(self) -> None:
        model = tank(keeper=replace(ABSENT, feeds_at=time(19, 0)))
        before, during, after = (
            at(model, 19 * HOUR),
            at(model, 19 * HOUR + 300),
            at(model, 19 * HOUR + 720),
        )
        assert during.level_mm - before.level_mm == pytest.approx(320 / 16.2, abs=0.5)
        assert after.level_mm - before.level_mm == pytest.approx(0, abs=0.8)
        assert during.ripple_mm < before.ripple_mm

    def test_what_stands_above_the_rim_is_gone(self) -> None:
        model = tank(faults=[Fault(FaultName.OVERFILLED, HOUR, size=3000)])
        state = at(model, HOUR + 60)
        assert state.level_mm == pytest.approx(80.0)
        assert state.leaked_ml_total == pytest.approx(3000 - 80 * 16.2, abs=25)

    def test_an_absence_of_a_month_ends_on_the_chambers_floor(self) -> None:
        state = at(tank(), 30 * DAY)
        assert state.level_mm == -140.0
        assert state.volume_ml < 68_000 - 140 * 16.2


class TestTime:
    @given(cuts=st.lists(st.integers(1, 200_000), max_size=12), seed=st.integers(0, 5))
    @settings(max_examples=25, deadline=None)
    def test_however_it_is_cut_the_tank_is_the_same(self, cuts: list[int], seed: int) -> None:
        faults = [Fault(FaultName.LEAK, 20_000, 90_000), Fault(FaultName.PUMP_STOPPED, 50_000)]
        events = [Event(EventName.WINDOW_OPEN, 30_000, 60_000)]
        whole = tank(TankParameters(), faults, events, Keeper(), seed)
        parts = tank(TankParameters(), faults, events, Keeper(), seed)
        for cut in sorted(cuts):
            at(parts, cut)
        assert at(parts, 200_000) == at(whole, 200_000)
        assert parts.notes == whole.notes

    def test_between_grid_points_it_moves_without_a_jump(self) -> None:
        model = tank(keeper=Keeper())
        states = [at(model, 8.5 * HOUR - 60 + k) for k in range(240)]
        levels = [state.level_mm for state in states]
        # The pour is spread over one minute: no second of it carries more than a fiftieth.
        rise = max(levels) - min(levels)
        steps = [abs(b - a) for a, b in pairwise(levels)]
        assert rise > 8
        assert max(steps) < rise / 50

    def test_a_time_in_the_past_leaves_it_where_it_is(self) -> None:
        model = tank()
        state = at(model, HOUR)
        model.advance(MONDAY)
        assert model.state == state

    def test_another_process_sees_the_same_tank(self) -> None:
        program = (
            "from zoneinfo import ZoneInfo\n"
            "from stillwell_drivers.tank_model import *\n"
            f"m = TankModel(TankParameters.drawn(4), 9, {MONDAY}, ZoneInfo('Europe/Dublin'))\n"
            f"m.advance({MONDAY} + 5 * 86_400_000 + 1234)\n"
            "print(repr(m.state))\n"
        )
        told = {
            subprocess.run(
                [sys.executable, "-c", program],
                env={"PYTHONHASHSEED": salt},
                capture_output=True,
                text=True,
                check=True,
            ).stdout
            for salt in ("1", "2")
        }
        assert len(told) == 1
        assert "water_c" in told.pop()

    def test_another_seed_is_another_room(self) -> None:
        rooms = {at(tank(TankParameters(), seed=seed), DAY).room_c for seed in range(5)}
        assert len(rooms) == 5

    def test_the_lamp_keeps_local_hours_through_both_dst_nights(self) -> None:
        # Europe/Dublin: the clocks go forward on 29 March and back on 25 October 2026.
        for month, day in ((3, 28), (10, 24)):
            start = round(datetime(2026, month, day, tzinfo=UTC).timestamp() * 1000)
            model = tank(start=start)
            lit: set[tuple[int, int]] = set()
            for minute in range(0, 3 * 1440, 10):
                # Half a minute on: a state tells of the step that it lies in.
                state = at(model, minute * 60 + 30)
                local = datetime.fromtimestamp(state.utc_ms / 1000, DUBLIN)
                if state.lamp_on:
                    lit.add((local.hour, local.minute))
                else:
                    assert not 12 <= local.hour < 22, local
            assert min(lit) == (12, 0)
            assert max(lit) == (21, 50)

    def test_a_keeper_in_the_lost_hour_pours_once(self) -> None:
        keeper = replace(ABSENT, pours_at=time(1, 30))
        day = datetime(2026, 3, 29, tzinfo=UTC).date()
        assert [deed.kind for deed in deeds_of(keeper, 1, day, DUBLIN)] == [DeedKind.POUR]


class TestTheRoom:
    def test_it_is_dry_in_the_heating_season_and_damp_in_summer(self) -> None:
        def humidity(month: int) -> float:
            start = round(datetime(2026, month, 1, tzinfo=UTC).timestamp() * 1000)
            model = tank(TankParameters(), start=start)
            return sum(at(model, k * HOUR).humidity for k in range(720)) / 720

        assert 33 < humidity(1) < 43
        assert 55 < humidity(7) < 65

    def test_it_is_warmest_in_the_afternoon(self) -> None:
        calm = replace(Climate(), noise_k=0.0)
        model = tank(replace(PLAIN, climate=calm))
        rooms = {hour: at(model, hour * HOUR).room_c for hour in range(24)}
        assert max(rooms, key=rooms.__getitem__) in (14, 15, 16)
        assert max(rooms.values()) - min(rooms.values()) == pytest.approx(1.6, abs=0.1)

    def test_a_heat_wave_warms_it_within_hours(self) -> None:
        model = tank(events=[Event(EventName.HEAT_WAVE, HOUR, 3 * DAY, 5.0)])
        assert at(model, 12 * HOUR).room_c == pytest.approx(25.0, abs=0.1)
        assert at(model, 4 * DAY).room_c == pytest.approx(20.0, abs=0.1)

    def test_an_open_window_cools_it_within_minutes_and_moves_the_air(self) -> None:
        calm, open_ = tank(), tank(events=[Event(EventName.WINDOW_OPEN, 0, size=4.0)])
        assert at(open_, 2 * HOUR).room_c == pytest.approx(16.0, abs=0.1)
        assert at(open_, DAY).evaporated_ml_total > 1.05 * at(calm, DAY).evaporated_ml_total


class TestDrawnTanks:
    @pytest.mark.parametrize("seed", range(60))
    def test_each_lies_in_its_ranges(self, seed: int) -> None:
        drawn = TankParameters.drawn(seed)
        assert 40_000 <= drawn.volume_ml <= 120_000
        assert 50 <= drawn.heater_w <= 150
        assert 17 <= drawn.climate.mean_c <= 26
        assert 0.2 <= drawn.differential_k <= 1.0
        assert 0.02 <= drawn.probe_noise_k <= 0.06
        assert drawn == TankParameters.drawn(seed)

    def test_their_heaters_hold_them_in_january(self) -> None:
        for seed in range(12):
            drawn = TankParameters.drawn(seed)
            model = tank(drawn, seed=seed, keeper=Keeper())
            at(model, 2 * DAY)
            lowest = min(at(model, 2 * DAY + k * 600).water_c for k in range(144 * 3))
            assert lowest > drawn.setting_c - drawn.differential_k / 2 - 0.25, seed

    def test_they_differ_widely(self) -> None:
        tanks = [TankParameters.drawn(seed) for seed in range(200)]
        volumes = [each.volume_ml for each in tanks]
        rooms = [each.climate.mean_c for each in tanks]
        assert max(volumes) - min(volumes) > 60_000
        assert max(rooms) - min(rooms) > 7

    @pytest.mark.parametrize("name", ["volume_ml", "loss_w_per_k", "chamber_area_mm2"])
    def test_what_no_tank_can_be_is_refused_by_name(self, name: str) -> None:
        impossible: dict[str, Any] = {name: 0.0}
        with pytest.raises(ValueError, match=name):
            replace(PLAIN, **impossible)


class TestFaultsOfTheWater:
    """Each fault against the same tank without it."""

    def test_the_tables_have_a_line_for_every_name(self) -> None:
        assert set(FAULTS) == set(FaultName)
        assert set(EVENTS) == set(EventName)
        assert all(kind.says.endswith(".") for kind in FAULTS.values())
        assert all(kind.says.endswith(".") for kind in EVENTS.values())

    def test_an_end_before_the_start_is_refused(self) -> None:
        with pytest.raises(ValueError, match="leak: the end 5 s is not after the start 9 s"):
            Fault(FaultName.LEAK, 9, 5)

    def test_not_heating_lets_the_water_fall_from_its_start_on_and_ends(self) -> None:
        model = tank(faults=[Fault(FaultName.NOT_HEATING, 6 * HOUR, 30 * HOUR)])
        healthy = tank()
        assert at(model, 6 * HOUR) == at(healthy, 6 * HOUR)
        died = at(model, 6 * HOUR + 60).heater_on_s_total
        dead = at(model, 30 * HOUR)
        assert dead.water_c < 23.5
        assert dead.heater_on_s_total == died
        assert at(model, 34 * HOUR).heater_on
        assert at(model, 60 * HOUR).water_c == pytest.approx(25.3, abs=0.3)

    def test_heater_stuck_on_passes_the_upper_limit(self) -> None:
        state = at(tank(faults=[Fault(FaultName.HEATER_STUCK_ON, HOUR)]), 13 * HOUR)
        assert state.heater_on
        assert state.water_c > 26.5
        assert state.heater_on_s_total > 12 * HOUR - 61

    def test_a_moved_setting_moves_the_water_by_as_much(self) -> None:
        model = tank(faults=[Fault(FaultName.SETTING_MOVED, 0, size=-1.5)])
        at(model, 2 * DAY)
        seen = [at(model, 2 * DAY + k * 60).water_c for k in range(1440)]
        assert sum(seen) / len(seen) == pytest.approx(23.8, abs=0.1)

    def test_heater_too_weak_heats_without_a_pause_and_still_falls(self) -> None:
        model = tank(faults=[Fault(FaultName.HEATER_TOO_WEAK, DAY)])
        # At night, when no lamp helps.
        first, last = at(model, DAY + 3 * HOUR), at(model, DAY + 10 * HOUR)
        assert last.heater_on_s_total - first.heater_on_s_total == pytest.approx(7 * HOUR, abs=1)
        assert last.water_c < first.water_c

    def test_half_of_its_power_is_half_of_its_heat(self) -> None:
        faults = [Fault(FaultName.HEATER_TOO_WEAK, 0, size=0.5)]
        state = at(tank(faults=faults), DAY)
        assert state.heater_j_total == pytest.approx(37.5 * state.heater_on_s_total)

    def test_in_too_warm_a_room_the_water_passes_the_setting_with_the_heater_off(self) -> None:
        model = tank(faults=[Fault(FaultName.ROOM_TOO_WARM, 0)])
        later, last = at(model, 1.5 * DAY), at(model, 3 * DAY)
        assert last.room_c == pytest.approx(28.3, abs=0.1)
        assert last.water_c > 25.6
        assert last.heater_on_s_total == later.heater_on_s_total

    def test_a_cold_draught_takes_heat_and_water(self) -> None:
        model, calm = tank(faults=[Fault(FaultName.COLD_DRAUGHT, 0)]), tank()
        state, usual = at(model, DAY), at(calm, DAY)
        assert state.room_c == pytest.approx(12.0, abs=0.1)
        assert state.evaporated_ml_total > 1.1 * usual.evaporated_ml_total
        assert state.heater_j_total > 1.4 * usual.heater_j_total

    def test_a_leak_takes_its_flow_and_the_salt_with_it(self) -> None:
        model, dry = tank(faults=[Fault(FaultName.LEAK, 0, size=40)]), tank()
        state, usual = at(model, DAY), at(dry, DAY)
        assert state.leaked_ml_total == pytest.approx(40 * 24, rel=1e-6)
        assert usual.level_mm - state.level_mm == pytest.approx(960 / 16.2, abs=0.5)
        assert state.salinity == pytest.approx(usual.salinity, abs=0.02)

    def test_a_missed_top_up_lets_the_level_go_on_falling(self) -> None:
        faults = [Fault(FaultName.MISSED_TOP_UP, 0)]
        model = tank(faults=faults, keeper=Keeper())
        assert at(model, 12 * HOUR).poured_ml_total == 0
        assert model.state.level_mm < -12

    def test_overfilled_raises_the_level_once(self) -> None:
        model = tank(faults=[Fault(FaultName.OVERFILLED, HOUR)])
        state = at(model, HOUR + 60)
        assert state.level_mm == pytest.approx(500 / 16.2, abs=0.5)
        assert at(model, 3 * HOUR).poured_ml_total == state.poured_ml_total

    def test_a_stopped_pump_raises_the_level_and_leaves_the_tank_to_cool(self) -> None:
        model, healthy = tank(faults=[Fault(FaultName.PUMP_STOPPED, HOUR)]), tank()
        before, after = at(model, HOUR), at(model, HOUR + 60)
        assert after.level_mm - before.level_mm == pytest.approx(320 / 16.2, abs=0.3)
        late, usual = at(model, 20 * HOUR), at(healthy, 20 * HOUR)
        # The heater warms its own corner: there the thermostat is content, the rest cools.
        assert late.chamber_c > 24.8
        assert late.display_c < usual.display_c - 1.0
        assert late.other_j_total < usual.other_j_total

    def test_lost_mains_stop_pump_heater_and_lamp_together(self) -> None:
        model = tank(faults=[Fault(FaultName.MAINS_LOST, 13 * HOUR, 20 * HOUR)])
        at(model, 13 * HOUR)
        gone = at(model, 13 * HOUR + 60)
        assert (gone.pump_on, gone.heater_on, gone.lamp_on) == (False, False, False)
        later = at(model, 20 * HOUR)
        assert later.heater_j_total == gone.heater_j_total
        back = at(model, 20 * HOUR + 60)
        assert (back.pump_on, back.lamp_on) == (True, True)

    def test_a_salt_top_up_is_noted_as_fresh_and_the_salinity_creeps(self) -> None:
        keeper = replace(ABSENT, pours_at=time(8, 30))
        model, right = (
            tank(faults=[Fault(FaultName.SALT_TOP_UP, 0)], keeper=keeper),
            tank(keeper=keeper),
        )
        wrong_s, right_s = at(model, 14 * DAY).salinity, at(right, 14 * DAY).salinity
        # Each day about half a litre of 68 evaporates and leaves its salt: 0.7 % of 35 a day.
        assert wrong_s - right_s == pytest.approx(14 * 0.0075 * 35, rel=0.25)
        assert {note.kind for note in model.notes} == {"pour"}

    def test_a_keeper_who_means_salt_water_notes_it(self) -> None:
        model = tank(keeper=replace(ABSENT, pours_at=time(8, 30), pours_salt=True))
        at(model, DAY)
        assert {note.kind for note in model.notes} == {"salt-pour"}

    def test_a_lamp_that_stays_dark_or_burns_on(self) -> None:
        dark = tank(faults=[Fault(FaultName.LAMP_NOT_ON, 0)])
        burning = tank(faults=[Fault(FaultName.LAMP_NOT_OFF, 0)])
        assert not any(at(dark, hour * HOUR).lamp_on for hour in range(1, 25))
        assert all(at(burning, hour * HOUR).lamp_on for hour in range(1, 25))
        assert at(burning, DAY).other_j_total - at(dark, DAY).other_j_total == pytest.approx(
            12 * DAY
        )

    def test_a_fault_may_be_injected_while_it_runs(self) -> None:
        model = tank()
        at(model, 5 * HOUR)
        model.inject(Fault(FaultName.HEATER_STUCK_ON, 5 * HOUR))
        assert at(model, 15 * HOUR).water_c > 26


class TestEvents:
    def test_the_lamps_hours_can_move(self) -> None:
        model = tank(events=[Event(EventName.LAMP_HOURS_MOVED, 0, size=2)])
        lit = [hour for hour in range(24) if at(model, hour * HOUR + 1800).lamp_on]
        assert lit == list(range(14, 24))

    def test_the_pump_stands_while_it_is_cleaned(self) -> None:
        model = tank(events=[Event(EventName.PUMP_CLEANING, 10 * HOUR, 11 * HOUR)])
        assert not at(model, 10.5 * HOUR).pump_on
        assert at(model, 11.5 * HOUR).pump_on
