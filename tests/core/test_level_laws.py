"""Laws of the level estimator: the float's share against simulation, algebra, invariants."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillwell.estimate.answer import Estimate
from stillwell.estimate.gaussian import Gaussian, merged
from stillwell.estimate.level.bank import Bank
from stillwell.estimate.level.evidence import Evidence, Gauge, Pour, Share
from stillwell.estimate.level.explanation import most
from stillwell.estimate.level.gauge import Located, locate, quantisation_bias_variance
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec, Geometry, Habits
from stillwell.estimate.level.ledger import FloatTold, OpenSlice, Slice
from stillwell.estimate.level.model import LevelModel
from stillwell.estimate.level.physics import C, D, H, M, Physics, S
from stillwell.estimate.level.ripple import (
    Occupancy,
    Told,
    certain,
    half_way,
    log_upper,
    posterior_moments,
    throughout,
)
from stillwell.estimate.level.sight import sight
from stillwell.estimate.level.state import LevelState
from stillwell.form import Form

MIN = 60_000
HOUR = 60 * MIN


class TestShareLaw:
    @pytest.mark.parametrize("differential", [0.0, 1.0, 2.0])
    def test_the_share_closed_is_what_a_rippling_surface_gives(self, differential: float) -> None:
        from scipy.signal import lfilter

        # source of the check: direct simulation of the surface at 20 steps a second, 4 h
        rng = np.random.default_rng(7)
        n, step, tau, ripple = 20 * 4 * 3600, 0.05, 2.0, 0.8
        a = math.exp(-step / tau)
        noise = rng.standard_normal(n) * math.sqrt(1 - a * a) * ripple
        surface = lfilter([1.0], [1.0, -a], noise)
        law = Occupancy(differential, ripple, tau)
        for w in (-1.0, -0.3, 0.5, 1.2):
            up = differential / 2 - w * ripple
            down = -differential / 2 - w * ripple
            turn = np.where(surface >= up, 1, np.where(surface < down, -1, 0))
            at = np.maximum.accumulate(np.where(turn != 0, np.arange(n), 0))
            share = float(np.mean(turn[at] > 0))
            assert law.share(w) == pytest.approx(share, abs=0.02)

    def test_without_differential_it_is_the_normal_distribution(self) -> None:
        from scipy.stats import norm

        law = Occupancy(0.0, 0.8, 2.0)
        for w in (-4.0, -1.03, 0.0, 2.5):
            assert law.share(w) == pytest.approx(float(norm.cdf(w)), rel=0.01)

    def test_it_is_symmetric_about_the_middle_of_the_thresholds(self) -> None:
        law = Occupancy(3.0, 0.5, 2.0)
        for w in (0.2, 1.0, 3.0):
            assert law.share(w) + law.share(-w) == pytest.approx(1.0, abs=1e-6)

    def test_the_upper_tail_of_the_normal_is_right_where_erfc_gives_out(self) -> None:
        from scipy.stats import norm

        for u in (-5.0, 0.0, 3.0, 5.9, 6.1, 12.0, 40.0):
            assert log_upper(u) == pytest.approx(float(norm.logsf(u)), rel=1e-5)

    def test_with_a_differential_far_above_the_ripple_a_closed_float_stays_closed(self) -> None:
        # falling water, 6 mm differential, 0.2 mm ripple: the middle of the band says nothing yet
        law = Occupancy(6.0, 0.2, 2.0)
        closed = Told(1.0, 600, 600.0, 1)
        fresh = Told(1.0, 600, 600.0, None)
        assert law.log_likelihood(-3.0, closed) > -0.01
        assert law.log_likelihood(-3.0, fresh) < -1.0

    @pytest.mark.parametrize("differential", [0.0, 0.7, 1.5, 2.5])
    @pytest.mark.parametrize("w", [0.0, 1.0])
    def test_a_slices_share_strays_no_more_than_its_likelihood_says(
        self, differential: float, w: float
    ) -> None:
        from scipy.signal import lfilter

        # source of the check: direct simulation of the surface at 20 steps a second, 36 h
        rng = np.random.default_rng(11)
        n, tau, ripple = 20 * 36 * 3600, 2.0, 0.8
        a = math.exp(-0.05 / tau)
        noise = rng.standard_normal(n) * math.sqrt(1 - a * a) * ripple
        surface = lfilter([1.0], [1.0, -a], noise) + w * ripple
        turn = np.where(
            surface >= differential / 2, 1, np.where(surface < -differential / 2, -1, 0)
        )
        at = np.maximum.accumulate(np.where(turn != 0, np.arange(n), 0))
        shares = (turn[at] > 0)[::20].reshape(-1, 600).mean(axis=1)
        p = float(shares.mean())
        law = Occupancy(differential, ripple, tau)
        told = Told(p, 600, 600.0, None)
        # on the side on which wrong looks explain nothing
        beside = law.share(w - 0.05)
        divergence = p * math.log(p / beside) + (1 - p) * math.log((1 - p) / (1 - beside))
        counted = -law.log_likelihood(w - 0.05, told) / divergence
        # between the two regimes less than it says, down to a half: never much more
        assert 0.4 < float(shares.var()) / (p * (1 - p) / counted) < 1.2

    @pytest.mark.parametrize("differential", [0.0, 1.0, 2.5])
    def test_its_width_in_mm_goes_with_the_ripple_as_it_says(self, differential: float) -> None:
        def width(ripple: float) -> float:
            law = Occupancy(differential, ripple, 2.0)
            return ripple / (law.share(0.1) - law.share(-0.1))

        found = math.log(width(0.84) / width(0.76)) / math.log(0.84 / 0.76)
        assert Occupancy(differential, 0.8, 2.0).stretch == pytest.approx(found, rel=0.03)

    def test_a_wrong_look_says_nothing_of_where_the_level_is_beyond(self) -> None:
        for share, far in ((0.95, 8.0), (0.05, -8.0)):
            told = Told(share, 20, 600.0, None)
            assert PLAIN.log_likelihood(far, told) == pytest.approx(0.0, abs=1e-6)
            assert PLAIN.log_likelihood(-far, told) < -20.0
            assert certain(PLAIN, far, far, told)

    def test_a_bare_look_of_two_leaves_the_level_where_it_was(self) -> None:
        assert -2.0 < PLAIN.log_likelihood(8.0, Told(0.5, 2, 600.0, None)) < -0.5

    def test_most_looks_are_never_wrong(self) -> None:
        assert PLAIN.log_likelihood(-8.0, Told(1.0, 2, 600.0, None)) < -20.0
        assert PLAIN.log_likelihood(8.0, Told(0.5, 600, 600.0, None)) < -20.0

    def test_all_closed_is_half_as_probable_where_it_says(self) -> None:
        for share in (0.0, 1.0):
            told = Told(share, 600, 600.0, None)
            at = half_way(PLAIN, told)
            assert PLAIN.log_likelihood(at, told) == pytest.approx(math.log(0.5), abs=0.15)
            assert not certain(PLAIN, at, at, told)
            far = 6.0 if share else -6.0
            assert certain(PLAIN, far, far, told)

    @settings(max_examples=30, deadline=None)
    @given(
        st.floats(-5, 5),
        st.floats(0.02, 40),
        st.sampled_from([0.0, 0.01, 0.2, 0.5, 0.93, 1.0]),
        st.sampled_from([0.0, 1.5]),
    )
    def test_the_quadrature_agrees_with_a_fine_sum(
        self, mean: float, variance: float, share: float, differential: float
    ) -> None:
        law = Occupancy(differential, 0.8, 2.0) if differential else PLAIN
        told = Told(share, 600, 600.0, None)
        z, best, m, v = posterior_moments(mean, variance, told, law)
        sd = math.sqrt(variance)
        grid = np.linspace(mean - 9 * sd, mean + 9 * sd, 20001)
        logs = np.array([law.log_likelihood(float(w), told) for w in grid])
        weights = np.exp(logs - 0.5 * ((grid - mean) / sd) ** 2)
        total = float(weights.sum())
        if total * (grid[1] - grid[0]) < 1e-10:
            return
        fine = float((weights * grid).sum() / total)
        spread = float((weights * (grid - fine) ** 2).sum() / total)
        assert m == pytest.approx(fine, abs=0.08 * math.sqrt(spread) + 1e-3)
        assert v == pytest.approx(spread, rel=0.12, abs=1e-5)
        if throughout(told) is not None:
            assert v <= variance * 1.02
        assert z <= best * 1.3


PLAIN = Occupancy(0.0, 0.8, 2.0)


class TestSight:
    def test_its_moments_are_those_of_the_product(self) -> None:
        # source of the check: two million draws
        rng = np.random.default_rng(1)
        spread = np.array([[0.8, 0.1], [0.1, 0.06]])
        level, ripple = rng.multivariate_normal([1.3, 0.0], spread, 2_000_000).T
        seen = level * np.exp(-1.4 * ripple)
        told = sight(1.3, 0.8, 0.1, 0.06, 1.4)
        assert told.mean == pytest.approx(float(seen.mean()), abs=0.005)
        assert told.variance == pytest.approx(float(seen.var()), rel=0.01)
        for k, other in enumerate((level, ripple)):
            covariance = told.of_level * spread[k, 0] - told.of_ripple * spread[k, 1]
            assert covariance == pytest.approx(float(np.cov(seen, other)[0, 1]), abs=0.002)

    def test_one_float_alone_cannot_tell_a_fast_fall_from_a_weak_ripple(self) -> None:
        from scipy.stats import norm

        # a passage twice as fast as typical, of a float whose ripple is known to 30 %
        spec = FloatSpec("a", -8.0, 0.0)
        model = LevelModel(Geometry(16200.0, 0.0), (spec,))
        state = model.start(0)
        for k in range(10 * 60):
            level = -2.0 - 45.0 / 16.2 * k / 60
            share = round(60 * float(norm.cdf((level + 8.0) / 0.8))) / 60
            state = model.update(
                state, Share("a", k * MIN, (k + 1) * MIN, share, 60), (k + 1) * MIN
            )
        view = model.rate_view(state)
        assert view.now == pytest.approx(2.0, abs=0.5)
        assert 0.15 < view.now_sd / view.now < 0.5


class TestForetold:
    """What may be passed over of a float that is closed or open throughout."""

    def bank(self, ripples_above: float, sd_mm: float) -> Bank:
        spec = FloatSpec("a", -8.0, 0.0)
        physics = Physics.of(Geometry(16200.0), (spec,), None, Habits())
        bank = Bank.prior(physics)
        bank.see_level(physics.middle_mm(0) + ripples_above * spec.ripple_mm, sd_mm)
        return bank

    def told(self, share: float) -> FloatTold:
        return FloatTold("a", Told(share, 600, 600.0, None), 20, 0)

    @pytest.mark.parametrize("share", [0.0, 1.0])
    def test_is_what_goes_on_while_the_level_is_vague(self, share: float) -> None:
        side = 3.0 if share else -3.0
        vague = self.bank(side, 3.0)
        assert vague.predicts(0, self.told(share), goes_on=True)
        assert not vague.predicts(0, self.told(share), goes_on=False)
        far = self.bank(7 * side, 0.3)
        assert far.predicts(0, self.told(share), goes_on=False)

    @pytest.mark.parametrize("share", [0.0, 1.0])
    def test_is_nothing_improbable(self, share: float) -> None:
        side = -9.0 if share else 9.0
        assert not self.bank(side, 3.0).predicts(0, self.told(share), goes_on=True)

    def test_is_nothing_of_a_float_in_doubt(self) -> None:
        bank = self.bank(21.0, 0.3)
        assert bank.predicts(0, self.told(1.0), goes_on=True)
        bank.odds[0] = bank.physics.base_odds + 0.1
        assert not bank.predicts(0, self.told(1.0), goes_on=True)


class TestWhatASliceMayHave:
    """`most` lets an explanation be passed over, so that nothing may be above it."""

    @settings(max_examples=25, deadline=None)
    @given(
        st.floats(-40.0, 10.0),
        st.floats(0.1, 20.0),
        st.sampled_from([0.0, 0.3, 1.0]),
        st.floats(-45.0, 20.0) | st.none(),
        st.booleans(),
    )
    def test_is_never_less_than_it_has(
        self, level: float, sd: float, share: float, gauge: float | None, doubted: bool
    ) -> None:
        physics = Physics.of(
            Geometry(16200.0), (FloatSpec("a", -8.0),), GaugeSpec(0.5), Habits(sway_mm=0.05)
        )
        bank = Bank.prior(physics)
        bank.see_level(level, sd)
        if doubted:
            bank.distrust(0)
        told = FloatTold("a", Told(share, 600, 600.0, None), 20, 0)
        located = None if gauge is None else Located(gauge, 5.0 * MIN, 0.03, 10, 0)
        piece = Slice(0, (told,), located)
        assert bank.absorb(piece, 1.4, 5.0 * MIN)[0] <= most(piece, physics) + 0.02


class TestTheCourseOfTheDay:
    def test_moves_level_and_rate_as_its_equations_say(self) -> None:
        from scipy.linalg import expm

        # source of the check: the matrix exponential of the same equations and of their noise
        # (Van Loan, IEEE Trans. Autom. Control 23 (1978) 395; from memory)
        shape, wander, hours, turn = 1.3, 0.2, 5.0, 2.0 * math.pi / 24.0
        habits = Habits(wander=(wander,))
        law = np.zeros((5, 5))
        law[H, [M, D, C]] = -shape
        law[D, D] = -1.0 / habits.wander_tau_h
        law[C, S], law[S, C] = turn, -turn
        course = habits.course_trend**2 / 24.0
        gains = [0.0, habits.trend**2 / 24.0, 2.0 / habits.wander_tau_h, course, course]
        noise = wander**2 * np.diag(gains)
        both = expm(np.block([[-law, noise], [np.zeros((5, 5)), law.T]]) * hours)
        onward = both[5:, 5:].T

        floats = (FloatSpec("a", -8.0), FloatSpec("b", -4.0))
        bank = Bank.prior(Physics.of(Geometry(16200.0), floats, None, habits))
        bank.see_level(0.0, 1.0)
        (g,) = bank.members
        g.x[C], g.x[S], g.P[C][S], g.P[S][C] = 0.3, -0.2, 0.01, 0.01
        x, spread = np.array(g.x[:5]), np.array(g.P)[:5, :5]
        for part in (0.1, 0.4, 0.5):
            bank.predict(part * hours * HOUR, shape)
        (g,) = bank.members
        assert np.allclose(g.x[:5], onward @ x, atol=1e-9)
        expected = onward @ spread @ onward.T + onward @ both[:5, 5:]
        assert np.allclose(np.array(g.P)[:5, :5], expected, atol=1e-9)


class TestRestlessness:
    def test_a_choice_among_kinds_is_forgotten_in_time(self) -> None:
        habits = Habits()
        bank = Bank.prior(Physics.of(Geometry(16200.0), (), GaugeSpec(), habits))
        bank.see_level(0.0, 1.0)
        assert len(bank.members) == len(bank.kinds) == 3
        for g, kind in zip(bank.members, bank.kinds, strict=True):
            g.P[H][H] = 1.0 if kind == habits.wander[0] else 1e4
        bank.see_level(0.0, 1.0)

        def odds() -> float:
            calm, *_, restless = bank.weights
            return calm - restless

        before = odds()
        assert before > 3.0
        bank.predict(habits.forget_days * 24 * HOUR, 1.4)
        assert odds() == pytest.approx(before / math.e, rel=1e-6)


class TestBareLooks:
    """A float that is read now and then, and of which more looks are claimed."""

    def slice(self, shares: list[float]) -> OpenSlice:
        opened = OpenSlice(0)
        for share in shares:
            opened = opened.with_share("a", share, 30, 30.0, None)
        return opened

    def test_count_as_one_each_while_no_interval_was_ever_split(self) -> None:
        for shares in ([1.0] * 20, [1.0, 0.0] * 10):
            told = self.slice(shares).closed(None, 600_000, ()).floats[0]
            assert told.told.looks == 20

    def test_count_as_said_once_an_interval_was(self) -> None:
        split = self.slice([1.0] * 19 + [0.9])
        assert split.closed(None, 600_000, ()).floats[0].told.looks == 600
        assert split.still_splitting(()) == ("a",)
        assert self.slice([1.0] * 20).closed(None, 600_000, ("a",)).floats[0].told.looks == 600

    def test_a_slice_of_both_and_none_between_tells_them(self) -> None:
        bare = self.slice([1.0, 0.0] * 10)
        assert bare.still_splitting(("a",)) == ()
        assert bare.closed(None, 600_000, ("a",)).floats[0].told.looks == 20
        assert bare.closed(None, 600_000, ()).floats[0].partly > 0


class TestGaugeSlice:
    @pytest.mark.parametrize(("step", "noise"), [(1.0, 0.1), (1.0, 0.25), (1.0, 0.5), (2.0, 0.3)])
    def test_what_averaging_leaves_of_rounding(self, step: float, noise: float) -> None:
        from scipy.stats import norm

        # source of the check: the mean rounding error over all positions, by direct integration
        offsets = np.linspace(0, step, 201)[:-1]
        k = np.arange(-12, 13)
        bias = []
        for offset in offsets:
            upper = norm.cdf((k * step + step / 2 - offset) / noise)
            lower = norm.cdf((k * step - step / 2 - offset) / noise)
            bias.append(float(np.sum(k * step * (upper - lower)) - offset))
        direct = float(np.var(bias))
        assert quantisation_bias_variance(step, noise) == pytest.approx(direct, rel=0.02, abs=1e-9)

    def test_a_third_of_wild_readings_does_not_carry_it_away(self) -> None:
        draw = random.Random(1)
        readings = [(k * 1000, draw.gauss(-5, 0.5) + (40 if k % 3 == 0 else 0)) for k in range(60)]
        found = locate(readings, GaugeSpec(0.5), 600.0)
        assert found.mm == pytest.approx(-5.0, abs=0.8)
        assert found.rejected == 20


class TestAlgebra:
    def test_predicting_in_two_steps_is_predicting_in_one(self) -> None:
        physics = Physics.of(Geometry(16200.0), (FloatSpec("a", -5.0),), GaugeSpec(), Habits())
        one, two = Bank.prior(physics), Bank.prior(physics)
        for bank in (one, two):
            bank.start_counting()
        one.predict(5 * HOUR, 1.4)
        for part in (1, 1_499_000, 5 * HOUR - 2_500_000, 1_000_999):
            two.predict(part, 1.4)
        assert sum((1, 1_499_000, 5 * HOUR - 2_500_000, 1_000_999)) == 5 * HOUR
        for a, b in zip(one.members, two.members, strict=True):
            assert a.x == pytest.approx(b.x, rel=1e-9, abs=1e-9)
            for left, right in zip(a.P, b.P, strict=True):
                assert left == pytest.approx(right, rel=1e-6, abs=1e-7)

    def test_a_kalman_update_is_the_textbooks(self) -> None:
        rng = np.random.default_rng(3)
        root = rng.standard_normal((4, 4))
        p, x = root @ root.T, rng.standard_normal(4)
        h, r, z = np.array([1.0, 0.0, -0.5, 0.0]), 0.3, 1.7
        g = Gaussian(list(x), [list(row) for row in p])
        m, v, gain = g.project(((0, 1.0), (2, -0.5)))
        g.revise(gain, v + r, z - m, 0.0)
        s = h @ p @ h + r
        k = p @ h / s
        assert g.x == pytest.approx(list(x + k * (z - h @ x)))
        assert np.allclose(np.array(g.P), p - np.outer(k, h @ p))

    def test_merging_keeps_mean_and_covariance_of_the_mixture(self) -> None:
        a = Gaussian([0.0, 1.0], [[1.0, 0.2], [0.2, 2.0]])
        b = Gaussian([4.0, -1.0], [[0.5, 0.0], [0.0, 1.0]])
        g = merged([a, b], [0.25, 0.75])
        draws = np.concatenate(
            [
                np.random.default_rng(1).multivariate_normal(a.x, a.P, 50_000),
                np.random.default_rng(2).multivariate_normal(b.x, b.P, 150_000),
            ]
        )
        assert g.x == pytest.approx(list(draws.mean(axis=0)), abs=0.03)
        assert np.allclose(np.array(g.P), np.cov(draws.T), atol=0.05)

    def test_a_vague_level_in_narrow_pieces_is_the_same_distribution(self) -> None:
        geometry = Geometry(16200.0, lowest_safe_mm=-100.0, highest_safe_mm=60.0)
        bank = Bank.prior(Physics.of(geometry, (), GaugeSpec(), Habits()))
        assert len(bank.members) > 20
        weights = [math.exp(w) for w in bank.weights]
        assert sum(weights) == pytest.approx(1.0)
        mean = sum(w * g.x[H] for w, g in zip(weights, bank.members, strict=True))
        second = sum(
            w * (g.P[H][H] + g.x[H] ** 2) for w, g in zip(weights, bank.members, strict=True)
        )
        assert mean == pytest.approx(-20.0, abs=0.5)
        assert math.sqrt(second - mean * mean) == pytest.approx(0.35 * 160, rel=0.03)


MODEL = LevelModel(
    Geometry(16200.0, 0.05),
    (FloatSpec("low", -9.0, 0.0),),
    GaugeSpec(0.6, drift_mm_per_sqrt_day=0.1),
)


def night(
    seed: int, gauge_every: int, with_float: bool, pours: bool, hours: int = 12
) -> list[tuple[int, Evidence]]:
    draw = random.Random(seed)
    rate = draw.uniform(15, 30) / 16.2
    events: list[tuple[int, Evidence]] = []
    rise = 0.0
    at = draw.randrange(3, 8) * HOUR
    for t in range(MIN, hours * HOUR + 1, MIN):
        if pours and t == at:
            events.append((t, Pour(t, 150.0, 3.0)))
            rise = 150.0 / 16.2
        level = rise - rate * t / HOUR
        if t % (gauge_every * MIN) == 0:
            events.append((t, Gauge(t, level + draw.gauss(0, 0.6))))
        if with_float:
            p = 0.5 * math.erfc(-(level + 9.0) / 0.8 / math.sqrt(2))
            closed = sum(draw.random() < p for _ in range(15)) / 15
            events.append((t, Share("low", t - MIN, t, closed, 60)))
    return events


def play(model: LevelModel, events: list[tuple[int, Evidence]], until: int) -> LevelState:
    state = model.start(0)
    for t, e in events:
        state = model.update(state, e, t)
    return model.tick(state, until)


class TestInvariants:
    @settings(max_examples=12, deadline=None)
    @given(
        st.integers(0, 10_000),
        st.sampled_from([1, 5]),
        st.booleans(),
        st.booleans(),
        st.integers(60, 11 * 60),
    )
    def test_the_parts_of_a_window_sum_to_it(
        self, seed: int, every: int, with_float: bool, pours: bool, cut: int
    ) -> None:
        state = play(MODEL, night(seed, every, with_float, pours), 12 * HOUR)
        a, b, c = 20 * MIN, 20 * MIN + cut * MIN // 2, 12 * HOUR
        parts = [MODEL.expected_loss(state, *w)[0] for w in ((a, b), (b, c), (a, c))]
        assert parts[0] + parts[1] == pytest.approx(parts[2], rel=1e-7, abs=1e-6)

    @settings(max_examples=10, deadline=None)
    @given(st.integers(0, 10_000), st.integers(2, 6))
    def test_more_readings_of_the_gauge_never_widen(self, seed: int, keep: int) -> None:
        """For one restlessness the variance of a linear Gaussian model does not hang on the
        readings' values; so every reading more can only shrink it. Stated for a chamber of exactly
        known area, and for readings without surprises."""
        model = LevelModel(
            Geometry(16200.0, 0.0), gauge=GaugeSpec(0.6), habits=Habits(wander=(0.12,))
        )
        draw = random.Random(seed)
        full = [e for e in night(seed, 1, False, False) if not isinstance(e[1], Pour)]
        calm: list[tuple[int, Evidence]] = [
            (t, Gauge(t, -1.2 * t / HOUR + 0.5 * math.sin(k))) for k, (t, _) in enumerate(full)
        ]
        fewer = [e for k, e in enumerate(calm) if k % keep == 0 or draw.random() < 0.3]
        many = model.expected_loss(play(model, calm, 12 * HOUR), 2 * HOUR, 12 * HOUR)
        some = model.expected_loss(play(model, fewer, 12 * HOUR), 2 * HOUR, 12 * HOUR)
        assert many[1] <= some[1] * (1 + 1e-9)

    @settings(max_examples=60, deadline=None)
    @given(
        st.sampled_from([0.0, 1.0, 2.5]),
        st.floats(0.1, 3.0),
        st.floats(-2.0, 2.0),
        st.floats(-2.0, 2.0),
        st.booleans(),
    )
    def test_a_share_that_does_not_surprise_never_widens(
        self, differential: float, sd: float, off: float, away: float, bare: bool
    ) -> None:
        """Of anything: level, rate, area, ripple, height. The likelihood of a share has one hump;
        times a Gaussian it is narrower than either. Stated for one restlessness, as above."""
        spec = FloatSpec("a", -8.0, differential)
        physics = Physics.of(Geometry(16200.0), (spec,), None, Habits(wander=(0.12,)))
        bank = Bank.prior(physics)
        bank.see_level(physics.middle_mm(0) + away * spec.ripple_mm, sd)
        before = [row[i] for g in bank.members for i, row in enumerate(g.P)]
        share = physics.law(0, 0.0).share(away + off * min(1.0, sd / spec.ripple_mm))
        share = round(share * 20) / 20 if bare else share
        told = FloatTold("a", Told(share, 20 if bare else 600, 600.0, None), 20, 1)
        bank.absorb(Slice(0, (told,)), 1.4, 0.0)
        if bank.odds[0] > physics.base_odds:
            return
        after = [row[i] for g in bank.members for i, row in enumerate(g.P)]
        for i, (was, now) in enumerate(zip(before, after, strict=True)):
            assert now <= was * (1 + 1e-6), i

    @settings(max_examples=8, deadline=None)
    @given(st.integers(0, 10_000), st.sampled_from([1, 5]), st.integers(1, 12 * 60 - 1))
    def test_in_one_go_or_in_two_halves_with_a_restart_between_the_numbers_are_the_same(
        self, seed: int, every: int, cut: int
    ) -> None:
        events = night(seed, every, True, True)
        whole = play(MODEL, events, 12 * HOUR)
        state = play(MODEL, [e for e in events if e[0] <= cut * MIN], cut * MIN)
        state = Form(LevelState).read(Form(LevelState).text(state))
        again = LevelModel(MODEL.geometry, MODEL.physics.floats, MODEL.physics.gauge)
        for t, e in events:
            if t > cut * MIN:
                state = again.update(state, e, t)
        state = again.tick(state, 12 * HOUR)
        assert state == whole
        for window in ((HOUR, 12 * HOUR), (3 * HOUR, 9 * HOUR)):
            assert again.loss(state, *window) == MODEL.loss(whole, *window)

    @settings(max_examples=10, deadline=None)
    @given(st.integers(0, 10_000), st.integers(1, 11 * 60))
    def test_the_hour_at_which_a_pour_is_entered_makes_no_difference(
        self, seed: int, wait: int
    ) -> None:
        events = night(seed, 1, True, True)
        at = next(t for t, e in events if isinstance(e, Pour))
        late = min(12 * HOUR, at + wait * MIN)
        moved = sorted(
            ((late if isinstance(e, Pour) else t, e) for t, e in events), key=lambda p: p[0]
        )
        a, b = play(MODEL, events, 12 * HOUR), play(MODEL, moved, 12 * HOUR)
        assert MODEL.loss(a, 2 * HOUR, 12 * HOUR) == MODEL.loss(b, 2 * HOUR, 12 * HOUR)

    @settings(max_examples=15, deadline=None)
    @given(
        st.lists(
            st.one_of(
                st.builds(Gauge, st.integers(0, 20 * HOUR), st.floats(-300, 300)),
                st.builds(
                    Share,
                    st.just("low"),
                    st.integers(0, 20 * HOUR),
                    st.integers(0, 20 * HOUR),
                    st.floats(0, 1),
                    st.integers(1, 600),
                ),
                st.builds(
                    Pour, st.integers(0, 20 * HOUR), st.floats(-500, 3000), st.floats(-5, 50)
                ),
            ),
            max_size=60,
        )
    )
    def test_no_evidence_however_absurd_raises_or_gives_a_number_that_is_none(
        self, evidence: list[Evidence]
    ) -> None:
        state = MODEL.start(0)
        for k, e in enumerate(evidence):
            state = MODEL.update(state, e, k * 20 * MIN)
        state = MODEL.tick(state, 21 * HOUR)
        for answer in (
            MODEL.loss(state, HOUR, 11 * HOUR),
            MODEL.level_now(state),
            MODEL.rate_now(state),
            MODEL.to_fill_mark(state),
            MODEL.hours_to(state, -45.0),
        ):
            if isinstance(answer, Estimate):
                assert math.isfinite(answer.value)
                assert answer.low <= answer.value <= answer.high
            else:
                assert answer.reason
