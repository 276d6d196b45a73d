"""Probes that see the same water."""

from __future__ import annotations

import random
from collections.abc import Iterable

from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.rules.neighbours import Company, Terms, Verdict, agreement, seen
from stillwell.reading import Flag

TERMS = Terms(within=0.5, max_age_s=120.0, fastest_per_s=1.5 / 3600)
LSB = 1 / 16


def quantised(value: float) -> float:
    return round(value / LSB) * LSB


def watched(
    rows: Iterable[dict[str, float]], terms: Terms = TERMS, every_ms: int = 30_000
) -> list[Verdict]:
    """Verdicts after each row of values that came together."""
    company, verdicts, now_ms = Company(), [], 0
    for row in rows:
        now_ms += every_ms
        for channel, value in row.items():
            company, verdict = seen(company, terms, channel, value, now_ms)
        verdicts.append(verdict)
    return verdicts


def still_water(n: int, seed: int = 1) -> list[dict[str, float]]:
    """Both probes see the same water with a little noise of their own."""
    rng = random.Random(seed)
    return [{name: quantised(25.3 + rng.gauss(0, 0.04)) for name in ("a", "b")} for _ in range(n)]


class TestTwoProbes:
    def test_agree_up_to_and_including_the_difference_allowed(self) -> None:
        assert watched([{"a": 25.0, "b": 25.5}])[-1].flag is Flag.PASS
        assert watched([{"a": 25.0, "b": 25.5625}])[-1].apart

    def test_one_alone_is_not_evaluated(self) -> None:
        assert watched([{"a": 25.0}])[-1].flag is Flag.NOT_EVALUATED

    def test_an_old_value_is_not_compared(self) -> None:
        company, _ = seen(Company(), TERMS, "a", 25.0, 0)
        company, verdict = seen(company, TERMS, "b", 29.0, 120_001)
        assert verdict.flag is Flag.NOT_EVALUATED
        company, verdict = seen(company, TERMS, "a", 25.0, 120_002)
        assert verdict.apart

    def test_the_one_that_left_faster_than_water_can_is_named_and_stays_named(self) -> None:
        rows = still_water(60) + [{"a": 25.3, "b": 26.5}] * 600
        verdicts = watched(rows)
        assert verdicts[60].odd == "b"
        assert verdicts[60].because == "moved faster than the water can"
        assert verdicts[-1].odd == "b"  # five hours later, when the speed alone would not tell

    def test_the_one_that_has_become_noisy_is_named(self) -> None:
        rng = random.Random(3)
        noisy = [{**row, "b": quantised(25.3 + rng.gauss(0, 0.6))} for row in still_water(60, 2)]
        terms = Terms(within=0.5, max_age_s=120.0)
        apart = [v for v in watched(still_water(200) + noisy, terms)[200:] if v.apart]
        assert {v.odd for v in apart[5:]} == {"b"}
        assert apart[-1].because == "has become noisy"

    def test_the_one_that_stands_still_while_the_water_cools_is_named(self) -> None:
        rng = random.Random(4)
        cooling = [
            {"a": 25.3125, "b": quantised(25.3 - 0.4 * i / 120 + rng.gauss(0, 0.04))}
            for i in range(240)
        ]
        verdicts = watched(still_water(200) + cooling)
        apart = [v for v in verdicts[200:] if v.apart]
        assert apart
        assert {(v.odd, v.because) for v in apart} == {("a", "stands still")}

    def test_one_that_never_moved_is_not_called_still(self) -> None:
        # 9 bit probes step by 0.5 K: in steady water they say the same for days.
        terms = Terms(within=0.4, max_age_s=120.0)
        rows = [{"a": 25.0, "b": 25.0}] * 100 + [{"a": 25.0, "b": 25.5}] * 10
        assert "stands still" not in {v.because for v in watched(rows, terms)}

    def test_a_slow_drift_names_nobody(self) -> None:
        # 0.15 K a day, read each half hour: both move as they always did.
        rng = random.Random(5)
        rows = [
            {
                "a": quantised(25.3 + rng.gauss(0, 0.04)),
                "b": quantised(25.3 + 0.15 * i / 48 + rng.gauss(0, 0.04)),
            }
            for i in range(48 * 6)
        ]
        terms = Terms(within=0.5, max_age_s=7200.0, fastest_per_s=1.5 / 3600)
        verdicts = watched(rows, terms, every_ms=1_800_000)
        assert verdicts[-1].apart
        assert {v.odd for v in verdicts} == {""}

    def test_agreeing_again_clears_the_name(self) -> None:
        rows = still_water(60) + [{"a": 25.3, "b": 26.5}] * 3 + [{"a": 25.3, "b": 25.3}]
        assert watched(rows)[-1] == Verdict(Flag.PASS, 0.0)


class TestThreeProbes:
    def test_the_one_that_stands_alone_is_named(self) -> None:
        verdict = watched([{"a": 25.0, "b": 25.4, "c": 26.2}])[-1]
        assert (verdict.odd, verdict.because) == ("c", "stands alone")

    def test_evenly_spread_ones_name_nobody(self) -> None:
        verdict = watched([{"a": 25.0, "b": 25.5, "c": 26.0}])[-1]
        assert verdict.apart
        assert verdict.odd == ""

    def test_all_apart_name_nobody(self) -> None:
        assert watched([{"a": 23.0, "b": 25.0, "c": 27.0}])[-1].odd == ""


VALUES = st.dictionaries(st.sampled_from("abcd"), st.floats(20, 30), min_size=2)


class TestAnyProbes:
    @given(VALUES)
    def test_are_apart_exactly_when_their_range_is_too_wide(self, row: dict[str, float]) -> None:
        verdict = watched([row])[-1]
        assert verdict.apart == (max(row.values()) - min(row.values()) > TERMS.within)

    @given(st.lists(VALUES, min_size=1, max_size=10), st.randoms(use_true_random=False))
    def test_only_a_channel_that_is_there_is_named_and_only_when_apart(
        self, rows: list[dict[str, float]], rng: random.Random
    ) -> None:
        for verdict in watched(rows):
            assert verdict.odd in ("", *"abcd")
            assert verdict.apart or not verdict.odd
            assert bool(verdict.odd) == bool(verdict.because)

    @given(VALUES, st.permutations(list("abcd")))
    def test_the_order_of_the_channels_does_not_matter(
        self, row: dict[str, float], order: list[str]
    ) -> None:
        company = Company()
        for name in order:
            if name in row:
                company, _ = seen(company, TERMS, name, row[name], 0)
        there = agreement(company, TERMS, 0)
        company = Company()
        for name, value in row.items():
            company, _ = seen(company, TERMS, name, value, 0)
        assert agreement(company, TERMS, 0) == there
