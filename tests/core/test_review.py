"""The night's figures, from readings made by hand: values by arithmetic, edges by example, the rest
by invariants."""

from __future__ import annotations

import datetime as dt
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from in_words import said
from stillwell.notice import Message, Priority, State, Transition
from stillwell.reading import Flag, Moment, Reading
from stillwell.review import (
    AlarmNight,
    BandPlan,
    Review,
    alarm_nights,
    band_night,
    channel_night,
    measurand,
    oddities,
)

PLAN = BandPlan("water", ("water-a", "water-b"), 24.8, 25.8, "Cel", stale_ms=180_000)
START = 1_768_428_000_000
MINUTE = 60_000
END = START + 600 * MINUTE


def reading(
    minute: float, value: float | None, channel: str = "water-a", flag: Flag = Flag.PASS
) -> Reading:
    ms = round(minute * MINUTE)
    return Reading(channel, Moment(ms, START + ms, 1), value, flag)


class TestMeasurand:
    def test_is_the_median_of_the_channels_that_are_fresh(self) -> None:
        readings = [
            reading(0, 25.0, "water-a"),
            reading(0, 26.0, "water-b"),
            reading(1, 25.2, "water-a"),
            reading(5, 25.4, "water-a"),  # water-b has been silent for five minutes
        ]
        assert [value for _, value in measurand(readings, 180_000)] == pytest.approx(
            [25.0, 25.5, 25.6, 25.4]
        )

    @pytest.mark.parametrize("flag", [Flag.FAIL, Flag.MISSING])
    def test_knows_no_reading_that_is_not_healthy(self, flag: Flag) -> None:
        assert list(measurand([reading(0, 85.0, flag=flag)], 180_000)) == []
        assert list(measurand([reading(0, None)], 180_000)) == []

    def test_takes_suspect_and_unjudged_ones(self) -> None:
        both = [reading(0, 25.0, flag=Flag.SUSPECT), reading(1, 25.1, flag=Flag.NOT_EVALUATED)]
        assert [value for _, value in measurand(both, 180_000)] == [25.0, 25.1]


class TestBandNight:
    def test_a_value_holds_until_the_next(self) -> None:
        night = band_night(PLAN, [reading(0, 24.0), reading(2, 25.0), reading(3, 26.0)], START, END)
        assert (night.below_s, night.above_s) == (120, 180)  # the last one for the stale time
        assert night.seen_s == 120 + 60 + 180
        assert night.mean == pytest.approx((24 * 120 + 25 * 60 + 26 * 180) / 360)
        assert (night.lowest, night.highest) == (24.0, 26.0)

    def test_a_gap_counts_neither_as_inside_nor_as_outside(self) -> None:
        night = band_night(PLAN, [reading(0, 24.0), reading(300, 24.0)], START, END)
        assert night.below_s == 2 * 180
        assert night.seen_s == 2 * 180

    def test_the_limit_itself_is_inside(self) -> None:
        night = band_night(PLAN, [reading(0, 24.8), reading(1, 25.8)], START, END)
        assert (night.below_s, night.above_s) == (0, 0)

    def test_the_night_ends_where_it_ends(self) -> None:
        night = band_night(PLAN, [reading(599, 24.0)], START, END)
        assert night.seen_s == 60

    def test_nothing_seen_has_no_values(self) -> None:
        night = band_night(PLAN, [], START, END)
        assert (night.lowest, night.highest, night.mean) == (None, None, None)
        assert (night.seen_s, night.night_s) == (0, 36_000)

    @given(
        st.lists(
            st.tuples(
                st.floats(0, 599.9),
                st.floats(15, 35),
                st.sampled_from(["water-a", "water-b"]),
                st.sampled_from(list(Flag)),
            ),
            max_size=40,
        )
    )
    def test_time_adds_up_and_the_mean_lies_between(
        self, rows: list[tuple[float, float, str, Flag]]
    ) -> None:
        night = band_night(
            PLAN,
            [reading(m, v, c, f) for m, v, c, f in sorted(rows, key=lambda r: r[0])],
            START,
            END,
        )
        assert 0 <= night.below_s + night.above_s <= night.seen_s + 1e-6
        assert night.seen_s <= night.night_s
        if night.mean is not None:
            assert night.lowest is not None
            assert night.highest is not None
            assert night.lowest - 1e-9 <= night.mean <= night.highest + 1e-9

    @given(st.lists(st.floats(15, 35), min_size=1, max_size=50), st.integers(1, 49))
    def test_a_reading_that_repeats_the_last_changes_no_sum(
        self, values: list[float], at: int
    ) -> None:
        once = [reading(n, value) for n, value in enumerate(values)]
        k = min(at, len(values)) - 1
        twice = [*once[: k + 1], reading(k + 0.5, values[k]), *once[k + 1 :]]
        one, two = (
            band_night(PLAN, rows, START, START + len(values) * MINUTE) for rows in (once, twice)
        )
        assert two.below_s == pytest.approx(one.below_s)
        assert two.above_s == pytest.approx(one.above_s)
        assert two.mean == pytest.approx(one.mean)


