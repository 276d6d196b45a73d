"""The watch as a whole: readings in, transitions out."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from examples import examples
from in_words import said, what
from stillwell.alarm.plan import Agreement, Band, ChannelWatch, Discrepancy, WatchPlan
from stillwell.alarm.watch import Watch
from stillwell.finding import Finding
from stillwell.notice import Message, Priority, State, Transition
from stillwell.reading import Flag, Moment, Quantity, Reading
from stillwell.request import Command, Request

UTC = 1_793_930_400_000
GAP_S = 180

CHANNELS = (
    ChannelWatch("water-a", "probes", Quantity.TEMPERATURE, GAP_S, "probe A"),
    ChannelWatch("water-b", "probes", Quantity.TEMPERATURE, GAP_S, "probe B"),
    ChannelWatch("low", "floats", Quantity.FLOAT, GAP_S, "the low float"),
)
WATER = Band("water", ("water-a", "water-b"), 24.8, 25.8, 25.3, 0.1, 300, 300, Priority.HIGH)
TOP_UP = Discrepancy("top-up", "low", False, 1800, 120, Priority.MEDIUM, "Top up.")
PLAN = WatchPlan(
    channels=CHANNELS,
    bands=(WATER,),
    discrepancies=(TOP_UP,),
    agreements=(Agreement("probes", ("water-a", "water-b"), 0.5, 900.0),),
    zone="Europe/Dublin",
    sinks=("broker",),
)
ONE_PROBE = WatchPlan(
    channels=CHANNELS[:1], bands=(replace(WATER, channels=("water-a",)),), zone="Europe/Dublin"
)

Row = tuple[str, float | None]
Scene = Callable[[int], Iterable[Row | Reading]]


def at(s: float, boot_s: float = 0.0) -> Moment:
    """The moment `s` seconds into the story; the monotonic clock began at `boot_s`."""
    return Moment(round((s - boot_s) * 1000), UTC + round(s * 1000), 1)


def good(channel: str, value: float, s: float, boot_s: float = 0.0) -> Reading:
    return Reading(channel, at(s, boot_s), value, Flag.PASS)


def bad(channel: str, tests: str, value: float | None = None) -> Reading:
    flag = Flag.MISSING if value is None else Flag.FAIL
    return Reading(channel, at(0), value, flag, tests)


def play(
    watch: Watch,
    scene: Scene,
    end_s: int,
    *,
    begin_s: int = 0,
    every_s: int = 30,
    boot_s: float = 0.0,
) -> list[Transition]:
    """Readings every `every_s`, a tick each second: as the daemon does it."""
    out: list[Transition] = []
    for s in range(begin_s, end_s):
        now = at(s, boot_s)
        if s % every_s == 0:
            for row in scene(s):
                reading = row if isinstance(row, Reading) else good(row[0], row[1] or 0.0, s)
                out += watch.see(reading._replace(moment=now), now)
        out += watch.tick(now)
    return out


def story(transitions: Iterable[Transition]) -> list[tuple[float, str, str]]:
    return [(t.moment.utc_ms / 1000 - UTC / 1000, t.alarm, t.after.value) for t in transitions]


def names(transitions: Iterable[Transition]) -> list[tuple[str, str]]:
    return [(t.alarm, t.event) for t in transitions]


def told(watch: Watch, transitions: Iterable[Transition]) -> list[tuple[str, str]]:
    return [(n.subject, n.kind) for t in transitions for n in watch.notices(t)]


def well(s: int) -> Iterator[Row]:
    yield "water-a", 25.3
    yield "water-b", 25.3625
    yield "low", 1.0


def cold(s: int) -> Iterator[Row]:
    yield "water-a", 24.5
    yield "water-b", 24.5625
    yield "low", 1.0


def then(*parts: tuple[int, Scene]) -> Scene:
    """One scene until its time, then the next."""

    def scene(s: int) -> Iterable[Row | Reading]:
        for until, part in parts:
            if s < until:
                return part(s)
        return parts[-1][1](s)

    return scene


class TestBand:
    def test_a_day_in_order_says_nothing(self) -> None:
        watch = Watch(PLAN)
        assert play(watch, well, 86_400, every_s=60) == []
        assert watch.standing() == []

    def test_cold_water_is_raised_once_and_returned_once(self) -> None:
        watch = Watch(PLAN)
        out = play(watch, then((600, well), (3600, cold), (9999, well)), 7200)
        assert story(out) == [
            (900.0, "water.low", "unacknowledged"),
            (3900.0, "water.low", "returned-unacknowledged"),
        ]
        assert told(watch, out) == [("water.low", "raised"), ("water.low", "returned")]

    def test_the_delay_is_exact_and_counts_from_the_first_reading_beyond(self) -> None:
        [raised] = play(Watch(PLAN), then((600, well), (9999, cold)), 1200)
        assert raised.moment == at(900)
        assert raised.since == at(600)

    def test_noise_about_the_limit_does_not_repeat_the_alarm(self, long_run: bool) -> None:
        """Water that stands at the limit for two days, read in steps of 1/16 K with 0.03 K of
        noise: at most one alarm. Five seeds, and twenty with --long."""
        for seed in range(20 if long_run else 5):
            seeded = random.Random(seed)

            def scene(s: int, seeded: random.Random = seeded) -> Iterator[Row]:
                for name in ("water-a", "water-b"):
                    yield name, round((24.8 + seeded.gauss(0, 0.03)) * 16) / 16
                yield "low", 1.0

            watch, out = Watch(PLAN), []
            for s in range(0, 2 * 86_400, 60):
                for name, value in scene(s):
                    out += watch.see(good(name, value or 0.0, s), at(s))
            assert len(told(watch, out)) <= 1, seed

    def test_a_probe_apart_from_the_other_is_not_lost_in_the_early_out(self) -> None:
        """A inside the band, B well below, so that the median is below: A's good readings alone
        must not keep the watch from seeing it."""

        def scene(s: int) -> Iterator[Row]:
            yield "water-b", 24.4
            yield "water-a", 25.0
            yield "low", 1.0

        out = play(Watch(PLAN), then((300, well), (9999, scene)), 3600)
        [raised] = [t for t in out if t.alarm == "water.low"]
        assert raised.moment == at(300 + 1800 + 300)

    def test_a_chamber_that_warms_while_the_pump_pauses_is_not_warm_water(self) -> None:
        def paused(s: int) -> Iterator[Row]:
            yield "water-a", 26.6
            yield "water-b", 25.3
            yield "low", 1.0

        for minutes in (10, 29):
            scene = then((600, well), (600 + 60 * minutes, paused), (99_999, well))
            out = play(Watch(PLAN), scene, 7200)
            assert [t.alarm for t in out if t.alarm.startswith("water.")] == []

    @pytest.mark.parametrize(("minutes", "rings"), [(12, False), (29, False), (50, True)])
    def test_one_probe_in_a_chamber_whose_pump_pauses_sees_no_race_of_the_water(
        self, minutes: int, rings: bool
    ) -> None:
        """The heater is on: 1 K an hour in all the water, 8 K an hour in the chamber alone."""
        wide = replace(WATER, channels=("water-a",), high=40.0, rate_per_h=3.0)

        def scene(s: int) -> Iterator[Row]:
            paused = max(0.0, min(s - 3600.0, 60.0 * minutes))
            value = 25.0 + s / 3600
            yield "water-a", value + (8 * paused / 3600 if s < 3600 + 60 * minutes else 0.0)

        out = play(Watch(replace(ONE_PROBE, bands=(wide,))), scene, 8400)
        assert any(t.alarm == "water.rate" for t in out) is rings

    def test_water_that_both_probes_see_warm_is_told_without_delay(self) -> None:
        def warm(s: int) -> Iterator[Row]:
            yield "water-a", 26.6
            yield "water-b", 26.2
            yield "low", 1.0

        [raised] = play(Watch(PLAN), then((600, well), (9999, warm)), 1800)
        assert (raised.alarm, raised.moment) == ("water.high", at(900))

    def test_a_latching_band_waits_for_acknowledge_and_reset(self) -> None:
        watch = Watch(replace(PLAN, bands=(replace(WATER, latching=True),)))
        out = play(watch, then((900, cold), (9999, well)), 2000)
        assert story(out)[-1][1:] == ("water.low", "latched-unacknowledged")
        refused, _ = watch.request(Request(Command.RESET, "water.low"), at(2000))
        assert not refused.done
        watch.request(Request(Command.ACKNOWLEDGE, "water.low"), at(2001))
        reply, [reset] = watch.request(Request(Command.RESET, "water.low"), at(2002))
        assert reply.done
        assert reset.after is State.NORMAL

    def test_a_fall_is_told_before_the_band_is_left(self) -> None:
        plan = replace(PLAN, bands=(replace(WATER, rate_per_h=1.5),))

        def falling(s: int) -> Iterator[Row]:
            value = round((25.75 - max(0, s - 3600) * 0.5 / 900) * 16) / 16  # 2 K/h
            yield "water-a", value
            yield "water-b", value
            yield "low", 1.0

        out = play(Watch(plan), falling, 3600 + 3600)
        assert ("water.rate", "raise") in names(out)
        assert names(out).count(("water.rate", "raise")) == 1

    def test_steps_of_the_sensor_are_no_rate(self) -> None:
        plan = replace(PLAN, bands=(replace(WATER, rate_per_h=0.3),))
        seeded = random.Random(5)

        def scene(s: int) -> Iterator[Row]:
            for name in ("water-a", "water-b"):
                yield name, round((25.28 + seeded.gauss(0, 0.03)) * 16) / 16
            yield "low", 1.0

        assert play(Watch(plan), scene, 6 * 3600) == []


class TestSensorsToldApartFromWater:
    @pytest.mark.parametrize(
        "reading",
        [
            bad("water-a", "power-on", 85.0),
            bad("water-a", "crc", 12.0),
            bad("water-a", "gone"),
            Reading("water-a", at(0), 31.0, Flag.SUSPECT, "spike"),
            Reading("water-a", at(0), 24.0, Flag.SUSPECT, "stale"),
            Reading("water-a", at(0), 20.0, Flag.SUSPECT, "flat-line"),
        ],
        ids=lambda r: f"{r.value} {r.tests}",
    )
    def test_a_bad_reading_never_moves_a_water_alarm(self, reading: Reading) -> None:
        out = play(Watch(ONE_PROBE), lambda s: [reading], 6 * 3600)
        assert {t.alarm for t in out} <= {
            "water-a.silent", "water-a.fault", "water-a.stuck", "water.unseen",
        }  # fmt: skip
        assert "water.unseen" in {t.alarm for t in out}

    def test_with_one_probe_of_two_gone_the_other_goes_on(self) -> None:
        def scene(s: int) -> Iterator[Row | Reading]:
            yield bad("water-a", "gone")
            yield "water-b", 24.5
            yield "low", 1.0

        watch = Watch(PLAN)
        out = play(watch, then((300, well), (9999, scene)), 1800)
        assert sorted(names(out)) == [("water-a.silent", "raise"), ("water.low", "raise")]
        assert next(t.priority for t in out if t.alarm == "water-a.silent") is Priority.LOW

    def test_with_no_probe_left_it_cannot_see_the_water(self) -> None:
        def dead(s: int) -> Iterator[Row | Reading]:
            yield bad("water-a", "gone")
            yield bad("water-b", "crc", 3.0)
            yield "low", 1.0

        watch = Watch(PLAN)
        out = play(watch, then((600, well), (9999, dead)), 3600)
        last_good = 570
        assert story(out) == [
            (last_good + GAP_S, "water-a.silent", "unacknowledged"),
            (last_good + GAP_S, "water-b.fault", "unacknowledged"),
            (last_good + GAP_S + 300, "water.unseen", "unacknowledged"),
        ]
        unseen = out[-1]
        assert unseen.priority is Priority.HIGH
        assert "Probe A: no reading; Probe B: answers with nothing usable." in said(unseen).seen

    def test_cold_water_stays_cold_while_it_cannot_be_seen(self) -> None:
        out = play(Watch(PLAN), then((900, cold), (9999, lambda s: [])), 3600)
        assert ("water.low", "raise") in names(out)
        assert ("water.low", "clear") not in names(out)

    def test_an_extreme_value_that_is_only_suspect_is_believed(self) -> None:
        hot = Reading("water-a", at(0), 36.5, Flag.SUSPECT, "gross-range")
        out = play(Watch(ONE_PROBE), lambda s: [hot], 900)
        assert names(out) == [("water.high", "raise")]

    def test_two_probes_apart_are_told_and_return(self) -> None:
        def apart(s: int) -> Iterator[Row]:
            yield "water-a", 25.0
            yield "water-b", 25.6
            yield "low", 1.0

        out = play(Watch(PLAN), then((600, well), (7200, apart), (99_999, well)), 14_400)
        assert names(out) == [("probes.apart", "raise"), ("probes.apart", "clear")]
        assert "nobody can say which" in said(out[0]).why

    def test_of_two_probes_apart_the_one_that_went_as_no_water_can_is_named(self) -> None:
        rule = Agreement("probes", ("water-a", "water-b"), 0.5, 900.0, of_water_probes=True)
        plan = replace(PLAN, bands=(), agreements=(rule,))

        def apart(s: int) -> Iterator[Row]:
            yield "water-a", 25.0
            yield "water-b", 26.6
            yield "low", 1.0

        [raised] = play(Watch(plan), then((3600, well), (7200, apart)), 7200)
        assert raised.alarm == "probes.apart"
        assert "probe B is wrong, because it moved faster than the water can" in (said(raised).why)

    def test_of_three_probes_apart_the_one_that_stands_alone_is_named(self) -> None:
        third = replace(PLAN.channels[0], name="water-c")
        rule = Agreement("probes", ("water-a", "water-b", "water-c"), 0.5, 900.0)
        plan = replace(PLAN, channels=(*PLAN.channels, third), bands=(), agreements=(rule,))

        def apart(s: int) -> Iterator[Row]:
            yield "water-a", 25.0
            yield "water-b", 26.0
            yield "water-c", 25.1
            yield "low", 1.0

        [raised] = play(Watch(plan), apart, 3600)
        assert "probe B is wrong, because it stands alone" in said(raised).why

    def test_a_stuck_probe_does_not_return_by_a_restart_alone(self) -> None:
        stuck = Reading("water-a", at(0), 25.0, Flag.SUSPECT, "flat-line")
        first = Watch(PLAN)
        before = play(first, lambda s: [stuck, ("water-b", 25.0), ("low", 1.0)], 60)
        assert names(before) == [("water-a.stuck", "raise")]
        again = Watch(PLAN)
        again.restore(first.standing(), at(60, 60))
        # The flat line test has forgotten; the value is the same.
        same = [("water-a", 25.0), ("water-b", 25.0), ("low", 1.0)]
        assert play(again, lambda s: same, 3600, begin_s=60, boot_s=60) == []
        moved = [("water-a", 25.125), ("water-b", 25.125), ("low", 1.0)]
        out = play(again, lambda s: moved, 3630, begin_s=3600, boot_s=60)
        assert names(out) == [("water-a.stuck", "clear")]


class TestFloats:
    def test_a_float_open_for_its_delay_asks_for_a_top_up(self) -> None:
        def low(s: int) -> Iterator[Row]:
            yield "water-a", 25.3
            yield "water-b", 25.3
            yield "low", 0.2

        watch = Watch(PLAN)
        out = play(watch, then((600, well), (6000, low), (9999, well)), 7000)
        assert story(out) == [
            (2400.0, "top-up", "unacknowledged"),
            (6120.0, "top-up", "returned-unacknowledged"),
        ]
        assert said(out[0]).do == "Top up."


class TestHoles:
    def test_a_hole_is_noticed_by_the_reading_after_it_where_no_tick_came(self) -> None:
        """As in a replay that jumps over hours without a row."""
        watch = Watch(ONE_PROBE)
        out = [t for s in (0, 30, 60) for t in watch.see(good("water-a", 25.3, s), at(s))]
        assert out == []
        found = watch.see(good("water-a", 25.3, 60 + 7200), at(60 + 7200))
        assert names(found) == [("water-a.silent", "raise"), ("water.unseen", "raise")]
        assert {t.since for t in found} == {at(60)}


class TestStart:
    def test_nothing_sounds_before_the_first_reading_or_the_gap(self) -> None:
        out = play(Watch(PLAN), lambda s: [], 3600)
        assert out
        assert min(t.moment.mono_ms for t in out) == GAP_S * 1000

    def test_a_late_first_reading_within_the_gap_is_in_order(self) -> None:
        assert play(Watch(PLAN), lambda s: well(s) if s > 120 else [], 3600) == []

    def test_readings_of_unknown_channels_are_ignored(self) -> None:
        watch = Watch(PLAN)
        assert watch.see(good("elsewhere", 0.0, 0), at(0)) == []


def finding(alarm: str, active: bool, priority: Priority = Priority.MEDIUM) -> Finding:
    return Finding(alarm, active, priority, Message(f"{alarm}."))


class TestFindings:
    def test_given_again_and_again_are_told_once(self) -> None:
        watch, out = Watch(PLAN), []
        for s in range(100):
            out += watch.find(finding("store.failing", True), at(s))
        for s in range(100, 200):
            out += watch.find(finding("store.failing", False), at(s))
        assert told(watch, out) == [("store.failing", "raised"), ("store.failing", "returned")]

    def test_what_was_never_raised_returns_silently(self) -> None:
        assert Watch(PLAN).find(finding("store.failing", False), at(0)) == []

    def test_getting_worse_is_told_once_and_milder_not_at_all(self) -> None:
        watch, out = Watch(PLAN), []
        low, high = Priority.LOW, Priority.HIGH
        out += watch.find(finding("salinity.high", True, low), at(0))
        _, acknowledged = watch.request(Request(Command.ACKNOWLEDGE), at(1))
        out += acknowledged
        for s, priority in enumerate([low, high, high, low, high, low], start=2):
            out += watch.find(finding("salinity.high", True, priority), at(s))
        assert told(watch, out) == [("salinity.high", "raised"), ("salinity.high", "worse")]

    def test_the_latest_words_are_used_when_the_alarm_moves(self) -> None:
        watch = Watch(PLAN)
        watch.find(finding("salinity.high", True), at(0))
        watch.find(Finding("salinity.high", True, Priority.MEDIUM, Message("Weaker now.")), at(1))
        _, [row] = watch.request(Request(Command.ACKNOWLEDGE, "salinity.high", by="Aoife"), at(2))
        assert what(row) == "Weaker now."
        assert row.by == "Aoife"


class TestSuppression:
    def down(self, watch: Watch, active: bool, s: float) -> list[Transition]:
        return watch.find(finding("source.probes.down", active), at(s))

    def test_silent_channels_of_a_source_that_is_down_keep_still(self) -> None:
        watch = Watch(PLAN)
        out = play(watch, well, 300)
        out += self.down(watch, True, 300)
        out += play(watch, lambda s: [("low", 1.0)], 700, begin_s=300)
        assert told(watch, out) == [("source.probes.down", "raised")]
        quiet = {t.alarm: t.after for t in watch.standing()}
        assert quiet["water-a.silent"] is State.SUPPRESSED

    def test_blindness_is_never_hidden(self) -> None:
        watch = Watch(PLAN)
        out = play(watch, well, 300)
        out += self.down(watch, True, 300)
        out += play(watch, lambda s: [("low", 1.0)], 1200, begin_s=300)
        assert ("water.unseen", "raised") in told(watch, out)

    def test_what_returns_with_its_cause_is_never_told(self) -> None:
        watch = Watch(PLAN)
        out = play(watch, well, 300)
        out += self.down(watch, True, 300)
        out += play(watch, lambda s: [("low", 1.0)], 600, begin_s=300)
        out += self.down(watch, False, 600)
        out += play(watch, well, 2000, begin_s=600)
        assert told(watch, out) == [
            ("source.probes.down", "raised"),
            ("source.probes.down", "returned"),
        ]
        assert {t.after for t in watch.standing() if t.alarm == "water-a.silent"} == {State.NORMAL}

    def test_what_still_stands_after_its_cause_is_told(self) -> None:
        watch = Watch(PLAN)
        out = play(watch, well, 300)
        out += self.down(watch, True, 300)
        out += play(watch, lambda s: [("low", 1.0)], 600, begin_s=300)
        out += self.down(watch, False, 600)

        def only_b(s: int) -> Iterator[Row]:
            yield "water-b", 25.3
            yield "low", 1.0

        out += play(watch, only_b, 2000, begin_s=600)
        assert told(watch, out).count(("water-a.silent", "raised")) == 1
        raised = next(t for t in out if watch.notices(t) and t.alarm == "water-a.silent")
        assert raised.moment == at(600 + 2 * GAP_S)

    def test_a_cause_that_comes_after_its_consequence_takes_it_over(self) -> None:
        watch = Watch(PLAN)
        watch.find(finding("heater.too-weak", True), at(0))
        out = watch.find(finding("mains.lost", True), at(1))
        assert names(out) == [("mains.lost", "raise"), ("heater.too-weak", "suppress")]

    def test_becoming_more_urgent_than_the_cause_breaks_the_silence(self) -> None:
        watch = Watch(PLAN)
        watch.find(finding("mains.lost", True), at(0))
        hidden = watch.find(finding("heater.too-weak", True), at(1))
        assert told(watch, hidden) == []
        out = watch.find(finding("heater.too-weak", True, Priority.HIGH), at(2))
        assert told(watch, out) == [("heater.too-weak", "raised")]

    def test_a_restart_after_the_cause_has_ended_lets_what_still_stands_speak(self) -> None:
        first = Watch(PLAN)
        play(first, well, 300)
        self.down(first, True, 300)
        play(first, lambda s: [("low", 1.0)], 600, begin_s=300)
        self.down(first, False, 600)
        again = Watch(PLAN)
        assert again.restore(first.standing(), at(601)) == []

        def only_b(s: int) -> Iterator[Row]:
            yield "water-b", 25.3
            yield "low", 1.0

        out = play(again, only_b, 2000, begin_s=601)
        assert told(again, out).count(("water-a.silent", "raised")) == 1

    def test_taking_the_cause_out_of_service_lets_the_consequence_speak(self) -> None:
        watch = Watch(PLAN)
        watch.find(finding("mains.lost", True), at(0))
        watch.find(finding("heater.too-weak", True), at(1))
        watch.request(Request(Command.OUT_OF_SERVICE, "mains.lost"), at(2))
        out = watch.tick(at(3)) + watch.tick(at(2 + PLAN.settle_s))
        assert told(watch, out) == [("heater.too-weak", "raised")]


class TestAStateThatIsNoAlarm:
    """A pump that rests while animals are fed."""

    PLAN = ONE_PROBE
    RESTS = Finding("pump.resting", True, Priority.HIGH, Message("The pump rests."))

    def lives(self, hot_from_s: int, hot_to_s: int, rest_s: int) -> tuple[Watch, list[Transition]]:
        """The pump rests from 1000 s on for so long."""
        watch = Watch(self.PLAN)

        def water(s: int) -> Iterator[Row]:
            yield "water-a", 26.2 if hot_from_s <= s < hot_to_s else 25.3

        out = play(watch, water, 1000)
        out += watch.find(self.RESTS, at(1000))
        out += play(watch, water, 1000 + rest_s, begin_s=1000)
        out += watch.find(replace(self.RESTS, active=False), at(1000 + rest_s))
        return watch, out + play(watch, water, 4 * 3600, begin_s=1000 + rest_s)

    def test_is_told_to_nobody_and_hides_what_only_follows_from_it(self) -> None:
        watch, out = self.lives(1100, 2400, 1300)
        assert told(watch, out) == []
        assert {t.alarm for t in out} == {"water.high"}
        assert [t.alarm for t in watch.standing()] == ["water.high"]

    def test_hides_nothing_that_goes_on_after_it(self) -> None:
        watch, out = self.lives(1100, 99_999, 1300)
        assert told(watch, out) == [("water.high", "raised")]
        assert out[-1].moment.utc_ms < at(2300 + 45 * 60).utc_ms

    def test_silences_nothing_that_was_told_before_it(self) -> None:
        watch, out = self.lives(100, 99_999, 1300)
        assert told(watch, out) == [("water.high", "raised")]
        assert out[-1].after is State.UNACKNOWLEDGED

    def test_silences_it_neither_when_another_cause_comes_and_goes_meanwhile(self) -> None:
        watch = Watch(ONE_PROBE)
        play(watch, lambda s: [("water-a", 26.2)], 1000)
        watch.find(self.RESTS, at(1000))
        for active in (True, False):
            out = watch.find(finding("room.too-warm", active, Priority.LOW), at(1001))
            assert [t.alarm for t in out] == ["room.too-warm"]


class TestAfterTheCause:
    """The heater was dead and heats again; the water is still below its band."""

    DEAD_S, MENDED_S = 3600, 3 * 3600
    PLAN = ONE_PROBE

    def lives(self, after_k_per_h: float, until_s: int) -> tuple[Watch, list[Transition]]:
        """Falls by 0.5 K/h from the heater's death on, and goes on so from its mending."""
        watch = Watch(self.PLAN)
        lowest = 25.3 - 0.5 * (self.MENDED_S - self.DEAD_S) / 3600

        def water(s: int) -> Iterator[Row]:
            if s < self.MENDED_S:
                yield "water-a", 25.3 - 0.5 * max(0, s - self.DEAD_S) / 3600
            else:
                yield "water-a", min(25.3, lowest + after_k_per_h * (s - self.MENDED_S) / 3600)

        dead = finding("heater.not-heating", True, Priority.HIGH)
        out = play(watch, water, self.DEAD_S + 600)
        out += watch.find(dead, at(self.DEAD_S + 600))
        out += play(watch, water, self.MENDED_S, begin_s=self.DEAD_S + 600)
        out += watch.find(replace(dead, active=False), at(self.MENDED_S))
        return watch, out + play(watch, water, until_s, begin_s=self.MENDED_S)

    def test_water_that_comes_back_by_itself_rings_nobody_a_second_time(self) -> None:
        watch, out = self.lives(0.6, 6 * 3600)
        assert told(watch, out) == [
            ("heater.not-heating", "raised"),
            ("heater.not-heating", "returned"),
        ]
        low = [t for t in out if t.alarm == "water.low"]
        assert [t.active for t in low] == [True, False, False]
        assert [t.after for t in low] == [State.SUPPRESSED, State.SUPPRESSED, State.NORMAL]

    def test_water_that_stands_still_is_told_within_the_hour_as_it_is_then(self) -> None:
        watch, out = self.lives(0.0, 5 * 3600)
        assert told(watch, out)[-1] == ("water.low", "raised")
        assert out[-1].moment.utc_ms - at(self.MENDED_S).utc_ms < 3_600_000
        assert what(out[-1]).startswith("Water too cold: 24.3 °C. Below")

    def test_water_that_rises_and_then_stops_is_told(self) -> None:
        watch = Watch(self.PLAN)

        def water(s: int) -> Iterator[Row]:
            fell = 25.3 - 0.5 * max(0, min(s, self.MENDED_S) - self.DEAD_S) / 3600
            yield "water-a", fell + 0.3 * min(3600, max(0, s - self.MENDED_S)) / 3600

        dead = finding("heater.not-heating", True, Priority.HIGH)
        watch.find(dead, at(0))
        play(watch, water, self.MENDED_S)
        watch.find(replace(dead, active=False), at(self.MENDED_S))
        out = play(watch, water, self.MENDED_S + 4 * 3600, begin_s=self.MENDED_S)
        assert told(watch, out) == [("water.low", "raised")]
        assert what(out[-1]).startswith("Water too cold: 24.6 °C. Below")

    def test_what_would_take_longer_than_six_hours_is_told_within_the_hour(self) -> None:
        _, out = self.lives(0.085, 12 * 3600)
        [spoke] = [t for t in out if t.event == "unsuppress"]
        assert (spoke.alarm, spoke.after) == ("water.low", State.UNACKNOWLEDGED)
        assert spoke.moment.utc_ms - at(self.MENDED_S).utc_ms < 3_600_000

    def test_what_is_for_ever_about_to_be_back_is_told_after_six_hours(self) -> None:
        """It goes up and down just within the limit, and never long enough to have returned."""
        watch = Watch(self.PLAN)

        def water(s: int) -> Iterator[Row]:
            yield "water-a", 24.5 if s < self.MENDED_S else 24.88 + (0.03 if s % 600 < 270 else 0.0)

        dead = finding("heater.not-heating", True, Priority.HIGH)
        watch.find(dead, at(0))
        play(watch, water, self.MENDED_S)
        watch.find(replace(dead, active=False), at(self.MENDED_S))
        ends_s = self.MENDED_S + 6 * 3600
        assert told(watch, play(watch, water, ends_s - 60, begin_s=self.MENDED_S)) == []
        out = play(watch, water, ends_s + 60, begin_s=ends_s - 60)
        assert told(watch, out) == [("water.low", "raised")]

    def test_an_alarm_that_takes_longer_to_follow_is_waited_for(self) -> None:
        for alarm, spoken in (("heater.too-weak", True), ("heater.not-heating", False)):
            watch = Watch(self.PLAN)
            cause = finding("mains.lost", True, Priority.HIGH)
            watch.find(cause, at(0))
            watch.find(finding(alarm, True), at(1))
            watch.find(replace(cause, active=False), at(10))
            out = play(watch, lambda s: [("water-a", 25.3)], 2000, begin_s=10)
            assert (told(watch, out) == [(alarm, "raised")]) is spoken

    def test_a_band_that_comes_off_the_shelf_says_what_is_so_then(self) -> None:
        watch = Watch(ONE_PROBE)
        water = then((600, lambda s: [("water-a", 24.6)]), (99_999, lambda s: [("water-a", 23.9)]))
        play(watch, water, 900)
        watch.request(Request(Command.SHELVE, "water.low", seconds=3600), at(900))
        out = play(watch, water, 5000, begin_s=900)
        assert names(out) == [("water.low", "shelf-ended")]
        assert what(out[0]).startswith("Water too cold: 23.9 °C. Below")


