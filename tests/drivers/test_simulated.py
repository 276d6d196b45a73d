"""The simulated driver's sensors say what their kind says, and each fault shows in the samples."""

from __future__ import annotations

import math
import random
import statistics
import subprocess
import sys
import threading
import tomllib
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, ClassVar

import pytest
from pydantic import ValidationError

from stillwell.ports import DriverError, TellsTime
from stillwell.reading import Failure, Sample
from stillwell.testing import DriverCase, DriverContract, ManualClock, within
from stillwell_drivers.simulated import Simulated, SimulatedSettings
from stillwell_drivers.tank_faults import FAULTS, Fault, FaultName, Part
from stillwell_drivers.tank_model import TankState
from stillwell_drivers.tank_sensors import (
    FloatKind,
    FloatSwitch,
    Gauge,
    GaugeKind,
    Probe,
    ProbeKind,
    effective_looks,
)

CONFIG = Path(__file__).parents[2] / "config"
MONDAY = round(datetime(2026, 1, 5, tzinfo=UTC).timestamp() * 1000)
HOUR, DAY = 3600, 86_400

CHANNELS: dict[str, Any] = {
    "water-a": {"sees": "water"},
    "water-b": {"sees": "water-b"},
    "room": {"sees": "room"},
    "humidity": {"sees": "humidity"},
    "level": {"sees": "level"},
    "float-low": {"sees": "float", "height": "-12 mm"},
    "lamp": {"sees": "lamp"},
}
STILL: dict[str, Any] = {"pours_at": "never", "changes_on": "never", "feeds_at": "never"}


def parsed(**changes: Any) -> SimulatedSettings:
    return SimulatedSettings.model_validate({"channels": CHANNELS, "keeper": STILL, **changes})


def opened(**changes: Any) -> tuple[Simulated, ManualClock]:
    clock = ManualClock(wall_ms=MONDAY, self_winding=True)
    driver = Simulated(parsed(**changes))
    driver.use_clock(clock)
    driver.open()
    return driver, clock


def by_channel(driver: Simulated) -> dict[str, Sample]:
    return {sample.channel: sample for sample in driver.read()}


def run(minutes: int, **changes: Any) -> list[dict[str, Sample]]:
    """One read a minute, the first after a minute."""
    driver, clock = opened(**changes)
    rows = []
    for _ in range(minutes):
        clock.advance(60)
        rows.append(by_channel(driver))
    return rows


def values(rows: list[dict[str, Sample]], channel: str) -> list[float]:
    return [value for row in rows if (value := row[channel].value) is not None]


def fault(name: FaultName | str, **more: Any) -> dict[str, Any]:
    return {"faults": [{"name": str(name), **more}]}


def truth(**changes: Any) -> TankState:
    """A calm tank at its mark."""
    driver, _ = opened()
    return replace(driver.model.state, **changes)


class TestTheContract(DriverContract):
    @pytest.fixture
    def case(self) -> DriverCase:
        return DriverCase(Simulated, {"channels": CHANNELS})


