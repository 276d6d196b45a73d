"""What the running daemon has read: it holds the sensors, so the store is asked instead."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

from stillwell.cli.checks.point import Grade, Point
from stillwell.cli.checks.readings import channel_point
from stillwell.settings import Settings
from stillwell.store import StoreReader
from stillwell.units import Dimension, show
from stillwell.wire import limits_of


def latest(settings: Settings, store: Path) -> Iterator[Point]:
    """The latest reading of each channel, and how old it is. Raises `StoreError`."""
    now_ms = time.time_ns() // 1_000_000
    with StoreReader.open(store) as reader:
        newest = {reading.channel: reading for reading in reader.latest_readings()}
        standing = [transition for transition in reader.alarms() if transition.active]
    for name in settings.channel:
        reading = newest.get(name)
        if reading is None:
            yield Point(
                "channel",
                name,
                Grade.FIX,
                "The running daemon has kept no reading of it yet.",
                "If it is new in the configuration: systemctl restart stillwell. Else wait a "
                "minute and check again.",
            )
            continue
        # A daemon on the simulated tank's fast clock is ahead of ours: no age, then.
        age_s = max(0.0, (now_ms - reading.moment.utc_ms) / 1000)
        when = f"{show(age_s, Dimension.DURATION)} ago"
        if age_s > limits_of(settings, name).gap_s + settings.store.commit_every:
            what = f"The daemon's latest reading of it is {show(age_s, Dimension.DURATION)} old."
            do = "Look at: stillwell alarms, and systemctl status stillwell."
            yield Point("channel", name, Grade.FIX, what, do)
        else:
            yield channel_point(settings, reading, when)
    for transition in standing:
        message = transition.message
        yield Point("alarm", transition.alarm, Grade.NOTE, message.what, message.do)