class TestChannelNight:
    def test_counts_good_readings_and_the_longest_gap(self) -> None:
        rows = [
            reading(10, 25.0),
            reading(20, None, flag=Flag.MISSING),
            reading(30, 85.0, flag=Flag.FAIL),
            reading(500, 25.4),
        ]
        night = channel_night("water-a", rows, START, END)
        assert (night.readings, night.good) == (4, 2)
        assert (night.lowest, night.highest, night.last) == (25.0, 25.4, 25.4)
        assert night.longest_gap_s == 490 * 60

    def test_silence_at_either_end_is_a_gap_too(self) -> None:
        assert channel_night("x", [reading(599, 1.0)], START, END).longest_gap_s == 599 * 60
        assert channel_night("x", [reading(1, 1.0)], START, END).longest_gap_s == 599 * 60
        assert channel_night("x", [], START, END).longest_gap_s == 36_000


def transition(
    minute: float,
    event: str,
    before: State,
    after: State,
    alarm: str = "water.low",
    priority: Priority = Priority.HIGH,
) -> Transition:
    moment = Moment(0, START + round(minute * MINUTE), 1)
    active = event not in ("clear", "reset")
    what = f"{alarm} {event}."
    return Transition(
        alarm, moment, before, after, event, priority, active, Message(what, do="Look."), moment
    )


def raised(minute: float, alarm: str = "water.low", **more: Priority) -> Transition:
    return transition(minute, "raise", State.NORMAL, State.UNACKNOWLEDGED, alarm, **more)


def cleared(minute: float, alarm: str = "water.low") -> Transition:
    return transition(minute, "clear", State.UNACKNOWLEDGED, State.RETURNED, alarm)


def one(rows: list[Transition], before: list[Transition] | None = None) -> AlarmNight:
    [found] = alarm_nights(rows, before or [], END, said)
    return found


class TestAlarmNights:
    def test_raised_and_returned_within_the_night(self) -> None:
        night = one([raised(60), cleared(90)])
        assert (night.raised, night.raised_ms) == (1, START + 60 * MINUTE)
        assert night.returned_ms == START + 90 * MINUTE
        assert night.state is State.RETURNED
        assert night.what == "water.low raise."
        assert night.text == "water.low raise. Look."

    def test_one_that_stood_before_and_never_moved_is_there(self) -> None:
        night = one([], [raised(-300)])
        assert (night.raised, night.raised_ms, night.returned_ms) == (0, None, None)
        assert night.state is State.UNACKNOWLEDGED

    def test_one_that_stood_before_and_returned_is_there(self) -> None:
        night = one([cleared(30)], [raised(-300)])
        assert (night.raised_ms, night.returned_ms) == (None, START + 30 * MINUTE)

    def test_one_that_stood_before_is_known_from_its_first_move_alone(self) -> None:
        # A re-based clock can hide the raise from the look before the night.
        assert one([cleared(30)]).raised_ms is None

    def test_one_that_was_over_before_is_not(self) -> None:
        assert alarm_nights([], [cleared(-30)], END, said) == ()

    def test_acknowledging_what_is_over_makes_no_alarm_of_the_night(self) -> None:
        ack = transition(10, "acknowledge", State.RETURNED, State.NORMAL)
        assert alarm_nights([ack], [cleared(-30)], END, said) == ()

    def test_raised_again_is_counted_and_stands(self) -> None:
        night = one([raised(10), cleared(20), raised(30)])
        assert night.raised == 2
        assert night.returned_ms is None

    def test_a_mere_consequence_is_not_told(self) -> None:
        hidden = transition(10, "raise", State.NORMAL, State.SUPPRESSED, "water-a.silent")
        assert [n.name for n in alarm_nights([raised(9), hidden], [], END, said)] == ["water.low"]

    def test_the_worst_comes_first(self) -> None:
        rows = [raised(1, "a", priority=Priority.LOW), raised(2, "b"), raised(3, "c")]
        assert [n.name for n in alarm_nights(rows, [], END, said)] == ["b", "c", "a"]


class TestOddities:
    def test_a_complete_night_has_none(self) -> None:
        rows = [reading(n, 25.3) for n in range(600)]
        bands = [band_night(PLAN, rows, START, END)]
        assert oddities(bands, [channel_night("water-a", rows, START, END)]) == ()

    def test_what_was_not_seen_or_not_good_is_said(self) -> None:
        half = [reading(n, 25.3) for n in range(300)]
        bad = [reading(n, 85.0, flag=Flag.FAIL) for n in range(100)]
        said = oddities(
            [band_night(PLAN, half, START, END), band_night(PLAN, bad, START, END)],
            [channel_night("water-b", bad, START, END), channel_night("room", [], START, END)],
        )
        assert said == (
            "water was not seen for 50% of the night.",
            "Nothing was seen of water all night.",
            "water-b: 100 of 100 readings were not good.",
            "room said nothing all night.",
        )


class TestForPrograms:
    def test_is_json_with_times_in_utc(self) -> None:
        alarms = alarm_nights([raised(60)], [], END, said)
        made = Review(dt.date(2026, 1, 14), START, END, (), (), alarms, ("odd",))
        back = json.loads(json.dumps(made.as_dict(), allow_nan=False))
        assert (back["night"], back["start"]) == ("2026-01-14", "2026-01-14T22:00:00Z")
        [alarm] = back["alarms"]
        assert (alarm["raised_at"], alarm["returned_at"]) == ("2026-01-14T23:00:00Z", None)
        assert alarm["state"] == "unacknowledged"
