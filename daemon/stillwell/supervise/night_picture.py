"""The picture of a night, kept beside the store, for messages that can carry one.

It is drawn once a morning in a process of its own: matplotlib would cost the daemon some fifty
megabytes for good, and no failure of it may touch the watch. That process has low priority, limited
memory and limited time; without its picture the message is sent all the same.
"""

from __future__ import annotations

import datetime as dt
import logging
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Collection
from importlib.util import find_spec
from pathlib import Path

from stillwell.notice import Notice
from stillwell.units import System

log = logging.getLogger(__name__)

LONGEST_S = 120.0
"""The longest that drawing may take, in seconds. A Pi Zero takes half a minute, and twice that the
first time, to find its fonts (an estimate of ours: not measured on one)."""
KEPT = 3
"""How many nights' pictures are kept: a recipient that was out of reach still gets a picture within
that time."""
_PREFIX = "review-"


class NightPictures:
    """Draws pictures and knows where they are.

    Args:
        store: the file whose nights are drawn.
        units: the systems in which somebody wants them.
        stop: ends a drawing that is going on.
        longest_s: real seconds for one of them.
    """

    def __init__(
        self,
        store: Path,
        units: Collection[System],
        stop: threading.Event,
        longest_s: float = LONGEST_S,
    ) -> None:
        self._store = store
        self._folder = store.with_name(f"{store.stem}-nights")
        self._units = sorted(set(units))
        self._stop = stop
        self._longest_s = longest_s

    def draw(self, evening: dt.date) -> None:
        """Draws the night that began on a local date. Blocks for as long as that takes; never
        raises."""
        if not self._units:
            return
        try:
            if find_spec("matplotlib") is None:
                return
            self._folder.mkdir(exist_ok=True)
            for units in self._units:
                self._draw(evening, units)
            for old in sorted(self._folder.glob("*.png"))[: -KEPT * len(self._units)]:
                old.unlink()
        except Exception as error:
            log.warning("The night's picture could not be drawn: %s.", error)

    def of(self, notice: Notice, units: System) -> Path | None:
        """Returns the picture that goes with a morning's notice; None when there is none, or the
        disk can't give it to us."""
        if notice.kind != "review" or not notice.key.startswith(_PREFIX):
            return None
        path = self._path(notice.key.removeprefix(_PREFIX), units)
        try:
            return path if path.is_file() else None
        except OSError as error:
            log.warning("The night's picture cannot be had: %s.", error)
            return None

    def _path(self, evening: str, units: System) -> Path:
        return self._folder / f"night-{evening}-{units}.png"

    def _draw(self, evening: dt.date, units: System) -> None:
        path = self._path(evening.isoformat(), units)
        with tempfile.TemporaryDirectory() as scratch:
            drawn = Path(scratch) / path.name
            command = [
                *(sys.executable, "-m", "stillwell.cli.night_file"),
                *(str(self._store), evening.isoformat(), str(units), str(drawn)),
            ]
            # What matplotlib finds out about fonts is kept here: a service has no home folder, and
            # finding it takes half a minute on a small Pi. One thread is enough.
            fonts = str(self._folder / "matplotlib")
            environ = os.environ | {"MPLCONFIGDIR": fonts, "OPENBLAS_NUM_THREADS": "1"}
            environ.pop("NOTIFY_SOCKET", None)
            child = subprocess.Popen(
                command,
                env=environ,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
            )
            said = self._wait(child)
            if child.returncode or not drawn.is_file():
                log.warning("The night's picture could not be drawn: %s", said or "no reason")
                return
            # The scratch folder may be on another disk, and ours may be full: a picture must be
            # there whole or not at all.
            part = path.with_suffix(".part")
            try:
                part.write_bytes(drawn.read_bytes())
                part.replace(path)
            finally:
                part.unlink(missing_ok=True)

    def _wait(self, child: subprocess.Popen[str]) -> str:
        """Waits for the process to end, or ends it. Returns the last line of its output."""
        end = time.monotonic() + self._longest_s
        why = ""
        while child.poll() is None:
            if self._stop.is_set() or time.monotonic() > end:
                why = "it took too long." if not self._stop.is_set() else "the daemon ends."
                child.kill()
                child.wait()
            self._stop.wait(0.2)
        lines = child.communicate()[1].strip().splitlines()
        return why or " ".join(lines[-2:])
