"""What keeping readings costs the card: bytes and commits a reading.

    python tests/bench/bench_writes.py [--quick]

The pipeline with a durable store that commits every 30 s, as the daemon has it, against the same
pipeline with a commit after every reading. Bytes are what the kernel counts as sent to the disk for
the process (`write_bytes` of /proc/PID/io; zero on a file system in memory). Two cadences: eight
channels at 1 Hz, and the reading room's one reading a channel in 30 s, of which a commit holds only
eight.
"""

from __future__ import annotations

import tempfile
from itertools import islice
from pathlib import Path

import eight_channels
from table import Line, main

from stillwell.forward import Run
from stillwell.pipeline import Pipeline
from stillwell.store import Store
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store


def written() -> int:
    fields = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(fields["write_bytes"])


def opened(folder: Path, name: str) -> tuple[Pipeline, Store]:
    store = open_store(eight_channels.settings(folder), folder / name)
    return assemble.pipeline(eight_channels.settings(folder), store), store


def in_batches(folder: Path, every_s: int, minutes: int) -> tuple[float, float]:
    """Returns bytes and commits a reading, as the daemon causes them."""
    line, store = opened(folder, f"batches-{every_s}.db")
    run = Run(line, eight_channels.START_MS, boot_id="bench", tick_ms=1000)
    line.store.commit()
    bytes_before, commits_before = written(), store.disk.commits
    for utc_ms, samples in eight_channels.stream(minutes * 60 // every_s, every_s):
        run.take(utc_ms, "tank", samples)
    run.end()
    counted = (written() - bytes_before, store.disk.commits - commits_before)
    taken = line.readings_taken
    line.end()
    return counted[0] / taken, counted[1] / taken


def one_by_one(folder: Path, every_s: int, readings: int) -> tuple[float, float]:
    """Returns bytes and commits a reading, with a commit after each."""
    line, store = opened(folder, f"single-{every_s}.db")
    run = Run(line, eight_channels.START_MS, boot_id="bench", tick_ms=1000)
    line.store.commit()
    bytes_before, commits_before = written(), store.disk.commits
    for utc_ms, samples in islice(eight_channels.stream(readings, every_s), readings // 8):
        for sample in samples:
            run.take(utc_ms, "tank", (sample,))
            store.commit()
    run.end()
    counted = (written() - bytes_before, store.disk.commits - commits_before)
    taken = line.readings_taken
    line.end()
    return counted[0] / taken, counted[1] / taken


def measure(quick: bool) -> list[Line]:
    lines: list[Line] = []
    for every_s, minutes in ((1, 10 if quick else 60), (30, 600 if quick else 3600)):
        # Not in /tmp, which may be in memory.
        with tempfile.TemporaryDirectory(dir=Path(__file__).parent) as name:
            ours = in_batches(Path(name), every_s, minutes)
            single = one_by_one(Path(name), every_s, 400 if quick else 4000)
        where = f"8 channels each {every_s} s"
        goal = 1 / 20 if every_s == 1 else None
        against = "a commit a reading"
        lines += [
            Line(f"bytes to disk a reading, {where}", ours[0], "B", single[0], against, goal, 0),
            Line(f"commits a reading, {where}", ours[1], "", single[1], against, goal, 4),
        ]
    return lines


if __name__ == "__main__":
    main(measure, __doc__)
