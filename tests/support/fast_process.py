"""`fast_daemon.py` as a process that a campaign starts, reads, steps and kills."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
GENEROUS_S = 120.0
"""A limit, in s, that only ends a campaign whose condition never comes true; no time is judged."""


@dataclass(frozen=True)
class Line:
    """A line that the daemon has printed, and when: seconds of `time.monotonic`."""

    at_s: float
    words: dict[str, Any]


class FastDaemon:
    """One configured daemon; may be started again after its end."""

    def __init__(self, config: Path, log: Path, site: Path | None = None) -> None:
        """Makes the daemon. `site`: a folder with packages of others, for its PYTHONPATH."""
        self.lines: queue.Queue[Line] = queue.Queue()
        self.began_s = 0.0
        self.ran_s: float | None = None
        """When its clock began to run, in seconds of `time.monotonic`."""
        self.process: subprocess.Popen[str] | None = None
        self._config = config
        self._log = log
        self._site = site
        self._speed = 1.0

    def start(self, speed: float, utc_ms: int, mono_ms: int = 0, boot: str = "boot-1") -> None:
        self.lines = queue.Queue()
        self._speed, self.ran_s = speed, None
        self.began_s = time.monotonic()
        path = [str(HERE), *([str(self._site)] if self._site else [])]
        path += filter(None, [os.environ.get("PYTHONPATH")])
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                [
                    sys.executable,
                    str(HERE / "fast_daemon.py"),
                    str(self._config),
                    f"--speed={speed}",
                    f"--utc-ms={utc_ms}",
                    f"--mono-ms={mono_ms}",
                    f"--boot={boot}",
                ],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                # As the unit in deploy/systemd has it.
                env=os.environ
                | {
                    "PYTHONPATH": ":".join(path),
                    "MALLOC_ARENA_MAX": "2",
                    "MALLOC_TRIM_THRESHOLD_": "131072",
                },
            )
        threading.Thread(target=self._hear, args=(self.process, self.lines), daemon=True).start()

    def _hear(self, process: subprocess.Popen[str], lines: queue.Queue[Line]) -> None:
        assert process.stdout is not None
        with contextlib.suppress(ValueError, OSError):
            for text in process.stdout:
                with contextlib.suppress(json.JSONDecodeError):  # cut off by the kill
                    line = Line(time.monotonic(), json.loads(text))
                    if "running" in line.words:
                        self.ran_s = line.words["since_s"]
                    lines.put(line)

    def until(self, word: str) -> Line:
        """Waits for a line that has a value under `word`."""
        end = time.monotonic() + GENEROUS_S
        while True:
            try:
                line = self.lines.get(timeout=0.5)
            except queue.Empty:
                if not self.alive or time.monotonic() > end:
                    state = "lives" if self.alive else "has ended"
                    raise AssertionError(
                        f"waited in vain for {word}; the daemon {state}:\n{self.said()}"
                    ) from None
                continue
            if line.words.get(word):
                return line

    @property
    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def step(self, ms: int) -> None:
        """Sets its wall clock forward or back."""
        assert self.process is not None
        assert self.process.stdin is not None
        self.process.stdin.write(f"step {ms}\n")
        self.process.stdin.flush()

    def kill(self) -> tuple[float, int]:
        """Kills it with SIGKILL. Returns when that was, and how many ms its clock had run."""
        process, self.process = self.process, None
        ended_s = time.monotonic()
        if process is None:
            return ended_s, 0
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError, ValueError):
                    pipe.close()
        return ended_s, round((ended_s - (self.ran_s or self.began_s)) * 1000 * self._speed)

    def said(self) -> str:
        """Returns the end of its log."""
        return self._log.read_text("utf-8", errors="replace")[-3000:] if self._log.exists() else ""
