"""The parts of the heater's inference against closed forms and made-up traces."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.estimate.heat.creep import DAY_S, Creep
from stillwell.estimate.heat.forecast import reach
from stillwell.estimate.heat.relay_filter import RelayFilter, Verdict
from stillwell.estimate.heat.running import Running
from stillwell.estimate.heat.sawtooth import Half, SawTooth, fit
from stillwell.estimate.heat.stories import Knowledge
from stillwell.estimate.noise import Noise
from stillwell.estimate.thermal.room_law import RoomLaw

KNOWN = Knowledge(25.0, 0.01, 25.4, 0.01, 1.0 / 3600, 0.3 / 3600, 0.04)


class TestSawTooth:
    """Half cycles of a trace whose truth is known."""

    @staticmethod
    def halves(noise: float, minutes: int = 2000) -> list[Half]:
        """Triangles: 80 min up by 0.5 K, 120 min down."""
        rng, saw, out = random.Random(5), SawTooth(), []
        for minute in range(minutes):
            phase = minute % 200
            value = 25.0 + (0.5 * phase / 80 if phase < 80 else 0.5 * (200 - phase) / 120)
            half = saw.add((minute * 60.0, value + rng.gauss(0, noise)), max(noise, 0.003), None)
            if half is not None:
                out.append(half)
        return out

    def test_each_hinge_is_where_the_lines_meet(self) -> None:
        for half in self.halves(0.0)[1:]:
            assert half.hinge_c == pytest.approx(25.5 if half.rising else 25.0, abs=0.005)
            assert half.end_s / 60 % 200 == pytest.approx(80 if half.rising else 0, abs=1.5) or (
                half.end_s / 60 % 200 > 198.5
            )

    def test_the_bend_is_the_same_at_peaks_and_troughs(self) -> None:
        wanted = 0.5 / 4800 + 0.5 / 7200
        for half in self.halves(0.02)[1:]:
            assert half.clean
            assert half.bend == pytest.approx(wanted, rel=0.1)

    def test_the_errors_of_the_hinges_are_what_is_said(self) -> None:
        halves = self.halves(0.025, 40_000)[1:]
        scores = [
            (h.hinge_c - (25.5 if h.rising else 25.0)) / h.hinge_error for h in halves if h.clean
        ]
        spread = math.sqrt(sum(z * z for z in scores) / len(scores))
        assert len(scores) > 300
        assert 0.8 < spread < 1.25

    def test_a_step_that_no_water_takes_begins_anew(self) -> None:
        saw = SawTooth()
        found = []
        for minute in range(600):
            phase = minute % 200
            value = 25.0 + (0.5 * phase / 80 if phase < 80 else 0.5 * (200 - phase) / 120)
            found.append(
                saw.add((minute * 60.0, value + (1.0 if minute > 410 else 0.0)), 0.01, 0.5)
            )
        assert all(half is None or half.hinge_c < 25.7 for half in found)

    def test_a_line_through_two_points_is_none(self) -> None:
        assert fit([(0.0, 1.0), (1.0, 2.0)]) is None

    def test_a_line_is_the_least_squares_line(self) -> None:
        line = fit([(0.0, 1.0), (1.0, 3.0), (2.0, 5.0), (3.0, 7.0)])
        assert line is not None
        assert line.slope == pytest.approx(2.0)
        assert line.at(10.0) == pytest.approx(21.0)


def feed(watch: RelayFilter, path: list[float], seed: int = 1) -> list[Verdict]:
    """Reads `path`, a temperature each 30 s, with noise of 0.035 K."""
    rng = random.Random(seed)
    return [watch.step(30.0 * (k + 1), value + rng.gauss(0, 0.035)) for k, value in enumerate(path)]


class TestRelayFilter:
    """Verdicts on half cycles that are drawn by the model's own equation."""

    @staticmethod
    def cooling(minutes: float, start: float = 25.1) -> list[float]:
        return [start - 0.3 / 3600 * 30 * k for k in range(int(minutes * 2))]

    @pytest.mark.parametrize("seed", range(5))
    def test_heat_that_comes_is_seen(self, seed: int) -> None:
        path = self.cooling(20)
        path += [path[-1] + 0.7 / 3600 * 30 * k for k in range(40)]
        watch = RelayFilter(KNOWN)
        watch.begin(0.0, 25.1, relay=False)
        verdicts = feed(watch, path, seed)
        assert Verdict.SWITCHED in verdicts
        assert Verdict.STAYED not in verdicts
        assert watch.relay is True

    @pytest.mark.parametrize("seed", range(5))
    def test_heat_that_does_not_come_is_missed_within_half_an_hour(self, seed: int) -> None:
        watch = RelayFilter(KNOWN)
        watch.begin(0.0, 25.1, relay=False)
        verdicts = feed(watch, self.cooling(50), seed)
        # The lower point is passed after 20 min.
        assert Verdict.STAYED in verdicts
        assert 40 < verdicts.index(Verdict.STAYED) < 100

    @staticmethod
    def warming(minutes: float, start: float, speed: float = 0.7) -> list[float]:
        return [start + speed / 3600 * 30 * k for k in range(int(minutes * 2))]

    @pytest.mark.parametrize("seed", range(5))
    def test_heat_that_goes_on_is_noticed_within_a_quarter_of_an_hour(self, seed: int) -> None:
        watch = RelayFilter(KNOWN)
        watch.begin(0.0, KNOWN.peak - 0.21, relay=True)
        verdicts = feed(watch, self.warming(40, KNOWN.peak - 0.21), seed)
        # The upper point is passed after 18 min.
        assert Verdict.STAYED in verdicts
        assert 36 < verdicts.index(Verdict.STAYED) < 66

    def test_the_last_heat_in_a_chamber_whose_pump_stands_is_seldom_heat_that_goes_on(self) -> None:
        # Off at the upper point; four minutes later a feeding pause begins, and the heater's body
        # warms the chamber by 0.12 K in a minute, where it stays.
        top, cried = KNOWN.peak, 0
        path = [*self.warming(18, top - 0.21), *self.warming(4, top, -0.3)]
        path += [*self.warming(1, path[-1], 7.0), *self.warming(9, path[-1] + 0.12, -0.3)]
        for seed in range(20):
            watch = RelayFilter(KNOWN)
            watch.begin(0.0, top - 0.21, relay=True)
            cried += Verdict.STAYED in feed(watch, path, seed)
        # Most of the twenty, where a pump that stands is no story.
        assert cried <= 3

    def test_while_a_fault_stands_the_water_is_foretold_as_if_the_relay_stayed(self) -> None:
        watch = RelayFilter(KNOWN)
        watch.begin(0.0, 25.1, relay=False)
        rng = random.Random(3)
        for k in range(80):
            watch.step(30.0 * (k + 1), 25.1 - 0.3 / 120 * k + rng.gauss(0, 0.035))
        best = watch.best
        assert best is not None
        assert watch.course(False) == (best.t, watch.slope, watch.errors[1])
        _, slope, error = watch.course(True)
        assert slope * 3600 == pytest.approx(-0.3, abs=0.06)
        assert error >= watch.errors[1]

    def test_a_fault_is_believed_at_odds_of_all_cycles_of_three_years(self) -> None:
        # 0.42 K down at 0.3 K/h and up at 0.7 K/h: two hours, 13149 of them in three years.
        known = replace(KNOWN, peak=KNOWN.trough + 0.42)
        assert RelayFilter(known).certain == pytest.approx(math.log(13149))
        slower = RelayFilter(known)
        slower.learn(replace(known, loss=0.1 / 3600))
        assert slower.certain < math.log(13149)

    @pytest.mark.parametrize("on", [True, False])
    def test_a_relay_that_is_thought_the_other_way_is_thought_again(self, on: bool) -> None:
        """What the heater does has been taken for the weather's."""
        way = 0.7 if on else -0.3
        start = (KNOWN.trough + KNOWN.peak) / 2
        watch = RelayFilter(KNOWN)
        watch.begin(0.0, start, relay=not on)
        assert watch.best is not None
        watch.best.loss = KNOWN.loss + (-KNOWN.gain if on else KNOWN.gain)
        rng = random.Random(4)
        for k in range(1, 40):
            watch.step(30.0 * k, start + way / 120 * k + rng.gauss(0, 0.035))
        assert watch.relay is on
        assert watch.best.loss == pytest.approx(KNOWN.loss, abs=0.25 / 3600)

    def test_no_weather_explains_a_dead_heater_for_ever(self) -> None:
        """The loss has just been taken for unknown, and could have grown as the heat came."""
        for seed in range(5):
            watch = RelayFilter(KNOWN)
            watch.begin(0.0, KNOWN.trough + 0.05, relay=False)
            watch._p = (KNOWN.sigma**2, 0.0, (0.3 / 3600) ** 2)
            verdicts = feed(watch, self.cooling(60, KNOWN.trough + 0.05), seed)
            assert Verdict.STAYED in verdicts

    def test_a_half_cycle_that_begins_anew_is_due_anew(self) -> None:
        watch = RelayFilter(KNOWN)
        watch.begin(0.0, 25.1, relay=False)
        feed(watch, self.cooling(50))
        assert watch.due_s is not None
        watch.begin(3600.0, KNOWN.trough + 0.2)
        assert watch.due_s is None
        assert watch.weak_led == -math.inf

    def test_hours_of_waiting_are_no_evidence(self) -> None:
        watch = RelayFilter(KNOWN)
        watch.begin(0.0, 25.3, relay=False)
        rng = random.Random(2)
        for k in range(1, 2000):
            watch.step(30.0 * k, 25.3 + rng.gauss(0, 0.035))
            assert watch.certainty == pytest.approx(0.0, abs=1e-9)

    def test_a_jump_tears_the_trace(self) -> None:
        watch = RelayFilter(KNOWN)
        watch.begin(0.0, 25.1, relay=False)
        verdicts = feed(watch, [*self.cooling(10), *self.cooling(10, 24.4)])
        assert Verdict.TORN in verdicts[20:26]

    def test_a_gap_begins_anew(self) -> None:
        watch = RelayFilter(KNOWN)
        watch.begin(0.0, 25.1, relay=False)
        assert watch.step(7200.0, 24.0) is Verdict.TORN
        assert watch.relay is None


