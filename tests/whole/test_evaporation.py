"""Evaporation from sensor to review: the simulated tank through the whole pipeline, its truth
against what is said of the night."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

import in_words
from command_line import call
from stillwell.acquire.clock import SetClock
from stillwell.forward import Run, drive
from stillwell.keeper.gathered import since_of
from stillwell.morning import notice_of, review_of
from stillwell.notice import Transition
from stillwell.ports import Published
from stillwell.reading import Moment, Sample
from stillwell.settings import Settings, load
from stillwell.store import StoreReader
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store
from stillwell.wiring.plans.review import review_plan
from stillwell.wiring.sources import sources
from stillwell_drivers.simulated import Simulated, SimulatedSettings

START = datetime(2026, 3, 10, 12, tzinfo=UTC)
START_MS = round(START.timestamp() * 1000)
MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
NIGHTS = [(START_MS + d * DAY + 10 * HOUR, START_MS + d * DAY + 20 * HOUR) for d in range(3)]

CONFIG = """
[tank]
name = "reading-room"
zone = "Europe/Dublin"
volume = "68 L"
[tank.surface]
length = "45 cm"
width = "35 cm"
[tank.chamber]
length = "18 cm"
width = "9 cm"
lowest_safe = "-60 mm"
[store]
path = "{store}"
[source.tank]
driver = "simulated"
every = "2 min"
seed = 11
start = {start}
faults = [{faults}]
[source.tank.channels]
water-a = {{ sees = "water", noise = "0.03 K" }}
room = {{ sees = "room" }}
humidity = {{ sees = "humidity" }}
level = {{ sees = "level", noise = "1 mm" }}
float-low = {{ sees = "float", height = "{height} mm", upside_down = {turned} }}
[channel]
water-a = {{ quantity = "temperature" }}
room = {{ quantity = "temperature" }}
humidity = {{ quantity = "humidity" }}
level = {{ quantity = "level" }}
float-low = {{ quantity = "float", height = "{height} mm", differential = "2 mm" }}
"""


def configured(folder: Path, *, faults: str = "", turned: bool = False, height: int = -40) -> Path:
    path = folder / "tank.toml"
    path.write_text(
        CONFIG.format(
            store=folder / "tank.db",
            start=START.isoformat(),
            faults=faults,
            turned="true" if turned else "false",
            height=height,
        )
    )
    return path


def truth(settings: Settings, until_ms: int, each: Callable[[int, Any], None]) -> None:
    """Lives the tank's life and shows the driver at each two minutes."""
    [source] = settings.source.values()
    assert isinstance(source.settings, SimulatedSettings)
    driver = Simulated(source.settings)
    clock = SetClock(START_MS)
    driver.use_clock(clock)
    driver.open()
    for at_ms in range(START_MS, until_ms + 1, 2 * MINUTE):
        clock.set(at_ms)
        each(at_ms, driver)
    driver.close()


def lost(settings: Settings) -> dict[int, float]:
    """mL that evaporated in each night, by its end."""
    gone: dict[int, float] = {}

    def look(at_ms: int, driver: Any) -> None:
        list(driver.read())
        gone[at_ms] = driver.model.state.evaporated_ml_total

    truth(settings, NIGHTS[-1][1], look)
    return {end: gone[end] - gone[begin] for begin, end in NIGHTS}


@dataclass
class Lived:
    heard: list[Transition]
    rows: list[Published]

    def night(self, name: str, end_ms: int) -> Published:
        return [r for r in self.rows if r.name == name and r.time_ms == end_ms][-1]

    def raised(self) -> set[str]:
        return {t.alarm for t in self.heard if t.event == "raise"}


def live(
    settings: Settings, until_ms: int, look: Callable[[Run, int], None] | None = None
) -> Lived:
    """Runs the pipeline on the simulated driver."""
    heard: list[Transition] = []
    line = assemble.pipeline(settings, open_store(settings), heard.append)

    def seen(now_ms: int) -> None:
        if look is not None:
            look(run, now_ms)

    run = Run(line, START_MS, boot_id="boot", tick_ms=MINUTE, look=seen)
    drive(run, [s for bus in sources(settings).values() for s in bus], until_ms)
    line.end()
    with StoreReader.open(settings.store_path) as reader:
        return Lived(heard, list(reader.estimates()))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("evaporation")


@pytest.fixture(scope="module")
def settings(folder: Path) -> Settings:
    return load(configured(folder))


@pytest.fixture(scope="module")
def true_loss(settings: Settings) -> dict[int, float]:
    return lost(settings)