class TestShelving:
    def raised(self) -> Watch:
        watch = Watch(WatchPlan())
        watch.find(finding("salinity.high", True), at(0))
        return watch

    def test_ends_to_the_second_and_tells_what_still_stands(self) -> None:
        watch = self.raised()
        reply, _ = watch.request(Request(Command.SHELVE, "salinity.high", seconds=600), at(10))
        assert reply.done
        assert watch.tick(at(609)) == []
        out = watch.tick(at(610))
        assert names(out) == [("salinity.high", "shelf-ended")]
        assert told(watch, out) == [("salinity.high", "raised")]

    def test_goes_on_tracking_the_condition(self) -> None:
        watch = self.raised()
        watch.request(Request(Command.SHELVE, "salinity.high", seconds=600), at(10))
        [cleared] = watch.find(finding("salinity.high", False), at(20))
        assert (cleared.after, cleared.active) == (State.SHELVED, False)
        assert watch.notices(cleared) == []
        [ended] = watch.tick(at(610))
        assert ended.after is State.NORMAL

    def test_the_log_holds_what_is_left_of_the_shelf(self) -> None:
        watch = self.raised()
        _, [row] = watch.request(Request(Command.SHELVE, "salinity.high", seconds=600), at(10))
        assert row.shelved_for_ms == 600_000
        [row] = watch.find(finding("salinity.high", False), at(110))
        assert row.shelved_for_ms == 500_000

    def test_survives_a_restart_and_still_ends(self) -> None:
        watch = self.raised()
        watch.request(Request(Command.SHELVE, "salinity.high", seconds=600), at(10))
        again = Watch(WatchPlan())
        assert again.restore(watch.standing(), at(110, boot_s=110)) == []
        assert again.tick(at(609, boot_s=110)) == []
        assert names(again.tick(at(610, boot_s=110))) == [("salinity.high", "shelf-ended")]

    @given(st.integers(-(10**12), 10**12), st.floats(1, 86_400))
    def test_always_ends_whatever_the_clock_says_after_a_restart(
        self, step_ms: int, seconds: float
    ) -> None:
        watch = self.raised()
        watch.request(Request(Command.SHELVE, "salinity.high", seconds=seconds), at(10))
        again = Watch(WatchPlan())
        now = Moment(0, at(11).utc_ms + step_ms, 2)
        again.restore(watch.standing(), now)
        later = Moment(round(seconds * 1000) + 1, now.utc_ms, 2)
        assert names(again.tick(later)) == [("salinity.high", "shelf-ended")]

    @pytest.mark.parametrize("seconds", [0.0, -5.0, float("nan"), float("inf"), 1e9])
    def test_without_an_end_is_refused_in_words(self, seconds: float) -> None:
        watch = self.raised()
        reply, out = watch.request(Request(Command.SHELVE, "salinity.high", seconds=seconds), at(1))
        assert (reply.done, out) == (False, [])
        assert "between 1 s and 7 d" in reply.text


