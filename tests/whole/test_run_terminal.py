"""`stillwell run` as somebody sees it who sits at a terminal: a pseudo-terminal of the kernel's."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
from pathlib import Path

import pytest

from command_line import STILLWELL, tank
from far_sides import Receiver

SINK = """
[sink.niamh]
kind = "push"
url = "json://127.0.0.1:{port}/hook"

[sink.attic]
kind = "mqtt"
host = "127.0.0.1"
port = 9
"""


def test_says_what_it_watches_who_answers_the_figures_and_what_was_kept(
    tmp_path: Path, hook: Receiver
) -> None:
    config = tank(tmp_path, SINK.format(port=hook.port))
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [STILLWELL, "run", "-c", config, "--speed", "60"],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
    )
    os.close(theirs)
    said = ""

    def until(words: str) -> None:
        nonlocal said
        while not re.search(words, said):
            assert select.select([ours], [], [], 120)[0], f"silent before {words}:\n{said}"
            try:
                said += os.read(ours, 4096).decode()
            except OSError:  # it has ended
                pytest.fail(f"never said {words}:\n{said}")

    try:
        until(r"stillwell [0-9.]+ watches .*water-a.*\r\n")
        until(r"Readings are kept in .*tank\.db\.\r\n")
        until(r"It tells niamh \(push\), attic \(mqtt\)\.\r\n")
        until(r"Ctrl-C ends it\.")
        until(r"niamh is ready\.")
        until(r"attic does not answer yet: .+\r\n")
        until(r"\d\d:\d\d:\d\d  water-a [0-9.]+ °C, .*float-low closed")
        process.send_signal(2)
        until(r"Stopped as asked\. [0-9,]+ readings in this run, kept in .*Nobody watches")
        assert process.wait(60) == 0
        assert "INFO" not in said
    finally:
        process.kill()
        process.wait()
        os.close(ours)
