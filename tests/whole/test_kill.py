"""SIGKILL at random moments: what was committed is there, alarms are neither lost nor doubled."""

from __future__ import annotations

import json
import random
import sqlite3
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from itertools import pairwise
from typing import Any

from stillwell.notice import Notice, Transition
from stillwell.store import StoreReader

Make = Callable[..., Any]
SEED = 20261125


def check_chain(log: list[Transition]) -> None:
    """Each alarm's log is one chain: every change begins where the last one ended."""
    by_alarm: dict[str, list[Transition]] = {}
    for transition in log:
        by_alarm.setdefault(transition.alarm, []).append(transition)
    for alarm, changes in by_alarm.items():
        for earlier, later in pairwise(changes):
            assert later.before is earlier.after, f"{alarm}: a change is missing or doubled"


def check_announced(log: list[Transition], notices: list[Notice]) -> None:
    """Every raise has its notice, written in the same transaction, and every notice its raise."""
    raises = Counter(t.alarm for t in log if t.event == "raise")
    told = Counter(n.subject for n in notices if n.kind == "raised")
    assert told == raises
    assert len({n.key for n in notices}) == len(notices)


class TestKill:
    def test_nothing_committed_is_lost_and_no_alarm_is_doubled(
        self, daemon: Make, broker: Make, listen: Make, fault: Make, long_run: bool
    ) -> None:
        chance = random.Random(SEED)
        mosquitto = broker()
        phone = listen(mosquitto.port, "stillwell/reading-room/notice")
        # A probe comes and goes all the time, so that alarms are raised and return often.
        faults = [
            fault("probe-gone", minute, 6, target="water-b") for minute in range(-60, 600, 12)
        ]
        tank = daemon(port=mosquitto.port, faults=faults, commit_every="2 min")
        kept: dict[int, float | None] = {}
        for _ in range(100 if long_run else 6):
            tank.start(speed=400)
            enough = len(kept) + 20
            tank.until(lambda: len(self._readings(tank)) > enough, "it reads")  # noqa: B023
            time.sleep(chance.uniform(0.0, 4.0))
            kept = self._readings(tank)
            tank.kill()
            with closing(sqlite3.connect(tank.store)) as db:
                assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            now = self._readings(tank)
            assert {seq: now.get(seq) for seq in kept} == kept, "a committed reading is gone"
            log, notices = self._alarms(tank)
            check_chain(log)
            check_announced(log, notices)
        assert sum(t.event == "raise" for t in log) >= 3, "the test has seen no alarms"
        tank.start(speed=400)
        wanted = {n.key for n in notices}

        def heard() -> set[str]:
            return {json.loads(h.payload)["key"] for h in phone.on("stillwell/reading-room/notice")}

        tank.until(lambda: wanted <= heard(), "every notice reaches the phone in the end")

    @staticmethod
    def _readings(tank: Any) -> dict[int, float | None]:
        if not tank.store.exists():
            return {}
        with closing(sqlite3.connect(f"file:{tank.store}?mode=ro", uri=True)) as db:
            try:
                return dict(db.execute("SELECT seq, value FROM reading"))
            except sqlite3.OperationalError:  # the tables are being made
                return {}

    @staticmethod
    def _alarms(tank: Any) -> tuple[list[Transition], list[Notice]]:
        with StoreReader.open(tank.store) as reader:
            return reader.transitions(), reader.notices()