class TestRequests:
    def test_without_a_name_acknowledges_everything_that_waits(self) -> None:
        watch = Watch(PLAN)
        for name in ("heater.a", "heater.b"):
            watch.find(finding(name, True), at(0))
        watch.find(finding("heater.b", False), at(1))
        reply, out = watch.request(Request(Command.ACKNOWLEDGE), at(2))
        assert reply.alarms == ("heater.a", "heater.b")
        assert reply.text == "Acknowledged: heater.a, heater.b."
        assert [t.after for t in out] == [State.ACKNOWLEDGED, State.NORMAL]

    def test_without_a_name_every_other_command_says_what_it_has_done(self) -> None:
        watch = Watch(PLAN)
        watch.find(finding("heater.a", True), at(0))
        said = [
            watch.request(Request(command, seconds=60), at(second))[0].text
            for second, command in enumerate([Command.SHELVE, Command.UNSHELVE], start=1)
        ]
        watch.request(Request(Command.OUT_OF_SERVICE, "heater.a"), at(5))
        said.append(watch.request(Request(Command.RETURN_TO_SERVICE), at(6))[0].text)
        assert said == [
            "Shelved: heater.a.",
            "Taken off the shelf: heater.a.",
            "Back in service: heater.a.",
        ]

    def test_without_a_name_takes_nothing_out_of_service(self) -> None:
        watch = Watch(PLAN)
        watch.find(finding("heater.a", True), at(0))
        reply, out = watch.request(Request(Command.OUT_OF_SERVICE), at(1))
        assert (reply.done, out) == (False, [])

    def test_an_unknown_name_gets_the_nearest_one(self) -> None:
        reply, _ = Watch(PLAN).request(Request(Command.ACKNOWLEDGE, "water.lo"), at(0))
        assert reply.text == 'There is no alarm "water.lo". Did you mean water.low?'

    @pytest.mark.parametrize(
        ("word", "meant"),
        [("heater", "heater.stuck-on"), ("watr.low", "water.low"), ("heater.aa", "heater.a")],
    )
    def test_the_first_part_of_a_name_means_what_stands(self, word: str, meant: str) -> None:
        watch = Watch(PLAN)
        watch.find(finding("heater.a", True), at(0))
        watch.find(finding("heater.a", False), at(1))
        watch.request(Request(Command.ACKNOWLEDGE, "heater.a"), at(2))
        watch.find(finding("heater.stuck-on", True), at(3))
        reply, _ = watch.request(Request(Command.ACKNOWLEDGE, word), at(4))
        assert reply.text == f'There is no alarm "{word}". Did you mean {meant}?'

    def test_an_alarm_may_be_shelved_before_it_sounds(self) -> None:
        watch = Watch(PLAN)
        reply, _ = watch.request(Request(Command.SHELVE, "water.low", seconds=7200), at(0))
        assert reply.done
        out = play(watch, cold, 3600)
        assert told(watch, out) == []
        assert [(t.after, t.active) for t in out if t.alarm == "water.low"] == [
            (State.SHELVED, True)
        ]

    def test_a_refusal_says_why(self) -> None:
        reply, out = Watch(PLAN).request(Request(Command.ACKNOWLEDGE, "water.low"), at(0))
        assert (reply.done, out) == (False, [])
        assert reply.text == "water.low is normal: there is nothing to acknowledge."

    def test_returning_to_service_announces_what_stands(self) -> None:
        watch = Watch(PLAN)
        watch.find(finding("heater.a", True), at(0))
        watch.request(Request(Command.OUT_OF_SERVICE, "heater.a"), at(1))
        assert watch.find(finding("heater.a", True, Priority.HIGH), at(2))[0].after is (
            State.OUT_OF_SERVICE
        )
        _, out = watch.request(Request(Command.RETURN_TO_SERVICE, "heater.a"), at(3))
        assert told(watch, out) == [("heater.a", "raised")]

    @given(st.sampled_from(Command), st.text(max_size=300), st.floats())
    def test_hostile_requests_are_answered(self, command: Command, subject: str, s: float) -> None:
        watch = Watch(PLAN)
        watch.find(finding("heater.a", True), at(0))
        reply, out = watch.request(Request(command, subject, seconds=s), at(1))
        assert reply.text
        assert reply.done is bool(out)