@pytest.fixture(scope="module")
def replayed(folder: Path, settings: Settings) -> list[dict[str, Any]]:
    """What `replay --json` prints of a trace of the tank and its keeper's journal."""
    trace, journal = folder / "trace.csv", folder / "journal.csv"
    with trace.open("w", newline="") as readings:
        rows = csv.writer(readings)
        rows.writerow(["time", "channel", "value"])
        driver_notes: list[Any] = []

        def write(at_ms: int, driver: Any) -> None:
            at = datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            for sample in driver.read():
                rows.writerow([at, sample.channel, sample.value])
            driver_notes[:] = driver.journal_since(0)

        truth(settings, NIGHTS[-1][1] + HOUR, write)
    with journal.open("w", newline="") as notes:
        rows = csv.writer(notes)
        rows.writerow(["time", "kind", "value", "unit"])
        for note in driver_notes:
            at = datetime.fromtimestamp(note.utc_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            rows.writerow([at, note.kind, note.value, note.unit])
    result = call(
        *("replay", "-c", folder / "tank.toml", "-r", trace, "-j", journal),
        *("-s", folder / "replay.db", "--json"),
    )
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


class TestReplay:
    def test_prints_reviews_whose_intervals_hold_the_truth(
        self, replayed: list[dict[str, Any]], true_loss: dict[int, float]
    ) -> None:
        reviews = [line["review"] for line in replayed if "review" in line]
        assert len(reviews) == 3
        for review, (_, end) in zip(reviews, NIGHTS, strict=True):
            water = review["water"]
            assert water["lost"]["low"] <= true_loss[end] <= water["lost"]["high"]
            assert water["lost"]["unit"] == "mL"
            assert "gauge readings" in water["lost"]["basis"]

    def test_says_how_much_to_add(self, replayed: list[dict[str, Any]]) -> None:
        water = [line["review"] for line in replayed if "review" in line][-1]["water"]
        assert water["to_add"]["low"] < water["to_add"]["value"] < water["to_add"]["high"]
        assert water["level"]["value"] < 0
        assert water["reserve"]["value"] > 0
        assert water["nights_before"] == 2

    def test_sounds_no_alarm_of_the_level(self, replayed: list[dict[str, Any]]) -> None:
        assert not [
            line for line in replayed if line.get("event") == "raise" and "level." in line["alarm"]
        ]

    def test_review_of_the_store_alone_reads_the_same(
        self, folder: Path, replayed: list[dict[str, Any]]
    ) -> None:
        result = call("review", "-s", folder / "replay.db", "--last", "3", "--json")
        reviews = [json.loads(line) for line in result.stdout.splitlines()]
        assert reviews == [line for line in replayed if "review" in line]

    def test_review_draws_and_explains(self, folder: Path, replayed: list[dict[str, Any]]) -> None:
        said = call("review", "-s", folder / "replay.db").stdout
        assert "Water lost: " in said
        assert "from the fill mark: " in said
        assert "Rests on " in said

    def test_chart_is_a_png(self, folder: Path, replayed: list[dict[str, Any]]) -> None:
        chart = folder / "night.png"
        result = call("review", "-s", folder / "replay.db", "--png", chart)
        assert result.exit_code == 0, result.output
        assert chart.read_bytes().startswith(b"\x89PNG")

    def test_the_morning_s_notice_names_what_to_add(
        self, folder: Path, settings: Settings, replayed: list[dict[str, Any]]
    ) -> None:
        plan = review_plan(settings)
        with StoreReader.open(folder / "replay.db") as reader:
            review = review_of(reader, plan, plan.last(NIGHTS[-1][1])[0])
            since = since_of(reader, review.end_ms, NIGHTS[-1][1] + 10 * MINUTE)
        notice = notice_of(review, plan, Moment(0, NIGHTS[-1][1] + 10 * MINUTE, 1), since)
        assert in_words.told(notice).title.endswith(" mL low")
        assert "Water lost: " in in_words.told(notice).text
        assert ": add " in in_words.told(notice).text

    def test_a_pour_of_the_morning_is_told_by_every_screen_and_by_the_late_notice(
        self, tmp_path: Path, folder: Path, settings: Settings, replayed: list[dict[str, Any]]
    ) -> None:
        """The trace's keeper pours half an hour after the night's end."""
        config, end = configured(tmp_path), NIGHTS[-1][1]
        (tmp_path / "tank.db").write_bytes((folder / "replay.db").read_bytes())
        [told] = [line for line in replayed if "review" in line][-1:]
        assert told["review"]["water"]["to_add"]["value"] > 500
        assert "Level: at the mark." in call("today", "-c", config).stdout
        reviewed = " ".join(call("review", "-c", config).stdout.split())
        assert "mL poured. Level now: at the mark." in reviewed
        plan = review_plan(settings)
        now = Moment(0, end + HOUR, 1)
        with StoreReader.open(tmp_path / "tank.db") as reader:
            review = review_of(reader, plan, plan.last(end)[0])
            late = notice_of(review, plan, now, since_of(reader, end, now.utc_ms))
        assert "At 09:00: at the mark." in in_words.told(late).text
        for said in (reviewed, in_words.told(late).text, in_words.told(late).title):
            assert "add " not in said
        assert " low" not in in_words.told(late).title


class TestRestart:
    def test_two_halves_say_the_same_as_one_go(self, tmp_path: Path, settings: Settings) -> None:
        end = NIGHTS[0][1] + HOUR
        seen: list[tuple[int, list[Sample]]] = []
        truth(settings, end, lambda at_ms, driver: seen.append((at_ms, list(driver.read()))))
        middle = next(i for i, (at_ms, _) in enumerate(seen) if at_ms > NIGHTS[0][0] + 3 * HOUR)
        said = []
        for name, parts in (("one", [seen]), ("two", [seen[:middle], seen[middle:]])):
            (tmp_path / name).mkdir()
            said.append(self.of_nights(load(configured(tmp_path / name)), parts))
        assert len(said[0]) == 4
        assert said[0] == said[1]

    def of_nights(
        self, settings: Settings, parts: list[list[tuple[int, list[Sample]]]]
    ) -> list[Published]:
        """What is published of nights when a new pipeline takes each part."""
        for number, part in enumerate(parts):
            store = open_store(settings)
            run = Run(assemble.pipeline(settings, store), part[0][0], boot_id=f"boot-{number}")
            for at_ms, samples in part:
                run.take(at_ms, "tank", samples)
            run.end()
            run.pipeline.end()
        with StoreReader.open(settings.store_path) as reader:
            return [row for row in reader.estimates() if row.name.startswith("night.")]


class TestMustHold:
    END = NIGHTS[0][1]

    def sane(self, lived: Lived, true_ml: float) -> None:
        """The interval holds the truth, or a reason stands in place of a number."""
        row = lived.night("night.loss", self.END)
        if row.value is None:
            assert len(row.basis) > 10
        else:
            assert row.low is not None
            assert row.high is not None
            assert row.low <= true_ml <= row.high

    def test_gauge_unplugged_for_hours_in_the_night(
        self, tmp_path: Path, true_loss: dict[int, float]
    ) -> None:
        dead = '{ name = "gauge-dead", after = "13 h", for = "4 h" }'
        lived = live(load(configured(tmp_path, faults=dead)), self.END + HOUR)
        self.sane(lived, true_loss[self.END])
        assert "level.leak" not in lived.raised()

    def test_float_mounted_upside_down(self, tmp_path: Path, true_loss: dict[int, float]) -> None:
        turned = load(configured(tmp_path, turned=True, height=-15))
        lived = live(turned, START_MS + 40 * HOUR)  # on a tank's first day no sensor is accused
        self.sane(lived, true_loss[self.END])
        assert lived.raised() & {"level.disagree", "float-low.stuck-down", "float-low.stuck-up"}

    def test_gauge_moved_in_the_night(self, tmp_path: Path, true_loss: dict[int, float]) -> None:
        moved = '{ name = "gauge-offset", after = "14 h", size = 8.0 }'
        lived = live(load(configured(tmp_path, faults=moved)), self.END + HOUR)
        self.sane(lived, true_loss[self.END])
        assert "level.leak" not in lived.raised()

    def test_clock_put_back_an_hour_in_the_night(
        self, tmp_path: Path, true_loss: dict[int, float]
    ) -> None:
        def step(run: Run, now_ms: int) -> None:
            if now_ms >= NIGHTS[0][0] + 2 * HOUR:
                mono = run.clock.monotonic_ns() // 1_000_000
                run.pipeline.look_at_clock(mono, now_ms - HOUR, trusted=True)

        lived = live(load(configured(tmp_path)), self.END + 2 * HOUR, look=step)
        # ten hours by the new clock begin an hour later: at the same rate, about as much
        row = lived.night("night.rate", self.END)
        assert row.low is not None
        assert row.high is not None
        assert row.low * 0.95 <= true_loss[self.END] / 10 <= row.high * 1.05
        assert not {a for a in lived.raised() if a.startswith("level.")}

    def test_a_leak_sounds_within_hours(self, tmp_path: Path) -> None:
        leak = '{ name = "leak", after = "26 h" }'
        lived = live(load(configured(tmp_path, faults=leak)), START_MS + 34 * HOUR)
        [raised] = [t for t in lived.heard if t.alarm == "level.leak" and t.event == "raise"]
        assert raised.moment.utc_ms <= START_MS + 31 * HOUR
        assert "eak" in in_words.said(raised).title


class TestWithoutAChamber:
    def test_nothing_is_estimated_and_the_review_says_nothing_of_water(
        self, tmp_path: Path
    ) -> None:
        path = configured(tmp_path)
        text = path.read_text()
        begin, end = text.index("[tank.chamber]"), text.index("[store]")
        path.write_text(text[:begin] + text[end:])
        lived = live(load(path), START_MS + 2 * HOUR)
        assert lived.rows == []
        assert not [t for t in lived.heard if t.alarm.startswith("level.")]
