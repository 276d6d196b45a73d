"""What people read: titles, texts and notices."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillwell.alarm.notices import LONGEST_TITLE, notices, title
from stillwell.alarm.rules.agreement import Agreement
from stillwell.alarm.rules.band import Band
from stillwell.alarm.rules.discrepancy import Discrepancy
from stillwell.alarm.rules.missing import ChannelWatch, Kind
from stillwell.alarm.rules.rate import Slope
from stillwell.alarm.wording import Sightings, Wording
from stillwell.notice import Message, Priority, State, Transition
from stillwell.reading import Moment, Quantity

T = Quantity.TEMPERATURE
NOW = Moment(36_000_000, 1_793_930_400_000, 4)
"""Friday, 6 November 2026, 02:00 in Dublin."""

WATER = Band("water", ("a", "b"), 24.8, 25.8, 25.3, 0.1, 300, 300, Priority.HIGH, rate_per_h=1.5)
FALLING = Slope(-0.6, -0.7, -0.5, 24.31, -0.55, NOW.mono_ms - 3_300_000, NOW.mono_ms - 3_000_000)
WORDS = Wording("Europe/Dublin", "metric")
US = Wording("America/Los_Angeles", "us")
PROBE = ChannelWatch("water-a", "probes", T, 180, "probe A, behind the pump")


def ago(minutes: int) -> Moment:
    return Moment(NOW.mono_ms - minutes * 60_000, NOW.utc_ms - minutes * 60_000, 4)


def cold(words: Wording = WORDS, slope: Slope | None = FALLING) -> Message:
    return words.outside(WATER, T, True, Sightings(24.31, slope, 24.31), ago(20), NOW)


class TestBandTexts:
    def test_the_first_sentence_says_value_limit_and_since_when(self) -> None:
        assert title(cold().what) == "Water 24.3 °C and falling, below 24.8 °C since 01:40"

    def test_then_the_rate_since_when_and_where_it_leads(self) -> None:
        assert cold().what.endswith(
            "Falling 0.6 °C an hour since 01:10; at this rate 23.8 °C about 02:50 (02:45 to 03:00)."
        )

    def test_names_the_likeliest_cause_the_deed_and_the_caution(self) -> None:
        message = cold()
        assert "heater is not heating" in message.likely
        assert "under water" in message.do
        assert "Unplug heater and pump before you reach in" in message.caution
        assert "dry hands" in message.caution
        assert "RCD (GFCI)" in message.caution

    def test_heat_advises_a_fan_with_a_drip_loop(self) -> None:
        message = WORDS.outside(WATER, T, False, Sightings(26.4, None), ago(20), NOW)
        assert title(message.what) == "Water 26.4 °C, above 25.8 °C since 01:40"
        assert "drip loop" in message.caution

    def test_without_a_slope_there_is_no_rate_and_no_forecast(self) -> None:
        assert cold(slope=None).what == "Water 24.3 °C, below 24.8 °C since 01:40."

    def test_a_slope_that_may_be_none_is_not_told(self) -> None:
        thin = replace(FALLING, high=0.1)
        assert cold(slope=thin).what == "Water 24.3 °C, below 24.8 °C since 01:40."

    def test_on_the_way_back_it_says_when_it_is_in_its_band_again(self) -> None:
        rising = replace(FALLING, per_h=0.6, low=0.5, high=0.7, certain_per_h=0.55)
        assert "Rising 0.6 °C an hour since 01:10; at this rate 24.8 °C about 02:50" in (
            cold(slope=rising).what
        )

    def test_uses_the_keepers_units_and_zone(self) -> None:
        what = cold(US).what
        assert title(what) == "Water 75.8 °F and falling, below 76.6 °F since 17:40"
        assert "Falling 1.1 °F an hour" in what
        assert "°C" not in what

    def test_shows_enough_digits_to_tell_value_and_limit_apart(self) -> None:
        message = WORDS.outside(WATER, T, True, Sightings(24.78, None), ago(5), NOW)
        assert "24.78 °C, below 24.80 °C" in message.what

    def test_says_for_how_long_while_the_clock_is_not_set(self) -> None:
        boot = Moment(1_200_000, 1_200_000, 1)
        message = WORDS.outside(WATER, T, True, Sightings(24.3, None), Moment(0, 0, 1), boot)
        assert message.what == "Water 24.3 °C, below 24.8 °C for 20 min."

    def test_names_the_day_of_an_older_beginning(self) -> None:
        assert WORDS.since(ago(60 * 30), NOW) == "since Wed 20:00"
        assert WORDS.since(ago(60 * 24 * 9), NOW) == "since 28 Oct 02:00"
        assert WORDS.since(ago(60 * 3), NOW) == "since 23:00"

    def test_a_return_tells_how_long_and_how_far(self) -> None:
        message = WORDS.inside(WATER, T, True, Sightings(25.0, None, 23.9), ago(70), NOW)
        assert message.what == (
            "Water 25.0 °C, back in its band. "
            "It was below 24.8 °C from 00:50 on, 1 h 10 min in all, lowest 23.9 °C."
        )

    def test_a_rate_says_when_the_band_is_left(self) -> None:
        fast = Slope(-1.8, -2.0, -1.6, 25.2, -1.7, NOW.mono_ms - 3_300_000, NOW.mono_ms - 3_000_000)
        message = WORDS.racing(WATER, T, Sightings(25.2, fast), NOW)
        assert title(message.what) == "Water 25.2 °C, falling 1.8 °C an hour, more than 1.5 °C"
        assert message.what.endswith(
            " So since 01:10; at this rate it leaves its band, 24.8 °C, in 13 min: "
            "about 02:13 (02:12 to 02:15)."
        )

    def test_a_rate_is_told_once(self) -> None:
        fast = Slope(-1.8, -2.0, -1.6, 24.2, -1.7, NOW.mono_ms - 1_980_000, None)
        what = WORDS.racing(WATER, T, Sightings(24.2, fast), NOW).what
        assert what == (
            "Water 24.2 °C, falling 1.8 °C an hour, more than 1.5 °C. So over the last 33 min."
        )

    def test_a_forecast_needs_no_clock(self) -> None:
        boot = Moment(7_200_000, 7_200_000, 1)
        fast = Slope(-1.8, -2.0, -1.6, 25.2, -1.7, boot.mono_ms - 3_300_000, None)
        racing = WORDS.racing(WATER, T, Sightings(25.2, fast), boot)
        assert racing.what.endswith("at this rate it leaves its band, 24.8 °C, in 13 min.")
        outside = WORDS.outside(WATER, T, True, Sightings(24.31, fast), boot, boot)
        assert "at this rate 23.8 °C in about 17 min (15 min to 19 min)." in outside.what

    def test_a_forecast_without_a_spread_names_one_time(self) -> None:
        sharp = Slope(-2.4, -2.4, -2.4, 24.31, -2.4, 0, None)
        assert "; at this rate 23.8 °C about 02:13." in cold(slope=sharp).what

    def test_a_forecast_that_may_be_far_off_says_not_before(self) -> None:
        vague = replace(FALLING, high=-0.01)
        assert "at this rate 23.8 °C about 02:50 (not before 02:45)." in cold(slope=vague).what

    def test_a_room_gets_no_advice_about_heaters_in_water(self) -> None:
        room = replace(WATER, name="room", of_water=False)
        message = WORDS.outside(room, T, True, Sightings(15.0, None), ago(5), NOW)
        assert "heater" not in str(message)

    def test_blindness_is_called_that_and_says_why(self) -> None:
        message = WORDS.unseen(WATER, T, {"Probe A": "stuck", "Probe B": "no reading"}, ago(8), NOW)
        assert title(message.what) == "Can't see the water: no usable temperature since 01:52"
        assert message.likely == "Probe A: stuck; Probe B: no reading."
        assert "another thermometer" in message.do


class TestSensorTexts:
    def test_silence_names_the_sensor_and_the_time(self) -> None:
        message = WORDS.trouble(PROBE, Kind.SILENT, "", ago(3), True, NOW)
        assert title(message.what) == "Probe A, behind the pump: no reading since 01:57"
        assert "Another channel still shows the water" in message.what

    def test_a_fault_names_what_is_wrong_with_the_answers(self) -> None:
        message = WORDS.trouble(PROBE, Kind.FAULT, "crc,power-on", ago(3), False, NOW)
        assert "nothing usable since 01:57 (crc, power-on)." in message.what

    def test_two_probes_apart_give_both_values(self) -> None:
        channels = {"a": PROBE, "b": replace(PROBE, name="b", label="probe B")}
        message = WORDS.apart(
            Agreement("water", ("a", "b"), 0.5), {"a": 25.3, "b": 26.1}, channels, ago(15), NOW
        )
        assert "0.8 °C apart since 01:45, more than 0.5 °C." in message.what
        assert "25.3 °C" in message.what
        assert "26.1 °C" in message.what

    def test_a_float_says_what_the_keeper_wanted_said(self) -> None:
        rule = Discrepancy("top-up", "low", False, 0, 0, Priority.MEDIUM, "Top up to the mark.")
        channel = ChannelWatch("low", "floats", Quantity.FLOAT, 180, "the low float")
        message = WORDS.wrong_state(rule, channel, ago(30), NOW)
        assert message.what == "Top up: water below the low float since 01:30."
        assert message.do == "Top up to the mark."

    @pytest.mark.parametrize(
        ("above", "first", "then"),
        [
            (
                True,
                "whether the pump runs. If it stands, get it going and take no",
                " If it runs: ",
            ),
            (False, "that the pump runs, that water comes back", " before you pour. Then: "),
        ],
    )
    def test_a_float_in_the_chamber_orders_no_water_before_the_pump_was_looked_at(
        self, above: bool, first: str, then: str
    ) -> None:
        says = "Take water out." if above else "Top up."
        rule = Discrepancy("full", "high", above, 0, 0, Priority.MEDIUM, says, in_chamber=True)
        channel = ChannelWatch("high", "floats", Quantity.FLOAT, 180, "the high float")
        message = WORDS.wrong_state(rule, channel, ago(30), NOW)
        assert message.do.startswith(f"First see {first}")
        assert message.do.endswith(then + says)

    def test_a_switch_is_on_or_off(self) -> None:
        rule = Discrepancy("pump-off", "pump", False, 0, 0, Priority.HIGH)
        channel = ChannelWatch("pump", "relay", Quantity.SWITCH, 180, "the return pump")
        assert WORDS.wrong_state(rule, channel, ago(1), NOW).what == (
            "Pump off: the return pump is off since 01:59."
        )


class TestTitle:
    @given(st.text(max_size=400), st.sampled_from(["", "Worse: "]))
    def test_is_one_line_of_at_most_eighty_characters(self, what: str, before: str) -> None:
        line = title(what, before)
        assert len(line) <= LONGEST_TITLE
        assert len(line.splitlines()) <= 1

    def test_is_cut_between_words(self) -> None:
        line = title("A " + "long " * 30)
        assert line.endswith(" long…")
        assert len(line) <= 80

    def test_ends_with_the_first_sentence_and_not_at_a_decimal_point(self) -> None:
        assert title("Water 24.3 °C. More.") == "Water 24.3 °C"


def row(before: State, after: State, event: str, priority: Priority = Priority.HIGH) -> Transition:
    return Transition(
        "water.low", NOW, before, after, event, priority, True, cold(), ago(20), shelved_for_ms=0
    )


class TestNotices:
    @pytest.mark.parametrize(
        ("before", "after", "event", "kind"),
        [
            (State.NORMAL, State.UNACKNOWLEDGED, "raise", "raised"),
            (State.RETURNED, State.UNACKNOWLEDGED, "raise", "raised"),
            (State.LATCHED_ACKNOWLEDGED, State.UNACKNOWLEDGED, "raise", "raised"),
            (State.SHELVED, State.UNACKNOWLEDGED, "shelf-ended", "raised"),
            (State.SUPPRESSED, State.UNACKNOWLEDGED, "unsuppress", "raised"),
            (State.OUT_OF_SERVICE, State.UNACKNOWLEDGED, "return-to-service", "raised"),
            (State.UNACKNOWLEDGED, State.UNACKNOWLEDGED, "priority", "worse"),
            (State.ACKNOWLEDGED, State.UNACKNOWLEDGED, "priority", "worse"),
            (State.UNACKNOWLEDGED, State.RETURNED, "clear", "returned"),
            (State.ACKNOWLEDGED, State.NORMAL, "clear", "returned"),
            (State.UNACKNOWLEDGED, State.LATCHED, "clear", "returned"),
            (State.ACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED, "clear", "returned"),
            (State.UNACKNOWLEDGED, State.ACKNOWLEDGED, "acknowledge", None),
            (State.RETURNED, State.NORMAL, "acknowledge", None),
            (State.UNACKNOWLEDGED, State.SHELVED, "shelve", None),
            (State.SHELVED, State.SHELVED, "raise", None),
            (State.SHELVED, State.SHELVED, "clear", None),
            (State.SUPPRESSED, State.SUPPRESSED, "priority", None),
            (State.UNACKNOWLEDGED, State.SUPPRESSED, "suppress", None),
            (State.NORMAL, State.SUPPRESSED, "raise", None),
            (State.SUPPRESSED, State.NORMAL, "unsuppress", None),
            (State.LATCHED_ACKNOWLEDGED, State.NORMAL, "reset", None),
            (State.UNACKNOWLEDGED, State.NORMAL, "removed", None),
        ],
    )
    def test_what_is_told(self, before: State, after: State, event: str, kind: str | None) -> None:
        assert [n.kind for n in notices(row(before, after, event))] == ([kind] if kind else [])

    def test_the_same_transition_has_the_same_key_though_its_wall_time_is_put_right(self) -> None:
        first = row(State.NORMAL, State.UNACKNOWLEDGED, "raise")
        later = replace(first, moment=NOW._replace(utc_ms=NOW.utc_ms + 10**9))
        assert notices(first)[0].key == notices(later)[0].key

    def test_another_transition_has_another_key(self) -> None:
        first = row(State.NORMAL, State.UNACKNOWLEDGED, "raise")
        others = [
            replace(first, moment=NOW._replace(mono_ms=1)),
            replace(first, moment=NOW._replace(epoch=9)),
            replace(first, alarm="water.high"),
            replace(first, event="priority"),
            row(State.UNACKNOWLEDGED, State.RETURNED, "clear"),
        ]
        assert len({notices(t)[0].key for t in [first, *others]}) == 6

    def test_the_text_ends_with_the_alarms_name_to_answer_to(self) -> None:
        [notice] = notices(row(State.NORMAL, State.UNACKNOWLEDGED, "raise"))
        assert notice.text.splitlines()[-1] == "(water.low, high priority)"
        assert notice.title == "Water 24.3 °C and falling, below 24.8 °C since 01:40"

    def test_worse_says_so_first(self) -> None:
        [notice] = notices(row(State.ACKNOWLEDGED, State.UNACKNOWLEDGED, "priority"))
        assert notice.title.startswith("Worse: Water 24.3 °C")