class TestRestart:
    def test_a_standing_alarm_is_not_announced_again(self) -> None:
        first = Watch(PLAN)
        play(first, cold, 900)
        again = Watch(PLAN)
        out = again.restore(first.standing(), at(960, boot_s=960))
        out += play(again, cold, 7200, begin_s=960, boot_s=960)
        assert out == []

    def test_a_condition_that_ended_while_down_returns_properly(self) -> None:
        first = Watch(PLAN)
        play(first, cold, 900)
        again = Watch(PLAN)
        again.restore(first.standing(), at(960, boot_s=960))
        out = play(again, well, 7200, begin_s=960, boot_s=960)
        assert story(out) == [(960.0 + 300, "water.low", "returned-unacknowledged")]
        assert "It was below 24.8 °C from 02:00 on, 21 min in all" in what(out[0])

    def test_sensor_alarms_return_too(self) -> None:
        first = Watch(PLAN)
        play(first, lambda s: [bad("water-a", "crc", 1.0)], 1200)
        standing = {t.alarm for t in first.standing() if t.active}
        assert standing == {
            "water-a.fault", "water-b.silent", "low.silent", "water.unseen",
        }  # fmt: skip
        again = Watch(PLAN)
        again.restore(first.standing(), at(1260, boot_s=1260))
        out = play(again, well, 4000, begin_s=1260, boot_s=1260)
        assert sorted(names(out)) == sorted((name, "clear") for name in standing)

    def test_an_alarm_that_is_no_longer_configured_is_closed_with_a_transition(self) -> None:
        first = Watch(PLAN)
        play(first, cold, 900)
        first.find(finding("sink.broker.away", True), at(900))
        first.find(finding("store.failing", True), at(900))
        smaller = Watch(replace(PLAN, bands=(), sinks=()))
        out = smaller.restore(first.standing(), at(960, boot_s=960))
        assert sorted(names(out)) == [("sink.broker.away", "removed"), ("water.low", "removed")]
        assert {t.after for t in out} == {State.NORMAL}
        assert told(smaller, out) == []
        assert [t.alarm for t in smaller.standing()] == ["store.failing"]

    def test_a_suppressed_alarm_is_found_again_under_its_cause(self) -> None:
        first = Watch(PLAN)
        first.find(finding("source.probes.down", True), at(0))
        play(first, lambda s: [("low", 1.0)], 300)
        again = Watch(PLAN)
        again.restore(first.standing(), at(360, boot_s=360))
        out = play(again, lambda s: [("low", 1.0)], 600, begin_s=360, boot_s=360)
        assert told(again, out) == []

    def test_a_clock_years_off_neither_floods_nor_loses(self) -> None:
        first = Watch(PLAN)
        play(first, cold, 900)
        for years in (-10, 10):
            now = Moment(0, at(960).utc_ms + years * 31_557_600_000, 2)
            again = Watch(PLAN)
            assert again.restore(first.standing(), now) == []
            [row] = [t for t in again.standing() if t.active]
            assert row.alarm == "water.low"

    def test_the_whole_log_restores_like_the_latest_of_each(self) -> None:
        first = Watch(PLAN)
        log = play(first, then((900, cold), (2400, well), (9999, cold)), 4000)
        assert len(log) == 3
        one, other = Watch(PLAN), Watch(PLAN)
        one.restore(log, at(4000, 4000))
        other.restore(first.standing(), at(4000, 4000))
        assert one.standing() == other.standing()