class TestTime:
    def test_it_lives_on_the_daemons_clock(self) -> None:
        assert isinstance(Simulated(parsed()), TellsTime)

    def test_without_a_clock_it_says_so(self) -> None:
        with pytest.raises(DriverError, match="no clock"):
            Simulated(parsed()).open()

    @pytest.mark.parametrize("step", [-10 * 365 * DAY, -3600, 3600, 10 * 365 * DAY])
    def test_a_stepped_wall_clock_does_not_disturb_the_water(self, step: float) -> None:
        calm, clock_a = opened()
        stepped, clock_b = opened()
        clock_b.advance(60)
        clock_a.advance(60)
        clock_b.step_wall(step)
        clock_a.advance(HOUR)
        clock_b.advance(HOUR)
        assert list(stepped.read()) == list(calm.read())
        assert stepped.model.now_utc_ms == MONDAY + 3_660_000

    def test_it_goes_on_after_close_and_open(self) -> None:
        one, clock_a = opened()
        two, clock_b = opened()
        clock_a.advance(HOUR)
        clock_b.advance(HOUR)
        two.close()
        two.open()
        assert list(one.read()) == list(two.read())

    def test_a_jump_of_weeks_is_lived_through(self) -> None:
        driver, clock = opened()
        clock.advance(40 * DAY)
        assert by_channel(driver)["water-a"].value == pytest.approx(25.3, abs=0.6)
        assert driver.model.state.evaporated_ml_total > 15_000

    def test_a_start_in_the_past_gives_the_same_water_to_all_who_come_later(self) -> None:
        start = "2026-01-02T00:00:00Z"
        driver, _ = opened(start=start)
        assert driver.model.elapsed_s == 3 * DAY
        early_clock = ManualClock(wall_ms=MONDAY - 2 * DAY * 1000)
        early = Simulated(parsed(start=start))
        early.use_clock(early_clock)
        early.open()
        early_clock.advance(2 * DAY)
        early.read()
        assert early.model.state == driver.model.state

    def test_a_clock_that_is_behind_the_start_begins_there(self) -> None:
        driver, clock = opened(start="2026-06-01T00:00:00Z")
        clock.advance(60)
        driver.read()
        assert driver.model.elapsed_s == 60

    def test_two_sources_with_one_seed_see_one_water(self) -> None:
        probes, clock_a = opened(channels={"water-a": CHANNELS["water-a"]}, seed=8)
        floats, clock_b = opened(channels={"float-low": CHANNELS["float-low"]}, seed=8)
        clock_a.advance(DAY)
        clock_b.advance(DAY)
        probes.read()
        floats.read()
        assert probes.model.state == floats.model.state
        assert Simulated.bus(parsed(channels={"a": {"sees": "water"}})) != Simulated.bus(parsed())

    def test_another_process_reads_the_same_samples(self) -> None:
        program = (
            "from stillwell.testing import ManualClock\n"
            "from stillwell_drivers.simulated import *\n"
            f"s = SimulatedSettings.model_validate({{'channels': {CHANNELS!r}}})\n"
            f"c = ManualClock(wall_ms={MONDAY})\n"
            "d = Simulated(s)\n"
            "d.use_clock(c)\n"
            "d.open()\n"
            "for _ in range(50):\n"
            "    c.advance(600)\n"
            "    print(list(d.read()))\n"
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
        assert told.pop().count("water-a") == 50

    def test_one_channel_more_changes_nothing_in_the_others(self) -> None:
        few = run(30, channels={"water-a": CHANNELS["water-a"]})
        many = run(30)
        assert values(few, "water-a") == values(many, "water-a")

    def test_the_keepers_notes_come_out_once_their_time_has_come(self) -> None:
        driver, clock = opened(keeper={})
        clock.advance(8.4 * HOUR)
        driver.read()
        assert driver.journal_since(0) == []
        clock.advance(0.2 * HOUR)
        driver.read()
        assert [note.kind for note in driver.journal_since(0)] == ["pour"]


class TestProbes:
    def test_values_come_in_sixteenths_of_a_kelvin(self) -> None:
        # DS18B20 data sheet: 12 bits, register = temperature times 16.
        for value in values(run(200), "water-a"):
            assert (value * 16).is_integer()

    def test_noise_has_the_size_asked_for(self) -> None:
        kind = ProbeKind(noise=0.3, resolution=0.0, lag_s=0.0)
        probe = Probe("a", 1, kind, lambda s: 25.0, lambda s: 20.0)
        state = truth()
        seen = [probe.read(k, state).value or 0.0 for k in range(4000)]
        # Standard error of a standard deviation: sigma / sqrt(2 n) = 0.0034.
        assert statistics.stdev(seen) == pytest.approx(0.3, abs=4 * 0.0034)
        assert statistics.mean(seen) == pytest.approx(25.0, abs=4 * 0.3 / math.sqrt(4000))

    def test_a_step_of_the_water_is_followed_with_the_lag(self) -> None:
        water = [20.0]
        kind = ProbeKind(noise=0.0, resolution=0.0, lag_s=20.0)
        probe = Probe("a", 1, kind, lambda s: water[0], lambda s: 0.0)
        probe.read(0.0, truth())
        water[0] = 30.0
        # First order: 1 - 1/e after one time constant.
        assert probe.read(20.0, truth()).value == pytest.approx(20 + 10 * (1 - math.exp(-1)))

    def test_an_offset_shifts_it(self) -> None:
        shifted = {**CHANNELS, "water-a": {"sees": "water", "offset": "-0.5 K"}}
        rows, usual = run(100, channels=shifted), run(100)
        gap = statistics.mean(values(rows, "water-a")) - statistics.mean(values(usual, "water-a"))
        assert gap == pytest.approx(-0.5, abs=0.01)

    def test_on_its_bad_days_and_only_then_a_check_word_fails_now_and_then(self) -> None:
        always = {**CHANNELS, "water-a": {"sees": "water", "bad_days": "100 %"}}
        rows = run(1440, channels=always)
        bad = sum(row["water-a"].failure is Failure.CRC for row in rows)
        assert 8 < bad < 60  # 2 % of 1440 is 28.8, four standard deviations are 21
        assert all(row["water-b"].failure is None for row in rows)


class TestFloats:
    @pytest.mark.parametrize("above", [-1.6, -0.8, -0.2, 0.0, 0.4, 1.2])
    def test_its_share_is_the_normal_law_of_its_distance_over_the_ripple(
        self, above: float
    ) -> None:
        # A Gaussian surface of standard deviation s is above h for the share Phi((level - h)/s).
        kind = FloatKind(height_mm=-12.0, differential_mm=0.0)
        one = FloatSwitch("f", 5, kind, ripple_s=2.0)
        state = truth(level_mm=-12.0 + above, ripple_mm=0.8)
        shares = [one.read(60.0 * k, state).value or 0.0 for k in range(3000)][1:]
        share = statistics.NormalDist().cdf(above / 0.8)
        error = math.sqrt(share * (1 - share) * effective_looks(math.exp(-0.5)) / 60 / 3000)
        assert statistics.mean(shares) == pytest.approx(share, abs=4.5 * error)

    def test_looks_of_one_second_have_the_same_law(self) -> None:
        kind = FloatKind(height_mm=0.0, differential_mm=0.0)
        one = FloatSwitch("f", 5, kind, ripple_s=2.0)
        state = truth(level_mm=0.4, ripple_mm=0.8)
        looks = [one.read(float(k), state).value for k in range(40_000)]
        assert set(looks) == {0.0, 1.0}
        share = statistics.NormalDist().cdf(0.5)
        error = math.sqrt(share * (1 - share) * effective_looks(math.exp(-0.5)) / 40_000)
        assert sum(v or 0 for v in looks) / 40_000 == pytest.approx(share, abs=4.5 * error)

    def test_the_spread_of_a_minutes_share_is_that_of_second_by_second_looks(self) -> None:
        # The reference steps an autoregressive surface here, second by second.
        rng = random.Random(3)
        keep = math.exp(-1 / 2.0)
        wave, reference = 0.0, []
        for _ in range(4000):
            closed = 0
            for _ in range(60):
                wave = keep * wave + math.sqrt(1 - keep * keep) * rng.gauss(0, 1)
                closed += wave >= 0
            reference.append(closed / 60)
        kind = FloatKind(height_mm=0.0, differential_mm=0.0)
        one = FloatSwitch("f", 5, kind, ripple_s=2.0)
        state = truth(level_mm=0.0, ripple_mm=0.8)
        drawn = [one.read(60.0 * k, state).value or 0.0 for k in range(4001)][1:]
        # Both standard deviations are known to 1.1 %; whole numbers of looks cost 2.5 %.
        assert statistics.stdev(drawn) == pytest.approx(statistics.stdev(reference), rel=0.07)

    def test_between_opening_and_closing_it_stays_as_it_is(self) -> None:
        kind = FloatKind(height_mm=0.0, differential_mm=4.0)
        one = FloatSwitch("f", 1, kind, ripple_s=2.0)
        told = [
            one.read(60.0 * k, truth(level_mm=level, ripple_mm=0.1)).value
            for k, level in enumerate([3.0, 3.0, -2.0, -2.0, -6.0, -6.0, -2.0, -2.0, 3.0, 3.0])
        ]
        assert told[1::2] == [1.0, 1.0, 0.0, 0.0, 1.0]

    def test_upside_down_it_says_the_opposite(self) -> None:
        upside = {**CHANNELS["float-low"], "upside_down": True}
        rows = run(30, channels={"up": CHANNELS["float-low"], "down": upside})
        assert set(values(rows, "up")) == {1.0}
        assert set(values(rows, "down")) == {0.0}

    def test_it_opens_when_the_level_has_fallen_past_it(self) -> None:
        rows = run(24 * 60, tank={"ripple": "0.8 mm"})
        shares = values(rows, "float-low")
        assert shares[:60] == [1.0] * 60
        assert shares[-60:] == [0.0] * 60
        assert any(0.2 < share < 0.8 for share in shares)


class TestTheGauge:
    def test_it_has_the_noise_and_steps_asked_for(self) -> None:
        gauge = Gauge("g", 1, GaugeKind(noise_mm=2.0, resolution_mm=0.5))
        state = truth(level_mm=-7.3)
        seen = [gauge.read(k, state).value or 0.0 for k in range(4000)]
        assert all((value * 2).is_integer() for value in seen)
        assert statistics.mean(seen) == pytest.approx(-7.3, abs=4 * 2.0 / math.sqrt(4000))
        # Rounding adds step^2/12 to the variance.
        assert statistics.stdev(seen) == pytest.approx(math.sqrt(4 + 0.25 / 12), abs=0.09)

    def test_drift_moves_it_a_day(self) -> None:
        gauge = Gauge("g", 1, GaugeKind(noise_mm=0.0, resolution_mm=0.0, drift_mm_per_day=0.5))
        assert gauge.read(4 * DAY, truth(level_mm=0.0)).value == pytest.approx(2.0)


def _unchanged(rows: list[dict[str, Sample]]) -> bool:
    return len(set(values(rows, "water-a"))) == 1


class TestFaultsOfTheSensors:
    """Each shows in the samples from its start on, in its channel alone, and ends."""

    CASES: ClassVar[list[tuple[FaultName, str, Callable[[Sample], bool]]]] = [
        (FaultName.PROBE_GONE, "water-a", lambda s: (s.value, s.failure) == (None, Failure.GONE)),
        (FaultName.PROBE_CRC, "water-a", lambda s: s.failure is Failure.CRC),
        (
            FaultName.PROBE_POWER_ON,
            "water-a",
            lambda s: (s.value, s.failure) == (85.0, Failure.POWER_ON),
        ),
        (FaultName.PROBE_STALE, "water-a", lambda s: s.stale),
        (FaultName.FLOAT_STUCK_DOWN, "float-low", lambda s: s.value == 0.0),
        (FaultName.GAUGE_DEAD, "level", lambda s: s.failure is Failure.SILENT),
    ]

    @pytest.mark.parametrize(("name", "channel", "shows"), CASES, ids=lambda c: str(c)[:20])
    def test_it_shows_while_it_stands_and_in_no_other_channel(
        self, name: FaultName, channel: str, shows: Callable[[Sample], bool]
    ) -> None:
        rows = run(60, **fault(name, **{"after": "20 min", "for": "20 min"}))
        healthy = run(60)
        told = [shows(row[channel]) for row in rows]
        assert told == [False] * 19 + [True] * 20 + [False] * 21
        for row, usual in zip(rows, healthy, strict=True):
            others = set(CHANNELS) - {channel}
            assert {c: row[c] for c in others} == {c: usual[c] for c in others}

    def test_a_target_moves_it_to_another_channel(self) -> None:
        rows = run(5, **fault("probe-gone", target="water-b"))
        assert rows[-1]["water-b"].failure is Failure.GONE
        assert rows[-1]["water-a"].failure is None

    def test_a_share_of_readings_can_be_damaged(self) -> None:
        rows = run(1000, **fault("probe-crc", size=0.3))
        bad = sum(row["water-a"].failure is Failure.CRC for row in rows)
        assert abs(bad - 300) < 58  # binomial, four standard deviations

    def test_stale_repeats_the_earlier_conversion_and_stuck_does_so_unmarked(self) -> None:
        stale = run(120, **fault("probe-stale"))
        stuck = run(120, **fault("probe-stuck"))
        assert _unchanged(stale)
        assert _unchanged(stuck)
        assert not _unchanged(run(120))
        assert not any(row["water-a"].stale for row in stuck)

    def test_drift_grows_by_fifteen_hundredths_a_day(self) -> None:
        rows, usual = run(2 * 1440, **fault("probe-drift")), run(2 * 1440)
        gaps = [
            a - b for a, b in zip(values(rows, "water-a"), values(usual, "water-a"), strict=True)
        ]
        assert statistics.mean(gaps[-100:]) == pytest.approx(0.3, abs=0.02)
        assert statistics.mean(gaps[1390:1490]) == pytest.approx(0.15, abs=0.02)

    def test_out_of_the_water_it_follows_the_room(self) -> None:
        rows = run(120, **fault("probe-out-of-water", after="10 min"))
        assert rows[8]["water-a"].value == pytest.approx(25.3, abs=0.4)
        last = rows[-1]
        assert last["water-a"].value == pytest.approx(last["room"].value, abs=0.2)

    def test_swapped_probes_see_each_others_place(self) -> None:
        rows = run(120, **fault("probes-swapped", after="10 min"))
        assert rows[-1]["room"].value == pytest.approx(25.3, abs=0.5)
        assert (rows[-1]["water-a"].value or 99) < 23
        both = run(60, **fault("probes-swapped", target="water-a/water-b"))
        assert statistics.mean(values(both, "room")) < 23

    def test_noise_grows_tenfold(self) -> None:
        def spread(rows: list[dict[str, Sample]]) -> float:
            seen = values(rows, "water-a")
            steps = [b - a for a, b in pairwise(seen)]
            return statistics.stdev(steps) / math.sqrt(2)

        assert spread(run(1000, **fault("probe-noisy"))) == pytest.approx(0.3, rel=0.12)
        assert spread(run(1000)) < 0.05

    def test_a_float_stuck_up_says_full_though_the_chamber_is_empty(self) -> None:
        rows = run(24 * 60, **fault("float-stuck-up"))
        assert set(values(rows, "float-low")) == {1.0}
        assert min(values(rows, "level")) < -20

    def test_a_chattering_float_says_anything(self) -> None:
        shares = values(run(120, **fault("float-chatter")), "float-low")
        assert 0.4 < statistics.mean(shares) < 0.6
        assert statistics.stdev(shares) > 0.03

    def test_a_moved_gauge_jumps_by_its_offset(self) -> None:
        rows, usual = run(60, **fault("gauge-offset", after="30 min")), run(60)
        gaps = [a - b for a, b in zip(values(rows, "level"), values(usual, "level"), strict=True)]
        assert gaps[:29] == [0.0] * 29
        assert gaps[29:] == [8.0] * 31

    def test_outliers_are_as_many_as_asked(self) -> None:
        rows, usual = run(1000, **fault("gauge-outliers", size=0.2)), run(1000)
        far = sum(
            abs(a - b) > 9
            for a, b in zip(values(rows, "level"), values(usual, "level"), strict=True)
        )
        assert abs(far - 200) < 51  # binomial, four standard deviations

    def test_a_replaced_probe_has_another_offset(self) -> None:
        rows = run(60, events=[{"name": "probe-replaced", "after": "30 min", "size": 1.0}])
        seen = values(rows, "water-a")
        assert statistics.mean(seen[35:]) - statistics.mean(seen[:25]) > 0.7

    def test_the_lamp_sensor_sees_a_lamp_that_stays_dark(self) -> None:
        assert 1.0 in values(run(13 * 60), "lamp")
        assert 1.0 not in values(run(13 * 60, **fault("lamp-not-on")), "lamp")

    @pytest.mark.parametrize(
        "name", [name for name, kind in FAULTS.items() if kind.part is not Part.BUS]
    )
    def test_every_fault_shows_in_the_samples(self, name: FaultName) -> None:
        keeper = {"changes_on": "never", "feeds_at": "never"}
        common: dict[str, Any] = {"keeper": keeper, "seed": 6}
        changed = run(23 * 60, **common, **fault(name, after="10 min"))
        assert changed[:9] == run(9, **common)
        assert changed != run(23 * 60, **common)


class TestAStalledBus:
    def test_read_blocks_until_close_and_then_raises(self) -> None:
        driver, clock = opened(**fault("bus-stalled", after="1 min"))
        driver.read()
        clock.advance(60)
        raised: list[DriverError] = []

        def read() -> None:
            try:
                driver.read()
            except DriverError as error:
                raised.append(error)

        reader = threading.Thread(target=read, daemon=True)
        reader.start()
        reader.join(0.2)
        assert reader.is_alive(), "the read came back although the bus hangs"
        driver.close()
        reader.join(10)
        assert not reader.is_alive()
        assert "hung" in raised[0].what

    def test_it_ends_by_the_clock(self) -> None:
        driver, clock = opened(**fault("bus-stalled", **{"after": "1 min", "for": "2 h"}))
        clock.advance(90)
        samples = within(10, "a read of a bus that stalls for two hours", driver.read)
        assert len(list(samples)) == len(CHANNELS)
        assert driver.model.elapsed_s == pytest.approx(60 + 2 * HOUR)

    def test_a_read_abandoned_in_one_opening_is_not_revived_by_the_next(self) -> None:
        driver, _ = opened(**fault("bus-stalled"))
        ended = threading.Event()

        def read() -> None:
            with pytest.raises(DriverError):
                driver.read()
            ended.set()

        threading.Thread(target=read, daemon=True).start()
        assert not ended.wait(0.1)
        driver.close()
        driver.open()
        assert ended.wait(10)
        driver.close()


class TestSettings:
    @pytest.mark.parametrize(
        ("changes", "told"),
        [
            ({"channels": {}}, "channels"),
            ({"channels": {"a": {"sees": "watter"}}}, 'Did you mean "water"'),
            ({"channels": {"a": {"sees": "float"}}}, "needs its height"),
            ({"channels": {"a": {"sees": "water", "height": "3 mm"}}}, "Only a float"),
            ({"channels": {"a": {"sees": "water", "noise": "3 mm"}}}, "difference"),
            ({"channels": {"a": {"sees": "water", "noise": "-0.1 K"}}}, "below zero"),
            ({"channels": {"a": {"sees": "lamp", "noise": "1 K"}}}, "has no noise"),
            ({"zone": "Europe/Nowhere"}, "no time zone"),
            ({"faults": [{"name": "no-such"}]}, "not-heating"),
            ({"faults": [{"name": "probe-gone", "target": "level"}]}, "no probe"),
            (
                {"channels": {"a": {"sees": "water"}}, "faults": [{"name": "float-stuck-up"}]},
                "needs a float",
            ),
            (
                {"channels": {"a": {"sees": "water"}}, "faults": [{"name": "probes-swapped"}]},
                "needs two probes",
            ),
            ({"events": [{"name": "probe-replaced", "target": "x"}]}, "no probe to replace"),
            ({"tank": {"chamber_length": "18 cm"}}, "belong together"),
            ({"tank": {"volume": "1 L"}}, "chamber holds less"),
            ({"keeper": {"pours_missed": "120 %"}}, "less than or equal to 1"),
            ({"start": "2026-01-05T00:00:00"}, "timezone"),
        ],
    )
    def test_what_cannot_be_is_refused_in_words(self, changes: dict[str, Any], told: str) -> None:
        with pytest.raises(ValidationError) as error:
            parsed(**changes)
        assert told in str(error.value)

    def test_units_are_those_of_the_keeper(self) -> None:
        tank = parsed(
            tank={
                "volume": "18 gal",
                "setting": "77.5 degF",
                "differential": "0.9 degF",
                "chamber_length": "7 in",
                "chamber_width": "9 cm",
                "room": "68 degF",
            }
        ).tank.parameters()
        # The US gallon is 3.785411784 L exactly (NIST SP 811).
        assert tank.volume_ml == pytest.approx(18 * 3785.411784)
        assert tank.setting_c == pytest.approx((77.5 - 32) / 1.8)
        assert tank.differential_k == pytest.approx(0.5)
        assert tank.chamber_area_mm2 == pytest.approx(177.8 * 90)
        assert tank.climate.mean_c == pytest.approx(20.0)

    def test_a_drawn_tank_keeps_what_is_written_beside_it(self) -> None:
        tank = parsed(tank={"drawn": 3, "heater": "100 W"}).tank.parameters()
        assert tank.heater_w == 100
        assert tank.volume_ml != 68_000

    def test_the_sample_stanza_is_good(self) -> None:
        text = tomllib.loads((CONFIG / "sample-simulated.toml").read_text(encoding="utf-8"))
        source = text["source"]["tank"]
        assert source.pop("driver") == "simulated"
        del source["every"]
        settings = SimulatedSettings.model_validate(source)
        assert set(settings.channels) == set(text["channel"])
        for name, channel in settings.channels.items():
            if channel.height is not None:
                assert text["channel"][name]["height"] == source["channels"][name]["height"]

    def test_a_fault_is_injected_as_it_is_written(self) -> None:
        injected = parsed(**fault("leak", **{"after": "1 h", "for": "2 h", "size": 12})).injected()
        assert injected == [Fault(FaultName.LEAK, HOUR, 3 * HOUR, 12.0)]