class TestCreep:
    """Levels that stand, jump about or drift."""

    def test_of_still_levels_the_error_is_what_is_said(self) -> None:
        scores = []
        for seed in range(200):
            rng, creep = random.Random(seed), Creep()
            for k in range(20):
                creep.add(25.0 + rng.gauss(0, 0.012), k * 7200.0, 0.010)
            scores.append((creep.level - 25.0) / creep.error)
        assert sum(abs(z) < 1.96 for z in scores) >= 180

    def test_a_drift_is_followed(self) -> None:
        rng, creep = random.Random(3), Creep()
        for k in range(100):
            drift = 0.15 * max(0, k - 40) / 10
            creep.add(25.0 + drift + rng.gauss(0, 0.01), k * DAY_S / 10, 0.01)
        truth = 25.0 + 0.15 * 5.9
        assert creep.level == pytest.approx(truth, abs=0.06)
        assert creep.rate == pytest.approx(0.15, abs=0.06)

    def test_one_wild_value_moves_it_little(self) -> None:
        creep = Creep()
        for k in range(20):
            creep.add(25.0, k * 7200.0, 0.01)
        creep.add(27.0, 20 * 7200.0, 0.01)
        assert creep.level < 25.02


class TestRoomLaw:
    """Newton's law out of half cycles."""

    def test_time_constant_and_rest_are_found(self) -> None:
        law, rng = RoomLaw(), random.Random(4)
        for k in range(60):
            warmer = 5.0 + 1.5 * math.sin(k / 8)
            law.add(warmer, warmer / 72_000 + 2e-5 + rng.gauss(0, 2e-6), 2e-6, k * 7200.0)
        tau = law.tau_s()
        assert tau is not None
        assert tau[1] < 72_000 < tau[2]
        found = law.predict(6.0)
        assert found is not None
        assert found[0] == pytest.approx(6.0 / 72_000 + 2e-5, rel=0.05)

    def test_how_cold_a_room_the_heater_can_bear_lies_in_its_interval(self) -> None:
        # At 1.2e-4 K/s: (1.2e-4 - 2e-5) 72000 = 7.2 K above the room, by the law that made them.
        held = 0
        for seed in range(60):
            law, rng = RoomLaw(), random.Random(seed)
            for k in range(60):
                warmer = 5.0 + 1.5 * math.sin(k / 8)
                law.add(warmer, warmer / 72_000 + 2e-5 + rng.gauss(0, 2e-6), 2e-6, k * 7200.0)
            found, per_k = law.reaches(1.2e-4, 0.0), law.per_k()
            assert found is not None
            assert per_k is not None
            assert found[0] == pytest.approx(7.2, abs=0.3)
            assert per_k[0] == pytest.approx(1 / 72_000, rel=0.1)
            held += abs(found[0] - 7.2) < 1.96 * found[1]
            vaguer = law.reaches(1.2e-4, 1e-5)
            assert vaguer is not None
            assert vaguer[1] > math.hypot(found[1], 0.6)
        assert held >= 54

    def test_before_four_half_cycles_it_says_nothing(self) -> None:
        law = RoomLaw()
        assert law.tau_s() is None
        assert law.predict(5.0) is None
        assert law.per_k() is None
        assert law.reaches(3e-4, 1e-5) is None


