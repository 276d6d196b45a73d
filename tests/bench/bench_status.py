"""What `stillwell status` costs on a store of five years, against a bare `python -c "import typer,
rich"` of the same run: wall and processor seconds, the best of some.

Run it: .venv/bin/python tests/bench/bench_status.py
"""

from __future__ import annotations

import os
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from table import Line, main

from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store
from stillwell.watching import KEY, RUN, Run

CONFIG = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"
CHANNELS = ("water-a", "water-b", "room", "humidity", "level", "float-low", "float-high")
DAY = 86_400_000
YEARS = 5 * 365
RAW_DAYS = 90
BLOCK = 4096
GOAL_S = 0.6

_COUNT = "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i + 1 < ?) "


def written(path: Path, days: int) -> None:
    """Raw readings of the last 90 days, ten-minute values, four estimates an hour, three alarms
    and two notes a day."""
    raw = min(days, RAW_DAYS)
    end = time.time_ns() // 1_000_000
    start = end - days * DAY
    with Store.open(path, bulk=True) as store:
        epoch = store.begin_epoch("bench", Moment(0, start), trusted=True)
        at = Moment(0, start, epoch)
        store.put([Reading(name, at, 25.3, Flag.PASS) for name in CHANNELS])
        store.describe(KEY, RUN.text(Run(at, "0")))
        for day in range(days):
            for number in range(3):
                when = Moment(day * DAY + number, start + day * DAY + number, epoch)
                before, after = State.NORMAL, State.UNACKNOWLEDGED
                said = Message("Water 24.3 °C and falling.", "The heater.", "Look at it.")
                moved = Transition(
                    f"alarm-{number}", when, before, after, "raise", Priority.LOW, True, said, when
                )
                key = f"{day} {number}"
                told = Notice(
                    key, moved.alarm, "raised", Priority.LOW, when, Prose(said.what, "x" * 300)
                )
                store.put_transition(moved, [told])
            store.mark_done("review", f"day {day}")
        store.commit()
    db = sqlite3.connect(path)
    count = raw * DAY // 30_000 * len(CHANNELS)
    db.execute(
        _COUNT + "INSERT INTO reading (seq, channel, epoch, mono_ms, value, flag) "
        "SELECT i + 100, 1 + i % 7, ?, ? + i / 7 * 30000, 25 + i % 10 / 10.0, 1 FROM n",
        (count, epoch, (days - raw) * DAY),
    )
    db.execute(
        "INSERT INTO block SELECT min(seq), max(seq), ?, min(mono_ms), max(mono_ms), -1, 1 "
        "FROM reading GROUP BY seq / ?",
        (epoch, BLOCK),
    )
    db.execute(
        _COUNT + "INSERT INTO tenmin SELECT 1 + i % 7, ? + i / 7 * 600000, 20, 20, 25, 25.3, 25.5 "
        "FROM n",
        (days * 144 * len(CHANNELS), start // 600_000 * 600_000),
    )
    db.execute(
        _COUNT + "INSERT INTO estimate SELECT i + 1, 'level.' || i % 4, ? + i / 4 * 3600000, 'mL', "
        "1, 0, 2, 'a float' FROM n",
        (days * 96, start),
    )
    db.execute(
        _COUNT + "INSERT INTO journal (key, at_ms, entered_ms, kind, value, unit, text, person) "
        "SELECT 'k' || i, ? + i * 43200000, 0, 'pour', 540, 'mL', '', 'us' FROM n",
        (days * 2, start),
    )
    db.commit()
    db.close()


def cost_s(command: list[str], environ: dict[str, str], times: int) -> tuple[float, float]:
    """Returns wall and processor seconds, the best of several."""
    walls, busy = [], []
    for _ in range(times):
        used, begun = _used(), time.perf_counter()
        subprocess.run(command, env=environ, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        walls.append(time.perf_counter() - begun)
        busy.append(_used() - used)
    return min(walls), min(busy)


def _used() -> float:
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def measure(quick: bool) -> list[Line]:
    times = 3 if quick else 9
    bare = [sys.executable, "-c", "import typer, rich"]
    status = [str(Path(sys.executable).with_name("stillwell")), "status", "-c", str(CONFIG)]
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "tank.db"
        written(store, 365 if quick else YEARS)
        environ = os.environ | {"STILLWELL__STORE__PATH": str(store)}
        reference = cost_s(bare, environ, times)
        ours = cost_s(status, environ, times)
        size = store.stat().st_size / 1e6
    what = f"stillwell status, {size:.0f} MB"
    kinds = ("wall", "processor")
    return [
        Line(f"{what}, {kind}: more than bare", mine - theirs, "s", goal=GOAL_S)
        for kind, mine, theirs in zip(kinds, ours, reference, strict=True)
    ]


if __name__ == "__main__":
    main(measure, __doc__)
