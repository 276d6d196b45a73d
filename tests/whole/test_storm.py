"""Every fault at once: no alarm is lost, and the process does not end.

`tests/bench/bench_storm.py` lets the same storm blow for 72 hours and measures.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from far_sides import VICTORIA
from storm import Storm


@pytest.mark.skipif(VICTORIA is None, reason="needs victoria-metrics (apt-get install)")
def test_a_healthy_probe_is_heard_amid_everything_hostile(tmp_path: Path, long_run: bool) -> None:
    speed = 100 if long_run else 300
    with Storm(tmp_path / "storm", seed=1, speed=speed, slow_start=long_run) as storm:
        outcome = storm.blow(72.0 if long_run else 1.2)
    assert not outcome.ended
    assert not outcome.lost
    assert outcome.due == len(outcome.heard) > 0
    threads = [size.threads for size in outcome.settled()]
    assert threads[-1] <= 1.5 * threads[0], f"more and more threads: {threads}"
