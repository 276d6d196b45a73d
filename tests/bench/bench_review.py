"""The review of last night in a store of five years and in one of a week.

    python tests/bench/bench_review.py [--quick]

Eight channels at one reading a minute (`--quick`: at one in ten, except for the last week), nothing
deleted. Opening the file is part of it; the two take turns, and the medians count.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import eight_channels
from table import Line, main

from stillwell.morning import review_of
from stillwell.reading import Flag, Moment, Reading, Sample
from stillwell.review_plan import ReviewPlan
from stillwell.store import Store, StoreReader
from stillwell.wiring.plans.review import review_plan

DAY_MS = 86_400_000
WEEK = 7
YEARS = 5 * 365 + 1
TURNS = 30


def rows(days: int, sparse: int) -> Iterator[tuple[int, tuple[Sample, ...]]]:
    """Yields the stream, which ends at the same instant whatever its length, with only the last
    week in full."""
    full_from = (days - WEEK) * 1440
    first_ms = eight_channels.START_MS - days * DAY_MS
    for minute, (_, samples) in enumerate(eight_channels.stream(days * 1440)):
        if minute >= full_from or minute % sparse == 0:
            yield first_ms + minute * 60_000, samples


def fill(path: Path, plan: ReviewPlan, days: int, sparse: int) -> Path:
    """Fills a store as it is after this many days without an alarm."""
    with Store.open(path, bulk=True) as store:
        first_ms = eight_channels.START_MS - days * DAY_MS
        epoch = store.begin_epoch("bench", Moment(0, first_ms), True)
        for utc_ms, samples in rows(days, sparse):
            at = Moment(utc_ms - first_ms, utc_ms, epoch)
            store.put([Reading(s.channel, at, s.value, Flag.PASS) for s in samples])
    return path


def review_s(path: Path, plan: ReviewPlan) -> float:
    began = time.perf_counter()
    with StoreReader.open(path) as reader:
        review = review_of(reader, plan, plan.last(eight_channels.START_MS)[-1])
    took = time.perf_counter() - began
    seen = [channel.readings for channel in review.channels]
    if min(seen) < 500:
        raise RuntimeError(f"the night was not in the store: {seen}")
    return took


def measure(quick: bool) -> list[Line]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan = review_plan(eight_channels.settings(folder))
        week = fill(folder / "week.db", plan, WEEK, 1)
        years = fill(folder / "years.db", plan, YEARS, 10 if quick else 1)
        turns = [(review_s(years, plan), review_s(week, plan)) for _ in range(TURNS)]
    return [
        Line(
            "review of a night in five years",
            1000 * median(long for long, _ in turns),
            "ms",
            1000 * median(short for _, short in turns),
            "the same night in a week",
            1.2,
            1,
        )
    ]


if __name__ == "__main__":
    main(measure, __doc__)
