"""Every alarm as a person reads it on a phone: raised, repeated, over; in both systems of units."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from stillwell.alarm.catalogue import BY_NAME, ROWS
from stillwell.alarm.house import (
    AtWork,
    Blind,
    ClockStepped,
    Drilled,
    Drilling,
    Removed,
    Restarting,
    SettingsBroken,
    SinkAway,
    SourceDown,
    Standing,
    StoreFailing,
    WorkOver,
)
from stillwell.alarm.rules.agreement import Apart, Together
from stillwell.alarm.rules.band import (
    BackInBand,
    Course,
    OutsideBand,
    Racing,
    SeenAgain,
    Steady,
    Unseen,
)
from stillwell.alarm.rules.discrepancy import InState
from stillwell.alarm.rules.forecast import Forecast
from stillwell.alarm.rules.missing import Kind as Trouble
from stillwell.alarm.rules.missing import Moves, NotRead, Reads, Stuck
from stillwell.estimate.heat_balance.judge import Verdict
from stillwell.estimate.probes.doubt import Kind as Doubt
from stillwell.estimate.probes.doubt import ProbeBelieved, ProbeDoubted
from stillwell.finding import Over
from stillwell.notice import (
    EitherProse,
    Facts,
    Kept,
    Message,
    Notice,
    Priority,
    Prose,
    State,
    Transition,
)
from stillwell.observe.chamber.found import (
    Disagree,
    FloatFault,
    FloatWell,
    Leak,
    NoLeak,
    ReservoirLow,
    Seep,
    Standstill,
    Sure,
    TooHigh,
    ToppedUp,
    TopUpMissing,
    TopUpRuns,
    WantsWater,
)
from stillwell.observe.facts import (
    GaugeMoved,
    GaugeWell,
    LampAsNow,
    LampOdd,
    ObserverFailed,
    PumpStopped,
    TestShows,
)
from stillwell.observe.heat.facts import (
    AtItsLimit,
    Bears,
    Chances,
    ChillerStuck,
    HeatOver,
    MainsLost,
    NotCooling,
    NotHeating,
    RoomTooWarm,
    SettingMoved,
    StuckOn,
    TooWeak,
    WaterSeen,
)
from stillwell.observe.salt.facts import Cause, Mend, Salinity, Why
from stillwell.reading import Moment, Quantity
from stillwell.units import System
from stillwell.water.ammonia import PhScale
from stillwell.words import Reader
from stillwell.words.reader import LONGEST_TITLE
from stillwell.words.spoken import WORDS

H = 3_600_000
NOW = Moment(40 * H, 1_793_995_200_000, 4)
"""Friday, 6 November 2026, 20:00 in Dublin: what comes in five hours comes tomorrow."""
BEGAN = Moment(NOW.mono_ms - 9 * H, NOW.utc_ms - 9 * H, 4)
T, LEVEL = Quantity.TEMPERATURE, Quantity.LEVEL
SOON = Forecast(23.8, 17_000.0, 15_000.0, 22_000.0)
FALLS = Course(-0.62, 3300.0, NOW.utc_ms - 6 * H)
WATER = ("Water", T, True, 24.31, NOW.utc_ms)
SEEN = WaterSeen(25.61, -0.62, NOW.utc_ms, 21.3, SOON, SOON)
SLOW = WaterSeen(25.61, -0.12, NOW.utc_ms, 25.3, None, None)
REST = WaterSeen(21.41, 0.01, NOW.utc_ms, 21.4, None, None)
BEARS = Bears((5.87, 2.1, 9.4), 17.2)
DEAD = Chances(0.62, 0.0, 0.38)
MEND = Mend(1240.0, 4300.0, 40.0, 2.4)


def doubt(kind: Doubt, other: str = "", left: tuple[str, ...] | None = ("water-b",)) -> Facts:
    return ProbeDoubted("water-a", kind, 21.3, 25.31, 25.2, 0.44, False, other, left)


def salt(why: Why, amount: float = 0.0, mend: Mend | None = MEND) -> Facts:
    facts = (37.4, 36.2, 38.6, 34.0, 36.0, 9 * 24 * H)
    return Salinity(*facts, why, 0.84, amount, Cause.SALT_LOST, 12 * 24 * H, mend)


STAND: list[tuple[str, Facts]] = [
    ("heater.not-heating", NotHeating(SEEN, 25.61, 12, DEAD)),
    ("heater.not-heating", NotHeating(SEEN, 25.61, 0, Chances(0.38, 0.31, 0.31))),
    ("heater.not-heating", NotHeating(SLOW, 25.61, 12, Chances(0.02, 0.98, 0.0))),
    ("heater.not-heating", NotHeating(REST, 25.61, 12, Chances(0.9, 0.1, 0.0))),
    ("heater.not-heating", NotHeating(None, 25.61, 12, DEAD)),
    ("heater.stuck-on", StuckOn(SEEN, 25.4, 12, DEAD)),
    ("heater.stuck-on", StuckOn(REST, 25.4, 0, Chances(1.0, 0.0, 0.0))),
    ("chiller.not-cooling", NotCooling(SEEN, 25.4, 12, DEAD)),
    ("chiller.stuck-on", ChillerStuck(SEEN, 25.4, 12, DEAD)),
    ("heater.too-weak", TooWeak(SEEN, 0.62, BEARS)),
    ("heater.too-weak", TooWeak(SEEN, None, BEARS)),
    ("heater.too-weak", AtItsLimit(SEEN, 0.96, 86_400.0, BEARS)),
    ("heater.setting-moved", SettingMoved(SEEN, (25.5, 25.9), 0.41)),
    ("heater.setting-moved", SettingMoved(SEEN, (25.9,), -0.41)),
    ("room.too-warm", RoomTooWarm(SEEN, 25.4)),
    ("pump.stopped", PumpStopped(18.2, 17.6, (), None)),
    ("pump.stopped", PumpStopped(18.2, None, (), 2.13)),
    ("pump.stopped", PumpStopped(None, None, ("the low float", "the high float"), None)),
    ("mains.lost", MainsLost(SEEN)),
    ("lamp.not-on", LampOdd(0.42, "12:00 to 22:00")),
    ("lamp.not-off", LampOdd(0.42, "12:00 to 22:00")),
    *((("water-a.doubtful", doubt(kind, "water-b"))) for kind in Doubt),
    ("water-a.doubtful", doubt(Doubt.DRIFT)),
    ("water-a.doubtful", doubt(Doubt.OUT, left=())),
    ("level.leak", Leak(640.0, 390.0, 248.0, 3.0, False)),
    ("level.leak", Leak(640.0, 390.0, 248.0, None, True)),
    ("level.leak", Seep(64.0, 12.0)),
    ("level.top-up", WantsWater(-41.2, -40.0, 1240.0, None, None)),
    ("level.top-up", WantsWater(-31.2, -40.0, 1240.0, (11.3, 9.2, 16.4), None)),
    ("level.top-up", WantsWater(-31.2, -40.0, None, None, None)),
    ("level.top-up", WantsWater(None, -40.0, None, None, 11.3)),
    ("level.top-up", WantsWater(None, -40.0, None, None, None)),
    *(("level.leak", Leak(64.0, 39.0, 25.0, 3.0, True, sure, True)) for sure in (None, *Sure)),
    ("reservoir.low", ReservoirLow(812.0, 30.0)),
    ("reservoir.low", ReservoirLow(None, None)),
    ("top-up.stuck-on", TopUpRuns(1260.0, None, 8400.0)),
    ("top-up.stuck-on", TopUpRuns(None, 2400.0, 8400.0)),
    ("top-up.missing", TopUpMissing(6.2, 8400.0)),
    ("top-up.missing", TopUpMissing(None, None)),
    ("level.too-high", TooHigh(24.2, 20.0, 812.0)),
    ("level.too-high", TooHigh(None, 20.0, None)),
    ("level.standstill", Standstill(-1.0, 248.0)),
    ("level.disagree", Disagree(("the low float", "the gauge"), False)),
    ("level.disagree", Disagree(("the low float",), True)),
    ("level.moved", GaugeMoved("gauge in the chamber", 8.2, NOW.utc_ms - 30 * H, NOW.utc_ms)),
    *(
        (f"float-low.{kind}", FloatFault("the low float", kind, alone))
        for kind in ("stuck-up", "stuck-down", "chattering")
        for alone in (False, True)
    ),
    ("water.low", OutsideBand(*WATER, True, 24.8, FALLS, SOON)),
    ("water.low", OutsideBand(*WATER, True, 24.8, Course(0.4, 3300.0, None), SOON)),
    ("water.high", OutsideBand(*WATER, False, 24.2, Course(0.62, 3300.0, None), SOON)),
    ("water.high", OutsideBand(*WATER, False, 24.2, None, None)),
    ("chamber.low", OutsideBand("Chamber", LEVEL, True, -44.0, 0, True, -40.0, None, None)),
    ("water.rate", Racing(*WATER, FALLS, 1.5, SOON)),
    ("water.rate", Racing(*WATER, Course(1.8, 3300.0, None), 1.5, None)),
    ("water.rate", Racing(*WATER, None, 1.5, None)),
    ("water.unseen", Unseen(*WATER, (("probe A", "stuck"), ("probe B", "no reading")))),
    ("room.unseen", Unseen("Room", T, False, None, 0, (("room probe", "no reading"),))),
    ("full", InState("full", "the high float", True, True, "Take water out.", True)),
    ("top-up", InState("top-up", "the low float", True, False, "Top up to the mark.", True)),
    ("floor", InState("floor", "the leak sensor", True, True, "Look for water.", False)),
    ("pump-off", InState("pump-off", "the return pump", False, False, "", False)),
    (
        "water.apart",
        Apart("water", T, (("probe A", 25.3), ("probe B", 26.1)), 0.5, "probe B", "stands alone"),
    ),
    ("water.apart", Apart("water", T, (("probe A", 25.3), ("probe B", 26.1)), 0.5, "", "")),
    ("water-a.silent", NotRead("probe A, behind the pump", Trouble.SILENT, "", True)),
    ("water-a.fault", NotRead("probe A, behind the pump", Trouble.FAULT, "crc,range", True)),
    ("water-a.stuck", Stuck("probe A, behind the pump", T, 25.31)),
    ("source.probes.down", SourceDown("No 1-Wire bus.", "Add the overlay.")),
    ("sink.broker.away", SinkAway("Nothing listens at 192.0.2.7, port 1883.")),
    *(("salinity.high", salt(why, 2.0)) for why in Why if why not in (Why.OVERDUE, Why.WORN)),
    *(("salinity.low", salt(why, -0.05)) for why in (Why.CHECK, Why.DRIFTS, Why.NOTHING)),
    ("salinity.low", salt(Why.OVERFULL, 4000.0, None)),
    ("salinity.unsure", salt(Why.OVERDUE)),
    ("salinity.unsure", Salinity(35.1, 33.2, 37.0, 34.0, 36.0, None, Why.WORN)),
    ("ammonia.seen", TestShows("ammonia", 0.25, 8.2, PhScale.NBS, 25.3, 35.0)),
    ("nitrite.seen", TestShows("nitrite", 0.25, 8.2, PhScale.NBS, 25.3, 35.0)),
    ("heat.failing", ObserverFailed("heat")),
    ("store.failing", StoreFailing("The disk is full.", "Delete what is not needed.", 12)),
    ("store.damaged", Message("The store was damaged.", do="Watching goes on with a new file.")),
    ("clock.stepped", ClockStepped(-7_400_000)),
    ("settings.broken", SettingsBroken("tank.toml, line 6, tank.volume", '"x".', "Write L.", 2)),
    ("daemon.restarting", Restarting(12, NOW.utc_ms - H, True)),
    ("daemon.restarting", Restarting(12, None, False)),
    ("drill", Drilling("niamh")),
    ("maintenance", AtWork(NOW.utc_ms + H, H)),
]
"""Of each alarm what can stand, with figures as large as they come."""

ENDS: list[tuple[str, Facts]] = [
    *(
        (alarm, HeatOver(SEEN, alarm, by, limit))
        for alarm in (*map(str, Verdict), "room.too-warm")
        for by in (0.0, -0.4)
        for limit in (False, True)
    ),
    ("water-a.doubtful", ProbeBelieved("water-a")),
    ("level.leak", NoLeak(31.0)),
    ("level.top-up", ToppedUp(-2.0)),
    ("level.moved", GaugeWell("gauge in the chamber")),
    ("float-low.stuck-up", FloatWell("the low float")),
    ("lamp.not-on", LampAsNow()),
    ("water.low", BackInBand(*WATER, True, 24.8, 23.9)),
    ("water.rate", Steady(*WATER, 1.5)),
    ("water.unseen", SeenAgain(*WATER)),
    ("water.apart", Together("water")),
    ("full", InState("full", "the high float", True, False, "", True)),
    ("water-a.silent", Reads("probe A")),
    ("water-a.stuck", Moves("probe A")),
    ("salinity.high", salt(Why.NOTHING)),
    ("drill", Drilled(answered=False)),
    ("old.low", Removed()),
    *((row.name.replace("{", "").replace("}", ""), Over()) for row in ROWS),
]
NOTICES: list[tuple[str, Facts]] = [
    ("blind", Blind(NOW.utc_ms - 3 * H, 3 * H)),
    ("blind", Blind(NOW.utc_ms, None)),
    ("maintenance", WorkOver(())),
    ("maintenance", WorkOver((Standing("full", 0, Kept.of(STAND[0][1])),) * 9)),
    ("review", Prose("Rock pool: a calm night", "No alarms.")),
    ("review", EitherProse(Prose("A calm night, 1.0 L low"), Prose("A calm night, 0.26 gal low"))),
]

HAND = re.compile(
    r"\breach in\b|\b(its|the) plug\b|\bplug,|\bunplug\b|\bdial\b|\bwater out\b|\bpour\b|\bfloat\b"
    r"|\bthe (probe|gauge|sensor|heater)\b|\bswap\b|\bthermometer\b",
    re.IGNORECASE,
)
SAFE = re.compile(r"dry hands|switch the circuit off|drip loop", re.IGNORECASE)
NOT_PLAIN = re.compile(
    r"\bparts from\b|\bthe pump stands\b|\btold\b.{0,3}$|\bforetold\b|\bphysics expects\b"
    r"|\bburns\b|\bsounds\b|\bsuppress|\blatch|\btransition\b|\bcursor\b|\(due for\b",
    re.IGNORECASE,
)


def spoken(alarm: str, facts: Facts, units: System, kind: str) -> tuple[str, str]:
    """Title and text of a notice."""
    notice = Notice(
        f"{alarm}:{kind}:4:1", alarm, kind, Priority.HIGH, NOW, facts, 9 * H, 90 * 60_000
    )
    told = Reader("Europe/Dublin", units).notice(notice)
    return told.title, told.text


def sentences(text: str) -> Iterator[str]:
    yield from filter(None, re.split(r"(?<=[.?])\s+", text))


def repeated_words(text: str, run: int = 6) -> list[str]:
    """Runs of so many words that stand in it twice."""
    words = re.findall(r"[\w'-]+", text.lower())
    runs = [" ".join(words[n : n + run]) for n in range(len(words) - run + 1)]
    return [each for n, each in enumerate(runs) if each in runs[:n]]


EVERY = [(alarm, facts, units) for alarm, facts in STAND for units in System]


class TestEveryAlarm:
    @pytest.mark.parametrize(("alarm", "facts", "units"), EVERY)
    def test_is_read_in_five_seconds(self, alarm: str, facts: Facts, units: System) -> None:
        title, text = spoken(alarm, facts, units, "raised")
        said = Reader("Europe/Dublin", units)._say(alarm, facts, True, BEGAN, NOW)
        assert title == said.title
        assert len(title) <= LONGEST_TITLE, title
        assert title[-1] in ".?"
        assert "\n" not in title
        assert len(text) <= 600, f"{len(text)}: {text}"
        assert said.do, "what to do comes first"
        assert text == "\n".join((*said.parts, f"To answer: stillwell ack {alarm}"))
        assert not NOT_PLAIN.search(f"{title} {text}")

    @pytest.mark.parametrize(("alarm", "facts", "units"), EVERY)
    def test_says_each_thing_once(self, alarm: str, facts: Facts, units: System) -> None:
        whole = " ".join(spoken(alarm, facts, units, "raised"))
        said = list(sentences(whole))
        assert len(said) == len(set(said))
        assert repeated_words(whole) == []

    @pytest.mark.parametrize(("alarm", "facts", "units"), EVERY)
    def test_is_repeated_in_short_with_its_cause(
        self, alarm: str, facts: Facts, units: System
    ) -> None:
        title, text = spoken(alarm, facts, units, "repeated")
        assert title == spoken(alarm, facts, units, "raised")[0]
        assert len(text) <= 200, f"{len(text)}: {text}"
        assert f"Unanswered for 1 h 30 min. To answer: stillwell ack {alarm}" in text
        assert not text.startswith("Unanswered"), "what to do comes first"

    @pytest.mark.parametrize(("alarm", "facts", "units"), EVERY)
    def test_has_the_caution_wherever_it_sends_a_hand(
        self, alarm: str, facts: Facts, units: System
    ) -> None:
        for kind in ("raised", "repeated"):
            _, text = spoken(alarm, facts, units, kind)
            if HAND.search(text.partition("\n")[0]) and not alarm.startswith("room."):
                assert SAFE.search(text), text

    @pytest.mark.parametrize(("alarm", "facts"), [*STAND, *ENDS, *NOTICES])
    def test_has_no_unit_of_the_other_system(self, alarm: str, facts: Facts) -> None:
        kind = "raised" if (alarm, facts) in STAND else "returned"
        metric, us = (" ".join(spoken(alarm, facts, units, kind)) for units in System)
        assert not re.search(r"°F|\bgal\b|\bfl oz\b|\d in\b", metric)
        assert not re.search(r"°C|\d mL|\d L\b|\d mm\b", us)

    @pytest.mark.parametrize(("alarm", "facts"), ENDS)
    def test_says_in_a_line_that_it_is_over(self, alarm: str, facts: Facts) -> None:
        for units in System:
            title, text = spoken(alarm, facts, units, "returned")
            assert len(title) <= LONGEST_TITLE, title
            assert len(text) <= 300
            assert text.endswith(f"({alarm})")

    @pytest.mark.parametrize(("alarm", "facts"), NOTICES)
    def test_so_do_other_notices(self, alarm: str, facts: Facts) -> None:
        for units in System:
            title, text = spoken(alarm, facts, units, alarm)
            assert len(title) <= LONGEST_TITLE, title
            assert len(text) <= 600

    def test_of_the_catalogue_is_among_them(self) -> None:
        patterns = {
            row.name: re.compile(re.sub(r"\\\{\w+\\\}", r"[\\w-]+", re.escape(row.name)))
            for row in ROWS
            if not row.is_state
        }
        alone = {alarm for alarm, _ in STAND}
        lacking = [n for n, p in patterns.items() if not any(map(p.fullmatch, alone))]
        assert lacking == []
        assert BY_NAME.keys() >= patterns.keys()

    def test_that_words_are_made_of_is_among_them(self) -> None:
        given = {type(facts) for _, facts in (*STAND, *ENDS, *NOTICES)}
        assert given >= WORDS.keys()

    @pytest.mark.parametrize(("alarm", "facts"), [*STAND, *ENDS, *NOTICES])
    def test_comes_back_from_the_store_as_it_was(self, alarm: str, facts: Facts) -> None:
        """So that last month's alarm can be read in the other units."""
        for units in System:
            for kind in ("raised", "returned"):
                assert spoken(alarm, Kept.of(facts), units, kind) == spoken(
                    alarm, facts, units, kind
                )


def test_a_forecast_says_tomorrow_where_it_is() -> None:
    facts = OutsideBand(*WATER, True, 24.8, FALLS, SOON)
    _, text = spoken("water.low", facts, System.METRIC, "raised")
    assert "23.8 °C about tomorrow 00:45 (00:10 to 02:05)" in text


def test_two_figures_are_told_apart() -> None:
    facts = NotHeating(SEEN, 25.63, 12, DEAD)
    title, text = spoken("heater.not-heating", facts, System.METRIC, "raised")
    assert "25.61 °C" in title
    assert "where it always came on" in text


def test_a_transition_speaks_as_its_notice() -> None:
    facts = StuckOn(SEEN, 25.4, 12, DEAD)
    moved = Transition(
        "heater.stuck-on", NOW, State.NORMAL, State.UNACKNOWLEDGED, "raise", Priority.HIGH, True,
        facts, BEGAN,
    )  # fmt: skip
    said = Reader("Europe/Dublin").alarm(moved)
    assert said.title == spoken("heater.stuck-on", facts, System.METRIC, "raised")[0]
    assert said.seen.startswith("Above 25.4 °C since 11:00")
