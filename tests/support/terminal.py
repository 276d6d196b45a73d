"""A process at a pseudo-terminal of the kernel's, as somebody sees it who sits there."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import select
import subprocess
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pytest

GENEROUS_S = 60.0


class Terminal:
    """What the process has said so far, and the lines that were typed."""

    def __init__(self, process: subprocess.Popen[bytes], handle: int) -> None:
        self.process = process
        self.said = ""
        self.typed: list[str] = []
        self._handle = handle
        self._answered = 0

    def until(self, words: str) -> str:
        """Waits until the process says something of this pattern, since the last answer if there
        was one; returns what it has said since."""
        pattern, until = re.compile(words), time.monotonic() + GENEROUS_S
        while (found := pattern.search(self.said, self._answered)) is None:
            ready = select.select([self._handle], [], [], until - time.monotonic())[0]
            assert ready, f"never said {words}:\n{self.said}"
            try:
                self.said += os.read(self._handle, 4096).decode("utf-8", "replace")
            except OSError:  # it has ended
                pytest.fail(f"never said {words}:\n{self.said}")
        return self.said[self._answered : found.end()]

    def answer(self, line: str) -> None:
        self.typed.append(line)
        self._answered = len(self.said)
        os.write(self._handle, f"{line}\n".encode())

    def end(self) -> int:
        """Waits for the end of the process; returns its exit code."""
        until = time.monotonic() + GENEROUS_S
        with contextlib.suppress(OSError):
            while select.select([self._handle], [], [], max(0.0, until - time.monotonic()))[0]:
                if not (chunk := os.read(self._handle, 4096)):
                    break
                self.said += chunk.decode("utf-8", "replace")
        return self.process.wait(max(0.0, until - time.monotonic()))


@contextlib.contextmanager
def at_terminal(
    command: Sequence[str | Path], env: Mapping[str, str] | None = None
) -> Iterator[Terminal]:
    """Starts a command at a terminal of 80 columns, where Ctrl-C ends it even if the tests run in
    the background, where a shell ignores it; kills what is left of it at the end."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        ["env", "--default-signal=INT", *command],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=os.environ | {"COLUMNS": "80"} | dict(env or {}),
        start_new_session=True,
    )
    os.close(theirs)
    try:
        yield Terminal(process, ours)
    finally:
        process.kill()
        process.wait()
        os.close(ours)
