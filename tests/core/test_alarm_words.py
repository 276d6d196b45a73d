"""What people read of bands and sensors, and which changes become notices."""

from __future__ import annotations

from dataclasses import replace

import pytest

from in_words import told
from stillwell.alarm.notices import notices
from stillwell.alarm.rules.agreement import Apart
from stillwell.alarm.rules.band import BackInBand, Course, OutsideBand, Racing, Unseen
from stillwell.alarm.rules.discrepancy import InState
from stillwell.alarm.rules.forecast import Forecast
from stillwell.alarm.rules.missing import Kind, NotRead
from stillwell.finding import Finding
from stillwell.notice import Facts, Priority, Said, State, Transition
from stillwell.reading import Moment, Quantity
from stillwell.units import System
from stillwell.words import Reader

T = Quantity.TEMPERATURE
NOW = Moment(36_000_000, 1_793_930_400_000, 4)
"""Friday, 6 November 2026, 02:00 in Dublin."""
HERE, AWAY = Reader("Europe/Dublin"), Reader("America/Los_Angeles", System.US)
BOOT = Moment(1_200_000, 1_200_000, 1)


def ago(minutes: int) -> Moment:
    return Moment(NOW.mono_ms - minutes * 60_000, NOW.utc_ms - minutes * 60_000, 4)


FALLING = Course(-0.6, 3300.0, ago(50).utc_ms)
SOON = Forecast(23.8, 3000.0, 2600.0, 3600.0)
COLD = OutsideBand("Water", T, True, 24.31, NOW.utc_ms, True, 24.8, FALLING, SOON)
WARM = replace(COLD, value=26.4, low=False, limit=25.8, course=None, ahead=None)
RACES = Racing("Water", T, True, 25.2, NOW.utc_ms, replace(FALLING, per_h=-1.8), 1.5, None)
FULL = InState("full", "the high float", True, True, "Take water out.", True)


def said(
    facts: Facts,
    since: Moment | None = None,
    now: Moment = NOW,
    reader: Reader = HERE,
    over: bool = False,
) -> Said:
    finding = Finding("water.low", not over, Priority.HIGH, facts, since or ago(20))
    return reader.finding(finding, now)


class TestBands:
    def test_title_has_the_figure_and_its_way(self) -> None:
        assert said(COLD).title == "Water too cold: 24.3 °C, falling."
        assert said(WARM).title == "Water too warm: 26.4 °C."
        level = replace(COLD, called="Chamber", quantity=Quantity.LEVEL, value=-41.0, limit=-40.0)
        assert said(level).title.startswith("Chamber too low: -41.0 mm")

    def test_what_was_seen_is_limit_rate_and_where_it_leads(self) -> None:
        assert said(COLD).seen == (
            "Below 24.8 °C since 01:40. Falling 0.6 °C an hour since 01:10; at this rate 23.8 °C "
            "about 02:50 (02:45 to 03:00)."
        )

    def test_cause_follows_the_way_it_goes(self) -> None:
        assert "heater does not heat" in said(COLD).why
        rising = replace(COLD, course=replace(FALLING, per_h=0.6))
        assert "room is too cold for it" in said(rising).why
        assert "drip loop" in said(WARM).caution

    def test_without_a_rate_none_is_told(self) -> None:
        for course in (None, replace(FALLING, per_h=-0.01)):
            assert said(replace(COLD, course=course)).seen == "Below 24.8 °C since 01:40."

    def test_are_told_in_the_readers_units_and_zone(self) -> None:
        there = said(COLD, reader=AWAY)
        assert there.title == "Water too cold: 75.8 °F, falling."
        assert there.seen.startswith(
            "Below 76.6 °F since 17:40. Falling 1.1 °F an hour since 17:10"
        )
        assert "°C" not in str(there)

    def test_value_and_limit_are_told_apart_in_each_unit(self) -> None:
        near = replace(COLD, value=25.26, limit=25.34, course=None)
        assert said(near).title == "Water too cold: 25.26 °C."
        assert said(near).seen.startswith("Below 25.34 °C")
        assert said(near, reader=AWAY).title == "Water too cold: 77.5 °F."
        assert said(near, reader=AWAY).seen.startswith("Below 77.6 °F")

    def test_a_clock_that_is_not_set_tells_how_long(self) -> None:
        early = replace(COLD, course=None)
        assert said(early, Moment(0, 0, 1), BOOT).seen == "Below 24.8 °C for 20 min."
        seen = said(replace(COLD, at_ms=BOOT.utc_ms), Moment(0, 0, 1), BOOT).seen
        assert "about in 50 min (in 43 min to in 1 h)" in seen

    def test_an_older_beginning_has_its_day(self) -> None:
        for minutes, since in (
            (60 * 30, "Wed 20:00"),
            (60 * 24 * 9, "28 Oct 02:00"),
            (180, "23:00"),
        ):
            assert f"since {since}." in said(replace(COLD, course=None), ago(minutes)).seen

    def test_a_forecast_of_the_next_day_says_tomorrow(self) -> None:
        late = Moment(NOW.mono_ms, NOW.utc_ms + 21 * 3_600_000, 4)
        assert "about 23:50" in said(replace(COLD, at_ms=late.utc_ms), now=late).seen
        far = replace(COLD, at_ms=late.utc_ms, ahead=replace(SOON, seconds=9000.0, latest_s=None))
        assert "about tomorrow 01:30 (not before 23:45)" in said(far, now=late).seen

    def test_a_return_tells_how_long_and_how_far(self) -> None:
        back = said(BackInBand("Water", T, True, 25.0, 0, True, 24.8, 23.9), ago(70), over=True)
        assert back.title == "Water 25.0 °C, back in its band."
        assert back.seen == (
            "It was below 24.8 °C from 00:50 on, 1 h 10 min in all, lowest 23.9 °C."
        )

    def test_a_rate_says_when_the_band_is_left(self) -> None:
        assert said(RACES).title == "Water 25.2 °C, falling 1.8 °C an hour."
        assert said(RACES).seen == "More than 1.5 °C an hour since 01:10."
        leaves = replace(RACES, leaves=Forecast(24.8, 800.0, 700.0, 900.0))
        assert said(leaves).seen.endswith(
            "; at this rate it leaves its band, 24.8 °C, about 02:13 (02:12 to 02:15)."
        )
        turned = replace(RACES, course=Course(-1.8, 1980.0, None))
        assert "over the last 33 min" in said(turned).seen

    def test_a_room_gets_no_advice_about_heaters_in_water(self) -> None:
        assert "heater" not in str(said(replace(COLD, of_water=False)))

    def test_blindness_is_called_that_and_says_why(self) -> None:
        blind = Unseen("Water", T, True, None, 0, (("probe A", "stuck"), ("probe B", "no reading")))
        words = said(blind, ago(8))
        assert words.title == "Can't see the water: no usable temperature."
        assert words.seen == "None since 01:52. Probe A: stuck; Probe B: no reading."
        assert "another thermometer" in words.do


