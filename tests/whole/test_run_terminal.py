"""`stillwell run` as somebody sees it who sits at a terminal: a pseudo-terminal of the kernel's."""

from __future__ import annotations

from pathlib import Path

from command_line import STILLWELL, tank
from far_sides import Receiver
from terminal import at_terminal

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
    with at_terminal([STILLWELL, "run", "-c", config, "--speed", "60"]) as terminal:
        terminal.until(r"stillwell [0-9.]+ watches .*water-a.*\r\n")
        terminal.until(r"Readings are kept in .*tank\.db\.\r\n")
        terminal.until(r"It tells niamh \(push\), attic \(mqtt\)\.\r\n")
        terminal.until(r"Ctrl-C ends it\.")
        terminal.until(r"niamh is ready\.")
        terminal.until(r"attic does not answer yet: .+\r\n")
        terminal.until(r"\d\d:\d\d:\d\d  water-a [0-9.]+ °C, .*float-low closed")
        terminal.process.send_signal(2)
        terminal.until(r"Stopped as asked\. [0-9,]+ readings in this run, kept in .*Nobody watches")
        assert terminal.end() == 0
        assert "INFO" not in terminal.said