class TestForecast:
    """When the water gets there."""

    @given(st.floats(20.0, 30.0), st.floats(0.2, 4.0), st.floats(4.0, 40.0), st.floats(1e4, 2e5))
    def test_is_newtons_law(self, start: float, way: float, reach_k: float, tau: float) -> None:
        target = start - way
        truth = tau * math.log(reach_k / (reach_k - way)) if way < reach_k else None
        found = reach(start, -reach_k / tau, 0.0, target, (tau, tau, tau))
        if truth is None or truth > 36 * 3600:
            assert found is None
        else:
            assert found is not None
            assert found.seconds == pytest.approx(truth, rel=1e-6)
            assert found.soonest_s <= found.seconds * (1 + 1e-9)
            assert found.latest_s is None or found.latest_s >= found.seconds * (1 - 1e-9)

    def test_the_other_way_is_never(self) -> None:
        assert reach(25.0, 1e-4, 0.0, 24.0) is None
        assert reach(25.0, 0.0, 0.0, 24.0) is None

    def test_where_the_water_is_now_is_not_known_better_than_it_is(self) -> None:
        sure = reach(25.0, -1e-4, 0.0, 24.98)
        unsure = reach(25.0, -1e-4, 0.0, 24.98, value_error=0.005)
        assert sure is not None
        assert unsure is not None
        assert unsure.seconds == sure.seconds
        # 1.96 times 0.005 K of the 0.02 K.
        assert unsure.soonest_s == pytest.approx(0.51 * sure.soonest_s, rel=0.01)
        assert sure.latest_s is not None
        assert unsure.latest_s == pytest.approx(1.49 * sure.latest_s, rel=0.01)
        near = reach(25.0, -1e-4, 0.0, 24.998, value_error=0.005)
        assert near is not None
        assert near.soonest_s == 0.0


