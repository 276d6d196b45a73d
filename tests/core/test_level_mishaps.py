"""What goes wrong beside a tank, and what the level estimator makes of it: a sane number, or none
with a reason. "Sane" is stated in each test: the truth lies within the interval, or the number is
withheld."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable

from stillwell.estimate.answer import Estimate, NotEnough
from stillwell.estimate.level.evidence import Gauge, Pour, Share, WaterChange
from stillwell.estimate.level.geometry import FloatSpec, GaugeSpec
from stillwell.estimate.level.model import LevelModel
from tanks.level import CHAMBER, DAY, MIN, Event, H, Water, holds, number, play

RATE = 24.0
GAUGE = LevelModel(CHAMBER, gauge=GaugeSpec(0.5))
LOW = LevelModel(CHAMBER, (FloatSpec("low", -12.0, 0.0),))
BOTH = LevelModel(CHAMBER, (FloatSpec("low", -12.0, 0.0),), GaugeSpec(0.5))
WATCHED = LevelModel(CHAMBER, (FloatSpec("deep", -39.0, 2.0),), GaugeSpec(1.0, 1.0))


def level(t: float, pours: Iterable[tuple[int, float]] = ()) -> float:
    return Water(RATE, pours=pours).level(t)


def gauge(
    t0: int, t1: int, pours: Iterable[tuple[int, float]] = (), seed: int = 3, noise: float = 0.5
) -> list[Event]:
    return Water(RATE, pours=pours).gauge(t0, t1, noise, seed)


def shares(
    t0: int, t1: int, pours: Iterable[tuple[int, float]] = (), upside_down: bool = False
) -> list[Event]:
    return Water(RATE, pours=pours).float_("low", -12.0, t0, t1, upside_down=upside_down)


class TestPours:
    def test_nobody_noted_one_it_is_inferred_with_its_size(self) -> None:
        state = play(GAUGE, gauge(0, 12 * H, [(7 * H, 250.0)]), 12 * H)
        loss = number(GAUGE.loss(state, 2 * H, 12 * H))
        assert loss.low < 240.0 < loss.high
        (odd,) = GAUGE.oddities(state, 0, 12 * H)
        assert odd.kind == "unnoted pour"
        assert abs(odd.ml - 250.0) < 2 * odd.sd_ml + 5
        assert abs(odd.t_ms - 7 * H) <= 20 * MIN
        assert any(b.kind == "inferred pours" for b in loss.basis)

    def test_noted_twice_at_two_times_one_of_them_is_not_believed(self) -> None:
        real = [(7 * H, 250.0)]
        events = [*gauge(0, 14 * H, real), (7 * H, Pour(7 * H, 250.0, 5.0))]
        events.append((10 * H, Pour(10 * H, 250.0, 5.0)))
        state = play(GAUGE, events, 14 * H)
        loss = number(GAUGE.loss(state, 4 * H, 14 * H))
        assert loss.low < 240.0 < loss.high
        assert [o.kind for o in GAUGE.oddities(state, 0, 14 * H)] == ["pour not seen"]

    def test_told_twice_it_counts_once(self) -> None:
        pour = Pour(7 * H, 250.0, 5.0)
        once = play(GAUGE, [*gauge(0, 8 * H, [(7 * H, 250.0)]), (7 * H, pour)], 8 * H)
        assert GAUGE.update(once, pour, 8 * H) == once

    def test_with_the_wrong_sign_it_is_refused_and_inferred_instead(self) -> None:
        events = [*gauge(0, 12 * H, [(7 * H, 250.0)]), (7 * H, Pour(7 * H, -250.0, 5.0))]
        state = play(GAUGE, events, 12 * H)
        assert "minus" in state.refused[-1].reason
        assert number(GAUGE.loss(state, 2 * H, 12 * H)).low < 240.0
        assert [o.kind for o in GAUGE.oddities(state, 0, 12 * H)] == ["unnoted pour"]

    def test_in_the_wrong_unit_it_is_refused(self) -> None:
        state = GAUGE.update(GAUGE.start(0), Pour(H, 1_200_000.0, 5.0), H)
        assert "check the unit" in state.refused[-1].reason

    def test_noted_a_quarter_of_an_hour_off_it_is_found_where_the_level_rose(self) -> None:
        for off in (-25 * MIN, -13 * MIN, 13 * MIN, 25 * MIN):
            at = 7 * H
            events = [*gauge(0, 12 * H, [(at, 250.0)]), (at + off, Pour(at + off, 250.0, 5.0))]
            state = play(GAUGE, events, 12 * H)
            loss = number(GAUGE.loss(state, 2 * H, 12 * H))
            assert loss.low < 240.0 < loss.high, off
            assert GAUGE.oddities(state, 0, 12 * H) == (), off

    def test_during_a_gap_it_still_counts(self) -> None:
        real = [(6 * H, 250.0)]
        events = [*gauge(0, 4 * H, real), *gauge(8 * H, 12 * H, real)]
        events.append((12 * H, Pour(6 * H, 250.0, 5.0)))
        state = play(GAUGE, events, 12 * H)
        loss = number(GAUGE.loss(state, 2 * H, 12 * H))
        assert loss.low < 240.0 < loss.high
        assert loss.high - loss.low < 60

    def test_two_a_minute_apart_are_two(self) -> None:
        real = [(7 * H, 150.0), (7 * H + MIN, 150.0)]
        events = [*gauge(0, 12 * H, real), *((t, Pour(t, ml, 3.0)) for t, ml in real)]
        state = play(GAUGE, events, 12 * H)
        assert len(state.pours) == 2
        loss = number(GAUGE.loss(state, 2 * H, 12 * H))
        assert loss.low < 240.0 < loss.high
        assert GAUGE.oddities(state, 0, 12 * H) == ()

    def test_two_a_minute_apart_of_which_one_happened_are_one(self) -> None:
        real = [(7 * H, 250.0)]
        events = [*gauge(0, 12 * H, real), (7 * H, Pour(7 * H, 250.0, 5.0))]
        events.append((7 * H + MIN, Pour(7 * H + MIN, 250.0, 5.0)))
        state = play(GAUGE, events, 12 * H)
        loss = number(GAUGE.loss(state, 2 * H, 12 * H))
        assert loss.low < 240.0 < loss.high
        assert [o.kind for o in GAUGE.oddities(state, 0, 12 * H)] == ["pour not seen"]

    def test_a_pour_taken_back_is_as_if_it_had_never_been_noted(self) -> None:
        plain = play(GAUGE, gauge(0, 12 * H), 12 * H)
        wrong = Pour(7 * H, 250.0, 5.0)
        state = GAUGE.update(plain, wrong, 12 * H)
        back = GAUGE.retract(state, wrong)
        assert GAUGE.loss(back, 2 * H, 12 * H) == GAUGE.loss(plain, 2 * H, 12 * H)

    def test_from_before_what_is_remembered_or_from_the_future_it_is_refused(self) -> None:
        state = GAUGE.tick(GAUGE.start(DAY), 2 * DAY)
        early = GAUGE.update(state, Pour(H, 250.0, 5.0), 2 * DAY)
        assert "remembers" in early.refused[-1].reason
        later = GAUGE.update(state, Pour(3 * DAY, 250.0, 5.0), 2 * DAY)
        assert "future" in later.refused[-1].reason


class TestSensors:
    def test_a_gauge_unplugged_for_hours_widens_the_interval_and_keeps_the_truth(self) -> None:
        whole = play(GAUGE, gauge(0, 12 * H), 12 * H)
        gone = play(GAUGE, [*gauge(0, 4 * H), *gauge(9 * H, 12 * H)], 12 * H)
        a = number(GAUGE.loss(whole, 5 * H, 8 * H))
        b = GAUGE.loss(gone, 5 * H, 8 * H)
        assert holds(b, 72.0)
        assert number(b).high - number(b).low > a.high - a.low

    def test_unplugged_until_now_it_is_withheld_with_the_reason(self) -> None:
        state = play(GAUGE, gauge(0, 2 * H), 14 * H)
        answer = GAUGE.loss(state, 4 * H, 14 * H)
        assert isinstance(answer, NotEnough)
        assert "No level sensor was heard" in answer.reason

    def test_outliers_do_not_move_the_number(self) -> None:
        draw = random.Random(5)
        events: list[Event] = []
        for t, e in gauge(0, 12 * H):
            assert isinstance(e, Gauge)
            wild = draw.random() < 0.08
            events.append((t, Gauge(t, e.mm + draw.uniform(-80, 80)) if wild else e))
        clean = number(GAUGE.loss(play(GAUGE, gauge(0, 12 * H), 12 * H), 2 * H, 12 * H))
        dirty = number(GAUGE.loss(play(GAUGE, events, 12 * H), 2 * H, 12 * H))
        assert abs(dirty.value - clean.value) < 3.0

    def test_a_gauge_outside_the_chamber_is_refused(self) -> None:
        state = GAUGE.update(GAUGE.start(0), Gauge(H, 4000.0), H)
        assert "outside the chamber" in state.refused[-1].reason

    def test_a_float_upside_down_beside_a_gauge_is_distrusted_and_does_no_harm(self) -> None:
        real = [(11 * H, 250.0)]
        events = [*gauge(0, 24 * H, real), *shares(0, 24 * H, real, upside_down=True)]
        events.append((11 * H, Pour(11 * H, 250.0, 5.0)))
        state = play(BOTH, events, 24 * H)
        assert BOTH.distrusted(state) == ("low",)
        loss = number(BOTH.loss(state, 14 * H, 24 * H))
        assert loss.low < 240.0 < loss.high

    def test_a_lone_float_upside_down_gives_no_wrong_number(self) -> None:
        real = [(11 * H, 250.0), (22 * H, 250.0), (33 * H, 250.0)]
        events = shares(0, 44 * H, real, upside_down=True)
        events += [(t, Pour(t, ml, 5.0)) for t, ml in real]
        state = play(LOW, events, 44 * H)
        for start in (2, 12, 24, 33):
            assert holds(LOW.loss(state, start * H, (start + 10) * H), 240.0), start

    def test_a_stuck_float_is_outvoted_by_the_gauge(self) -> None:
        stuck: list[Event] = [
            (t, Share("low", t - MIN, t, 1.0, 60)) for t in range(MIN, 20 * H, MIN)
        ]
        state = play(BOTH, [*gauge(0, 20 * H), *stuck], 20 * H)
        loss = number(BOTH.loss(state, 10 * H, 20 * H))
        assert loss.low < 240.0 < loss.high
        assert BOTH.distrusted(state) == ("low",)

    def test_a_chamber_emptied_and_filled_that_nobody_noted_is_no_fault_of_theirs(self) -> None:
        pours = [(k * DAY, RATE * 24) for k in (1, 2, 3)]
        begin, end, last = 3 * DAY + 65 * MIN, 3 * DAY + 94 * MIN, 3 * DAY + 8 * H
        draw = random.Random(11)
        strays = {t: draw.gauss(0, 0.5) for t in range(MIN, last, MIN)}

        def seen(since: int, until: int, below_mm: float = 0.0, off_mm: float = 0.0) -> list[Event]:
            """The keeper fills up to `off_mm` above where it was."""
            events: list[Event] = [(t, Pour(t, ml, 5.0)) for t, ml in pours if since <= t < until]
            for t in range(since, until, MIN):
                mm = level(t, pours) + (off_mm if t >= end else 0.0)
                mm -= below_mm if begin <= t < end else 0.0
                events.append((t, Gauge(t, round(mm + strays[t]))))
                events.append((t, Share("deep", t - MIN, t, float(mm > -40.0), 60)))
            return sorted(events, key=lambda pair: pair[0])

        before = WATCHED.start(0)
        for t, e in seen(MIN, begin):
            before = WATCHED.update(before, e, t)
        for below_mm, off_mm in ((60.0, 0.0), (100.0, 1.5), (140.0, 0.0), (140.0, 1.5)):
            state = before
            for t, e in seen(begin, last, below_mm, off_mm):
                state = WATCHED.update(state, e, t)
                if t - 3 * DAY in (90 * MIN, 2 * H, 4 * H, 7 * H):
                    assert WATCHED.distrusted(state) == (), (below_mm, off_mm, (t - begin) / H)
            kinds = [o.kind for o in WATCHED.oddities(state, 3 * DAY, last)]
            assert kinds == ["drain", "unnoted pour"]

    def test_readings_told_twice_count_once(self) -> None:
        events = [*gauge(0, 3 * H), *shares(0, 3 * H)]
        once = play(BOTH, events, 3 * H)
        twice = play(BOTH, [e for e in events for _ in range(2)], 3 * H)
        assert twice.slices == once.slices
        assert "told before" in twice.refused[-1].reason
        assert once.refused == ()

    def test_an_unknown_float_and_an_impossible_share_are_refused(self) -> None:
        state = LOW.update(LOW.start(0), Share("other", 0, MIN, 0.5, 60), MIN)
        assert "no float other" in state.refused[-1].reason
        state = LOW.update(state, Share("low", 0, MIN, 1.5, 60), MIN)
        assert "not a share" in state.refused[-1].reason
        state = LOW.update(state, Share("low", 0, MIN, math.nan, 60), MIN)
        assert "not a share" in state.refused[-1].reason
        state = GAUGE.update(GAUGE.start(0), Gauge(MIN, math.nan), MIN)
        assert "outside" in state.refused[-1].reason


class TestTime:
    def test_a_clock_set_back_in_the_night_loses_readings_and_nothing_else(self) -> None:
        good = gauge(0, 12 * H)
        state = GAUGE.start(0)
        for t, e in good:
            state = GAUGE.update(state, e, t)
            if t == 6 * H:
                # an hour of readings stamped by a clock that had been set back two hours
                for k in range(60):
                    old = t - 2 * H + k * MIN
                    state = GAUGE.update(state, Gauge(old, level(old)), old)
                assert "too late" in state.refused[-1].reason
        loss = number(GAUGE.loss(state, 2 * H, 12 * H))
        plain = number(GAUGE.loss(play(GAUGE, good, 12 * H), 2 * H, 12 * H))
        assert loss == plain

    def test_a_reading_from_the_future_is_refused(self) -> None:
        state = GAUGE.update(GAUGE.start(0), Gauge(30 * DAY, -3.0), H)
        assert "future" in state.refused[-1].reason
        assert state.now_ms == H

    def test_thirty_days_away_give_a_sane_answer_or_none(self) -> None:
        away = 30 * DAY
        back = [(t + away, e) for t, e in gauge(0, 12 * H)]
        events: list[Event] = [*gauge(0, 12 * H)]
        for t, e in back:
            assert isinstance(e, Gauge)
            events.append((t, Gauge(t, e.mm)))
        state = play(GAUGE, events, away + 12 * H)
        loss = number(GAUGE.loss(state, away + 2 * H, away + 12 * H))
        assert loss.low < 240.0 < loss.high
        assert isinstance(GAUGE.loss(state, away - 10 * DAY, away - 9 * DAY), NotEnough)
        assert len(state.slices) < 200

    def test_thirty_days_of_floats_that_nobody_tops_up_end_in_silence_not_in_numbers(self) -> None:
        events: list[Event] = [
            (t, Share("low", t - 30 * MIN, t, 1.0 if t < 8 * H else 0.0, 1800))
            for t in range(30 * MIN, 20 * DAY, 30 * MIN)
        ]
        state = play(LOW, events, 20 * DAY)
        assert isinstance(LOW.loss(state, 19 * DAY, 19 * DAY + 10 * H), NotEnough)
        assert isinstance(LOW.level_now(state), NotEnough)

    def test_a_water_change_without_an_end_mutes_the_level_until_it_ends(self) -> None:
        events: list[Event] = [*gauge(0, 12 * H), (6 * H, WaterChange(6 * H, None))]
        state = play(GAUGE, events, 12 * H)
        assert isinstance(GAUGE.level_now(state), NotEnough)
        ended = GAUGE.update(state, WaterChange(6 * H, 7 * H), 12 * H)
        assert isinstance(GAUGE.level_now(ended), Estimate)
        assert len(ended.pauses) == 1


class TestLowWater:
    def test_seen_below_the_lowest_safe_level_has_no_number(self) -> None:
        """The pump draws air there, and what goes then goes from the tank."""
        lowest = CHAMBER.lowest_safe_mm
        for above, has_number in ((3.0, True), (-1.2, False)):
            down = (lowest + above - level(12 * H)) / CHAMBER.mm_per_ml
            state = play(GAUGE, gauge(0, 12 * H, [(0, down)]), 12 * H)
            loss = GAUGE.loss(state, 2 * H, 12 * H)
            assert isinstance(loss, Estimate) is has_number
            if isinstance(loss, NotEnough):
                assert "below the lowest safe level" in loss.reason
