"""What the running daemon has read: the daemon holds the sensors, so the store is read instead."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from pathlib import Path

from stillwell.cli.checks.point import Grade, Point
from stillwell.cli.checks.readings import channel_point
from stillwell.cli.watch_line import look
from stillwell.reading import Reading
from stillwell.settings import Settings
from stillwell.store import StoreReader
from stillwell.units import Dimension, show
from stillwell.watching import Watch
from stillwell.wiring.plans.channels import limits_of
from stillwell.words import Reader

LONGEST_WAIT_S = 60.0
"""The longest wait for the first round of a daemon that has just begun, in seconds."""
AGAIN_S = 0.5
SLACK_S = 5.0


def latest(settings: Settings, store: Path) -> Iterator[Point]:
    """Yields the latest reading of each channel, and how old it is. If the daemon has just begun,
    it waits for its first round. Raises `StoreError`."""
    early = _wait_for_first_round(settings, store)
    now_ms = _now_ms()
    with StoreReader.open(store) as reader:
        newest = _newest(reader)
        standing = [transition for transition in reader.alarms() if transition.active]
    for name in settings.channel:
        reading = newest.get(name)
        if early and (reading is None or reading.moment.utc_ms < early):
            what = "Too early to say: the daemon has just begun and has not kept a reading yet."
            at = show(_round_s(settings), Dimension.DURATION)
            yield Point("channel", name, Grade.NOTE, what, f"Check again in {at}.")
            continue
        if reading is None:
            yield Point(
                "channel",
                name,
                Grade.FIX,
                "The running daemon has kept no reading of it yet.",
                "If it is new in the configuration: sudo systemctl restart stillwell. Else wait a "
                "minute and check again.",
            )
            continue
        # A daemon on the simulated tank's fast clock is ahead of ours: then there is no age.
        age_s = max(0.0, (now_ms - reading.moment.utc_ms) / 1000)
        when = f"{show(age_s, Dimension.DURATION)} ago"
        if age_s > limits_of(settings, name).gap_s + settings.store.commit_every:
            what = f"The daemon's latest reading of it is {show(age_s, Dimension.DURATION)} old."
            do = "Look at: stillwell alarms, and systemctl status stillwell."
            yield Point("channel", name, Grade.FIX, what, do)
        else:
            yield channel_point(settings, reading, when)
    for transition in standing:
        said = Reader(settings.tank.zone, settings.tank.units).alarm(transition)
        yield Point("alarm", transition.alarm, Grade.NOTE, said.title, said.do)


def _wait_for_first_round(settings: Settings, store: Path) -> int:
    """Waits until a daemon that has just begun has kept a reading of each channel, or has had the
    time to. Returns the UTC ms of the daemon's start if even that time was not enough; 0 if it was.
    """
    gives_up = time.monotonic() + LONGEST_WAIT_S
    while True:
        with StoreReader.open(store) as reader:
            watching, newest = look(reader), _newest(reader)
        began_ms = watching.since_ms
        if watching.watch is not Watch.ON or watching.fast or began_ms is None:
            return 0
        fresh = {name for name, r in newest.items() if r.moment.utc_ms >= began_ms}
        if fresh >= set(settings.channel):
            return 0
        if not 0 <= _now_ms() - began_ms < _round_s(settings) * 1000:
            return 0
        if time.monotonic() > gives_up:
            return began_ms
        time.sleep(AGAIN_S)


def _round_s(settings: Settings) -> float:
    """Returns how long it takes until every source has been read once and that is on the disk."""
    slowest = max((source.every for source in settings.source.values()), default=0.0)
    return slowest + settings.store.commit_every + SLACK_S


def _newest(reader: StoreReader) -> Mapping[str, Reading]:
    return {reading.channel: reading for reading in reader.latest_readings()}


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
