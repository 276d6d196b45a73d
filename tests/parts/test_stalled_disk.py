"""A disk that stands still for minutes makes no probe silent: the readings of that time wait."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from stillwell.acquire.source import Batch
from stillwell.notice import Transition
from stillwell.pipeline import Pipeline
from stillwell.ports import Stream
from stillwell.reading import Sample
from stillwell.settings import load
from stillwell.supervise.daemon import Daemon, Parts
from stillwell.supervise.inbox import Inbox
from stillwell.testing import ManualClock
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store

ROOM = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"
EVERY_S = 30
STALL_S = 15 * 60


def until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + 30
    while not condition():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.01)


@pytest.mark.parametrize("goes_on", [True, False], ids=["probes go on", "probes fall silent"])
def test_only_what_was_not_measured_is_silent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, goes_on: bool
) -> None:
    settings = load(ROOM, environ={"STILLWELL__STORE__PATH": str(tmp_path / "tank.db")})
    clock, inbox = ManualClock(), Inbox()
    told: list[Transition] = []
    line = assemble.pipeline(settings, open_store(settings), told.append)
    assemble.begin(line, clock, "boot-1")
    daemon = Daemon(Parts(clock, "boot-1", line, inbox, tick_s=1.0, look_s=0.01))
    stalls, goes = threading.Event(), threading.Event()

    def measure() -> None:
        samples = tuple(Sample(name, 25.3, None, "") for name in settings.channel)
        inbox.put(Batch("tank", clock.monotonic_ns() // 1_000_000, samples))

    def stand_still(at_line: Pipeline, batch: Batch, take: Callable[..., None]) -> None:
        stalls.set()
        assert goes.wait(30)
        take(at_line, batch)

    thread = threading.Thread(target=daemon.run)
    thread.start()
    measure()
    until(lambda: line.readings_taken > 0)
    whole = Pipeline.take
    monkeypatch.setattr(Pipeline, "take", lambda own, batch: stand_still(own, batch, whole))
    clock.advance(EVERY_S)
    measure()
    assert stalls.wait(30)
    monkeypatch.setattr(Pipeline, "take", whole)
    for _ in range(STALL_S // EVERY_S):
        clock.advance(EVERY_S)
        if goes_on:
            measure()
    goes.set()
    newest = line.store.newest
    expected = (2 + STALL_S // EVERY_S if goes_on else 2) * len(settings.channel)
    until(lambda: newest(Stream.READINGS) == expected)
    clock.advance(1)
    if not goes_on:
        until(lambda: any(one.alarm == "water.unseen" for one in told))
    daemon.stop()
    thread.join(20)
    unseen = {one.alarm for one in told if one.alarm.endswith((".silent", ".unseen"))}
    assert bool(unseen) is not goes_on, unseen