def quick_plan() -> WatchPlan:
    """No delays, so that nothing is being counted at any moment."""
    return WatchPlan(
        channels=(ChannelWatch("water-a", "probes", Quantity.TEMPERATURE, 10_000_000),),
        bands=(replace(WATER, channels=("water-a",), on_delay_s=0, off_delay_s=0),),
    )


STEPS = st.lists(
    st.one_of(
        st.sampled_from([24.5, 24.85, 25.3, 25.75, 26.2]),
        st.sampled_from(
            [
                Request(Command.ACKNOWLEDGE),
                Request(Command.SHELVE, "water.low", seconds=45),
                Request(Command.UNSHELVE),
                Request(Command.OUT_OF_SERVICE, "water.high"),
                Request(Command.RETURN_TO_SERVICE),
            ]
        ),
    ),
    max_size=40,
)


def feed(watch: Watch, steps: list[float | Request], begin_s: int, boot_s: int) -> list[Transition]:
    out: list[Transition] = []
    for n, each in enumerate(steps):
        now = at(begin_s + 10 * n, boot_s)
        out += watch.tick(now)
        if isinstance(each, Request):
            out += watch.request(each, now)[1]
        else:
            out += watch.see(Reading("water-a", now, each, Flag.PASS), now)
    return out


class TestAnyStory:
    @examples(200)
    @given(STEPS, STEPS)
    def test_goes_on_after_a_restart_as_it_would_have_without(
        self, earlier: list[float | Request], later: list[float | Request]
    ) -> None:
        """Where no delay is being counted a restart changes nothing: the same alarms move at the
        same times in the same way, and the same notices are given."""
        plan = quick_plan()
        straight = Watch(plan)
        log = feed(straight, earlier, 0, 0)
        begin_s = 10 * len(earlier)
        went = feed(straight, later, begin_s, 0)
        again = Watch(plan)
        assert again.restore(log, at(begin_s, boot_s=begin_s)) == []
        goes = feed(again, later, begin_s, begin_s)

        def seen(rows: list[Transition]) -> list[tuple[object, ...]]:
            return [
                (t.alarm, t.before, t.after, t.event, t.active, t.priority, t.moment.utc_ms,
                 t.since.utc_ms, t.shelved_for_ms, told(straight, [t]))
                for t in rows
            ]  # fmt: skip

        assert seen(goes) == seen(went)

    @examples(200)
    @given(STEPS)
    def test_the_early_out_changes_nothing(self, steps: list[float | Request]) -> None:
        """A watch whose channels are never calm takes the long way with every reading."""
        plan = quick_plan()
        quick, slow = Watch(plan), Watch(plan)
        slow._calm_down = lambda channel, now: None  # type: ignore[method-assign]
        assert feed(quick, steps, 0, 0) == feed(slow, steps, 0, 0)

    @examples(100)
    @given(
        st.lists(
            st.tuples(
                st.sampled_from(["water-a", "water-b"]),
                st.sampled_from([24.5, 24.75, 24.85, 25.0, 25.3, 25.9, None]),
                st.integers(1, 200),
            ),
            max_size=80,
        )
    )
    def test_nor_with_two_probes_and_delays(
        self, rows: list[tuple[str, float | None, int]]
    ) -> None:
        quick, slow, s = Watch(PLAN), Watch(PLAN), 0
        slow._calm_down = lambda channel, now: None  # type: ignore[method-assign]
        for channel, value, step in rows:
            for second in range(s + 1, s + step):
                assert quick.tick(at(second)) == slow.tick(at(second))
            s += step
            flag = Flag.MISSING if value is None else Flag.PASS
            reading = Reading(channel, at(s), value, flag, "gone" if value is None else "")
            assert quick.see(reading, at(s)) == slow.see(reading, at(s))

    @examples(100)
    @given(STEPS)
    def test_the_same_story_gives_the_same_transitions(self, steps: list[float | Request]) -> None:
        assert feed(Watch(quick_plan()), steps, 0, 0) == feed(Watch(quick_plan()), steps, 0, 0)

    @examples(200)
    @given(STEPS)
    def test_every_notice_has_a_key_of_its_own(self, steps: list[float | Request]) -> None:
        watch = Watch(quick_plan())
        keys = [n.key for t in feed(watch, steps, 0, 0) for n in watch.notices(t)]
        assert len(keys) == len(set(keys))