class TestNoise:
    """Noise is told from movement."""

    @given(st.integers(0, 50), st.sampled_from([0.03, 0.05]))
    def test_is_found_under_a_slope(self, seed: int, sigma: float) -> None:
        rng, noise = random.Random(seed), Noise()
        for k in range(4000):
            noise.add(k * 30.0, 25.0 - k * 0.003 + rng.gauss(0, sigma))
        assert noise.usual == pytest.approx(sigma, rel=0.12)

    def test_lately_rises_at_once_and_usual_does_not(self) -> None:
        rng, noise = random.Random(1), Noise()
        for k in range(6000):
            noise.add(k * 30.0, 25.0 + rng.gauss(0, 0.03 if k < 5800 else 0.3))
        assert noise.lately > 3 * noise.usual


class TestRunning:
    """A mean that forgets."""

    @given(st.lists(st.floats(20, 30), min_size=1, max_size=50))
    def test_stays_between_the_extremes(self, values: list[float]) -> None:
        running = Running(1e5, 0.01)
        for k, value in enumerate(values):
            running.add(value, k * 1000.0)
        assert min(values) - 1e-9 <= running.mean <= max(values) + 1e-9

    def test_forgets_by_half_in_its_half_life(self) -> None:
        running = Running(1e5, 0.01, most=1.0)
        running.add(0.0, 0.0)
        running.add(1.0, 1e5)
        assert running.mean == pytest.approx(1 / 1.5)
