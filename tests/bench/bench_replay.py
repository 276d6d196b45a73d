"""A year of eight channels at one reading a minute (4.2 million), as fast as it goes.

    python tests/bench/bench_replay.py [--quick]

Once through the pipeline from samples in memory, once by `stillwell replay` from a CSV file,
against `sqlite3.executemany` of the same rows, ready-made, into the same schema. Both wait for no
disk: a replay's store can be made again. The command also reads every night back for its review.
"""

from __future__ import annotations

import sqlite3
import subprocess
import tempfile
import time
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

import eight_channels
from table import Line, main

from stillwell.forward import Run, hurry
from stillwell.reading import Sample
from stillwell.store import Store
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store

DAY = 1440
YEAR, MONTH = 365 * DAY, 30 * DAY

Chunk = list[tuple[int, tuple[Sample, ...]]]


class Through:
    """Times the pipeline; making the samples is not included."""

    def __init__(self, folder: Path) -> None:
        settings = eight_channels.settings(folder)
        store = open_store(settings, folder / "pipeline.db", bulk=True)
        self._line = assemble.pipeline(settings, store)
        self._run = Run(self._line, eight_channels.START_MS, boot_id="bench")
        self.spent = 0.0

    def take(self, chunk: Chunk) -> None:
        began = time.perf_counter()
        for utc_ms, samples in chunk:
            self._run.take(utc_ms, "tank", samples)
        self.spent += time.perf_counter() - began

    def end(self) -> None:
        began = time.perf_counter()
        self._run.end()
        self._line.end()
        self.spent += time.perf_counter() - began


class Bare:
    """Times `executemany` alone; making the rows is not included."""

    def __init__(self, folder: Path) -> None:
        path = folder / "bare.db"
        Store.open(path, bulk=True).close()  # the same schema, by the same migrations
        self._db = sqlite3.connect(path, isolation_level=None)
        self._db.execute("PRAGMA synchronous = OFF")
        self._db.execute("BEGIN")
        self._seq = 0
        self.spent = 0.0

    def take(self, chunk: Chunk) -> None:
        rows = []
        for utc_ms, samples in chunk:
            at_ms = utc_ms - eight_channels.START_MS
            for channel, sample in enumerate(samples):
                self._seq += 1
                rows.append((self._seq, channel, 1, at_ms, sample.value, 1, *4 * (None,)))
        began = time.perf_counter()
        self._db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
        self.spent += time.perf_counter() - began

    def end(self) -> None:
        began = time.perf_counter()
        self._db.execute("COMMIT")
        self.spent += time.perf_counter() - began
        self._db.close()


def both_s(folder: Path, minutes: int) -> tuple[float, float]:
    """Returns the seconds through the pipeline and of `executemany`. They take turns, day by
    day, so that a machine that is busy with something else slows both."""
    through, bare = Through(folder), Bare(folder)
    source = eight_channels.stream(minutes)
    with hurry():
        while chunk := list(islice(source, DAY)):
            through.take(chunk)
            bare.take(chunk)
        through.end()
        bare.end()
    return through.spent, bare.spent


def write_trace(path: Path, minutes: int) -> None:
    with path.open("w", encoding="utf-8") as out:
        out.write("time,channel,value\n")
        for utc_ms, samples in eight_channels.stream(minutes):
            at = f"{datetime.fromtimestamp(utc_ms / 1000, UTC):%Y-%m-%dT%H:%M:%SZ}"
            out.writelines(f"{at},{sample.channel},{sample.value}\n" for sample in samples)


def command_s(folder: Path, minutes: int) -> float:
    """Returns the seconds of the whole command, its start and its reviews included."""
    trace = folder / "trace.csv"
    write_trace(trace, minutes)
    config, store = eight_channels.configuration(folder), folder / "replay.db"
    began = time.perf_counter()
    subprocess.run(
        [eight_channels.STILLWELL, "replay", "-c", config, "-r", trace, "-s", store, "--json"],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    return time.perf_counter() - began


def measure(quick: bool) -> list[Line]:
    minutes = MONTH if quick else YEAR
    what = "a month" if quick else "a year"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pipeline, bare = both_s(folder, minutes)
        command = command_s(folder, minutes)
    against = "executemany of ready rows"
    return [
        Line(f"{what} of 8 channels through the pipeline", pipeline, "s", bare, against, 3),
        Line(f"{what} of 8 channels by stillwell replay", command, "s", bare, against, 3),
    ]


if __name__ == "__main__":
    main(measure, __doc__)
