"""SIGKILL at seeded moments, near notices above all: what was committed is there, every kept alarm
is heard, none is heard that was not kept, and what comes twice has the same key.

`tests/bench/bench_kills.py` runs the same campaign by the thousand.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from far_sides import VICTORIA
from kill_campaign import Campaign, batches
from kill_tally import Tally

SEED = 20261125


@pytest.mark.skipif(VICTORIA is None, reason="needs victoria-metrics (apt-get install)")
class TestKill:
    def test_nothing_committed_is_lost_and_no_alarm_is_unheard_or_invented(
        self, tmp_path: Path, long_run: bool
    ) -> None:
        tally = Tally()
        for one in batches(1000 if long_run else 10, 2 if long_run else 1, SEED, tmp_path):
            tally.add(one)
        assert not tally.wrong
        assert tally.near >= tally.kills // 5, "too few kills were near a notice"
        assert tally.notices >= tally.kills // 4, "the campaign has seen too few notices"

    def test_the_campaign_sees_what_is_lost_and_what_was_never_kept(self, tmp_path: Path) -> None:
        """The judge is judged: the store is robbed behind its back."""
        with Campaign(tmp_path / "tank", SEED) as tank:
            while tank.heard < 2:
                tank.kill()
            with closing(sqlite3.connect(tmp_path / "tank" / "tank.db")) as db, db:
                db.execute("DELETE FROM notice WHERE seq = 1")
                db.execute("DELETE FROM reading WHERE seq = (SELECT min(seq) FROM reading)")
            tank.kill()
            tank.settle()
        assert tank.tally.lost >= 2
        # Once a recipient that has heard it: the web hook may have been a kill too late for it.
        assert tank.tally.unkept in (1, 2)
        assert sum("never kept" in line for line in tank.tally.wrong) == tank.tally.unkept
        assert tank.tally.torn == 1