class TestSensors:
    def test_silence_and_faults_name_the_sensor_and_the_time(self) -> None:
        silent = said(NotRead("probe A, behind the pump", Kind.SILENT, "", True), ago(3))
        assert silent.title == "Probe A, behind the pump: no reading."
        assert silent.seen.startswith("None since 01:57. The watch goes on with another")
        fault = said(NotRead("probe A", Kind.FAULT, "crc,power-on", False), ago(3))
        assert "nothing usable since 01:57 (crc, power-on)." in fault.seen

    def test_two_probes_apart_give_both_values(self) -> None:
        two = Apart("water", T, (("probe A", 25.3), ("probe B", 26.1)), 0.5, "", "")
        assert said(two).title == "Water: sensors are 0.8 °C apart."
        assert "They read probe A 25.3 °C and probe B 26.1 °C." in said(two).seen
        assert "0.9 °F" in said(replace(two, within=0.5), reader=AWAY).seen

    def test_a_float_in_the_chamber_orders_no_water_before_the_pump_was_looked_at(self) -> None:
        for above, first, then in (
            (True, "whether the pump runs. If it has stopped", " If it runs: Take water out."),
            (False, "that the pump runs, water comes back", " Then: Take water out."),
        ):
            do = said(replace(FULL, above=above)).do
            assert do.startswith(f"First see {first}")
            assert do.endswith(then)

    def test_elsewhere_the_keepers_words_are_enough(self) -> None:
        low = InState("top-up", "the low float", True, False, "Top up to the mark.", False)
        assert said(low).title == "Top up: water below the low float."
        assert said(low).do == "Top up to the mark."
        pump = InState("pump-off", "the return pump", False, False, "", False)
        assert said(pump, ago(1)).title == "Pump off: the return pump is off."
        assert said(replace(pump, above=True), over=True).title.endswith("is on again.")


def row(before: State, after: State, event: str, priority: Priority = Priority.HIGH) -> Transition:
    return Transition(
        "water.low", NOW, before, after, event, priority, True, COLD, ago(20), shelved_for_ms=0
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
        assert told(notice).text.splitlines()[-1] == "To answer: stillwell ack water.low"
        assert told(notice).title == "Water too cold: 24.3 °C, falling."

    def test_worse_says_so_first(self) -> None:
        [notice] = notices(row(State.ACKNOWLEDGED, State.UNACKNOWLEDGED, "priority"))
        assert told(notice).title.startswith("Worse: Water too cold")
