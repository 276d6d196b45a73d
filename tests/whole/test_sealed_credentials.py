"""As deploy/README.md has it: the daemon's secrets are in a folder that only root may read, and the
keeper asks in a shell of his own."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from typing import Any

import pytest

from command_line import call, json_lines
from far_sides import Receiver
from stillwell.settings import sealed

Make = Callable[..., Any]
MORE = """
[sink.niamh]
kind = "push"
[sink.watcher]
kind = "ping"
"""


class TestAKeeperWhoMayNotReadTheSecrets:
    def test_looks_checks_drills_and_answers_all_the_same(
        self, daemon: Make, hook: Receiver, until: Make, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        tank = daemon(more=MORE, commit_every="1 s")
        folder = tank.config.parent / "credentials"
        folder.mkdir()
        (folder / "sink.niamh.url").write_text(f"json://127.0.0.1:{hook.port}/niamh")
        (folder / "sink.watcher.url").write_text(f"{hook.url}/ping")
        tank.start(speed=60)
        tank.until(lambda: tank.readings("water-a"), "it reads")

        monkeypatch.setattr(sealed, "may_read", lambda folder: False)
        assert call("alarms", "-c", tank.config).exit_code == 0
        assert call("sinks", "-c", tank.config).exit_code == 0
        [answer] = json_lines(call("check", "-c", tank.config, "--json", "--patience", "60 s"))
        found = {p["name"]: p for p in answer["points"] if p["part"] == "sink"}
        assert found["niamh"]["grade"] == "well", found
        assert found["watcher"]["grade"] == "well", found

        drilled: list[Any] = []
        asking = threading.Thread(
            target=lambda: drilled.append(
                call("drill", "-c", tank.config, "--for", "3 h", "--json")
            )
        )
        asking.start()
        until(
            lambda: any(b"Drill: only a test" in one.body for one in list(hook.asked)), "told", 60
        )
        told = call("ack", "drill", "-c", tank.config, "--by", "Niamh")
        assert told.exit_code == 0, told.output
        asking.join(60)
        line = json.loads(drilled[0].stdout)
        assert [one["sink"] for one in line["sinks"]] == ["niamh"]
        assert line["sinks"][0]["taken_s"] is not None
        assert line["by"] == "Niamh"
