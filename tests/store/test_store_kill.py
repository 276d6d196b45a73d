"""kill -9 at random moments: what was reported committed is there, once and in order."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

from stillwell.store import StoreReader

CHILD = Path(__file__).with_name("keeps_writing.py")


def run_and_kill(path: Path, chance: random.Random) -> tuple[int, ...]:
    """Starts the child, kills it in the midst of its work; returns what it reported last."""
    with subprocess.Popen(
        [sys.executable, str(CHILD), str(path)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        last: tuple[int, ...] = ()
        for _ in range(chance.randrange(1, 400)):
            line = child.stdout.readline()
            assert line, child.stderr.read()
            last = tuple(map(int, line.split()))
        # Between two reports, so that the kill also meets the middle of a commit.
        timer = threading.Timer(chance.uniform(0, 0.01), child.kill)
        timer.start()
        for line in child.stdout:
            if line.endswith("\n"):
                last = tuple(map(int, line.split()))
        timer.join()
    assert child.returncode == -9
    return last


class TestKill:
    def test_what_was_committed_is_there_once_and_in_order(
        self, path: Path, long_run: bool
    ) -> None:
        seed = 20260329
        chance = random.Random(seed)
        for kill in range(100 if long_run else 8):
            reported = run_and_kill(path, chance)
            db = sqlite3.connect(path)
            try:
                assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
                readings = db.execute("SELECT seq, value FROM reading ORDER BY seq").fetchall()
                counts = [
                    db.execute(f"SELECT count(*), coalesce(max(seq), 0) FROM {table}").fetchone()
                    for table in ("reading", "transition", "notice")
                ]
            finally:
                db.close()
            where = f"seed {seed}, kill {kill}"
            for (count, newest), least in zip(counts, reported, strict=True):
                assert count == newest >= least, where
            assert all(seq == value for seq, value in readings), where
            with StoreReader.open(path) as reader:
                expected = range(1, counts[1][0] + 1)
                assert [t.alarm for t in reader.transitions()] == [f"alarm-{n}" for n in expected]
                assert [n.key for n in reader.notices()] == [f"key-{n}" for n in expected], where
                assert len(reader.alarms()) == len(expected), where
                found = [r.value for r in reader.all_readings()]
            # The blocks find every reading; boots overlap in time here, so the order is another
            # one.
            assert sorted(v for v in found if v is not None) == [value for _, value in readings]
