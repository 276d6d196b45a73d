"""Prints what ``stillwell run`` reports: on standard error, which is a terminal, a file or the
journal."""

from __future__ import annotations

import logging
import sys
import threading
import time
from contextlib import suppress
from datetime import UTC, datetime

from stillwell.cli import run_words
from stillwell.notice import Transition
from stillwell.ports import Clock
from stillwell.settings import Settings
from stillwell.store import Store, StoreError, StoreReader
from stillwell.supervise.spoken import SAID_AT
from stillwell.words import Reader

log = logging.getLogger(__name__)

FIRST_FIGURES_S = 5.0
"""How long after the first readings have been kept the figures are first shown, in seconds."""
FIGURES_EVERY_S = 600.0
FASTEST_FIGURES_S = 5.0
"""The shortest real time between two lines of figures where time runs faster, in seconds."""


class Voice:
    """Prints what a run reports while it runs: to a terminal or a file by standard error, and to
    the journal."""

    def __init__(self, settings: Settings, store: Store, clock: Clock, *, as_json: bool) -> None:
        self._settings = settings
        self._reader = Reader(settings.tank.zone, settings.tank.units)
        self._store = store
        self._clock = clock
        self._as_json = as_json
        self._alarms = {t.alarm: t for t in store.latest_transitions()}

    def open(self) -> None:
        for line in run_words.opening(self._settings, self._store.path, self._alarms.values()):
            self._say(line)
        if sys.stderr.isatty():
            self._say("Ctrl-C ends it.")

    def told(self, transition: Transition) -> None:
        """Takes one change of one alarm, on the pipeline's thread."""
        self._alarms[transition.alarm] = transition
        if self._as_json:
            from stillwell.cli.alarm_line import alarm_as_dict
            from stillwell.cli.console import print_json

            # When nobody reads the output any more, that must not end the watch.
            with suppress(OSError):
                print_json(alarm_as_dict(transition, self._reader))
            return
        level = logging.WARNING if run_words.calls(transition) else logging.INFO
        self._say(run_words.change(transition, self._reader), level, transition.moment.utc_ms)

    def show_figures(self, speed: float) -> None:
        """Prints the newest figures now and then, from a thread of its own, as long as the process
        lives."""
        threading.Thread(target=self._figures, args=(speed,), name="figures", daemon=True).start()

    def close(self, readings: int, *, well: bool) -> None:
        failing = self._store.failing
        why = "" if failing is None else str(failing)
        alarms = self._alarms.values()
        for line in run_words.closing(readings, self._store.path, why, alarms, well=well):
            self._say(line)

    def _figures(self, speed: float) -> None:
        wait_s = self._settings.store.commit_every + FIRST_FIGURES_S
        while True:
            time.sleep(max(FASTEST_FIGURES_S, wait_s / speed))
            wait_s = FIGURES_EVERY_S
            # A file that cannot be read is the watch's business, which reports it.
            with suppress(StoreError), StoreReader.open(self._store.path) as reader:
                self._say(run_words.figures(reader.latest_readings(), self._settings))

    def _say(self, text: str, level: int = logging.INFO, utc_ms: int | None = None) -> None:
        if not text:
            return
        ms = self._clock.wall_ms() if utc_ms is None else utc_ms
        at = datetime.fromtimestamp(ms / 1000, UTC).astimezone(self._settings.tank.time_zone)
        log.log(level, "%s", text, extra={SAID_AT: f"{at:%a %H:%M:%S}"})
