"""SIGTERM while plugins have left threads and exit handlers that hang, a driver is stuck in `close`
and a sink in `send`: the process ends all the same, and everything is kept."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import hostile_plugins

PLUGINS = """
[source.leaves]
driver = "leaves_threads"
every = "1 s"
attack = "none"
bus_name = "leaves"
[source.leaves.channels]
left-probe = {}
[channel.left-probe]
quantity = "temperature"

[source.stuck]
driver = "hostile"
every = "1 s"
attack = "hangs at the end"
bus_name = "stuck"
[source.stuck.channels]
stuck-probe = {}
[channel.stuck-probe]
quantity = "temperature"

[sink.stuck]
kind = "hostile_sink"
attack = "tend hangs"
"""


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = hostile_plugins.install(tmp_path / "site")
    monkeypatch.setenv("PYTHONPATH", str(Path(hostile_plugins.__file__).parent), prepend=":")
    monkeypatch.setenv("PYTHONPATH", str(site), prepend=":")


@pytest.mark.usefixtures("package")
def test_the_end_waits_for_no_plugin_and_keeps_everything(daemon: Callable[..., Any]) -> None:
    tank = daemon(more=PLUGINS, commit_every="1 h")
    tank.start("--verbose", speed=1)
    tank.until(lambda: "sink stuck has not answered" in tank.said(), "a sink is stuck")
    assert tank.stop() == 0
    kept = {name: tank.readings(name) for name in ("water-a", "left-probe", "stuck-probe")}
    assert all(kept.values()), kept
