"""SIGKILL at random moments, of the daemon, the broker and the time-series server, each a real one:
in the end the far sides hold what the store holds."""

from __future__ import annotations

import json
import random
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from far_sides import VICTORIA, Victoria

Make = Callable[..., Any]
SEED = 20261125
NOTICE = "stillwell/reading-room/notice"
CHANNELS = ("water-a", "water-b", "level", "float-high")


@pytest.fixture
def victoria(tmp_path: Path, free_ports: Callable[[], int]) -> Iterator[Victoria]:
    server = Victoria(tmp_path / "victoria", free_ports())
    server.start()
    yield server
    server.kill()


def by_time(pairs: list[tuple[int, float]]) -> dict[int, set[float]]:
    """Values by ms: runs that were killed begin anew on a clock that had run ahead, and two of them
    may meet in one millisecond, of which a server keeps one value."""
    found: dict[int, set[float]] = defaultdict(set)
    for at_ms, value in pairs:
        found[at_ms].add(value)
    return found


@pytest.mark.skipif(VICTORIA is None, reason="needs victoria-metrics (apt-get install)")
class TestKillAnybody:
    def test_the_far_sides_hold_what_the_store_holds(
        self, daemon: Make, broker: Make, listen: Make, fault: Make, victoria: Any, long_run: bool
    ) -> None:
        chance = random.Random(SEED)
        mosquitto = broker("persistence true", "autosave_interval 1")
        # A subscriber that the broker may forget would hear less than was sent; it subscribes anew
        # after each start of the broker.
        phones = [listen(mosquitto.port, NOTICE)]
        faults = [
            fault("probe-gone", minute, 6, target="water-b") for minute in range(-60, 600, 12)
        ]
        more = f'[sink.history]\nkind = "influx"\nurl = "{victoria.url}"\nresend = 60\n'
        tank = daemon(port=mosquitto.port, faults=faults, commit_every="2 min", more=more)
        rounds = 200 if long_run else 4
        for number in range(rounds):
            tank.start(speed=400)
            enough = len(tank.readings("water-a")) + 5
            tank.until(lambda: len(tank.readings("water-a")) > enough, "it reads")  # noqa: B023
            time.sleep(chance.uniform(0.0, 2.0))
            victim = (number % 4, mosquitto, victoria)
            if victim[0] == 1:
                mosquitto.kill()
            if victim[0] == 2:
                victoria.kill()
            time.sleep(chance.uniform(0.0, 0.5))
            tank.kill()
            if victim[0] == 1:
                mosquitto.start()
                phones.append(listen(mosquitto.port, NOTICE))
            if victim[0] == 2:
                victoria.start()

        # Little is added any more. (At speed 1 the machine's own clock counts, and where nobody has
        # set that, a server waits ten minutes for it.)
        tank.start(speed=2)

        def told() -> set[str]:
            with tank.reader() as reader:
                return {notice.key for notice in reader.notices()}

        wanted = told()
        assert len(wanted) >= 3, "the test has seen no alarms"

        def heard() -> set[str]:
            return {json.loads(h.payload)["key"] for phone in phones for h in phone.on(NOTICE)}

        def missing() -> list[str]:
            with tank.reader() as reader:
                kept = {
                    name: [
                        (r.moment.utc_ms, r.value)
                        for r in reader.readings(name, -(2**50), 2**50)
                        if r.value is not None
                    ]
                    for name in CHANNELS
                }
            return [name for name in CHANNELS if not self._same(kept[name], name, victoria)]

        tank.until(lambda: wanted <= heard(), "every kept notice reaches the phone", 120)
        tank.until(lambda: not missing(), "every kept reading is at the server, and no other", 120)
        # The daemon goes on, and tells since when nobody watched: what is heard is kept by then.
        by_now = heard()
        assert by_now <= told(), "a notice was told that was never kept"

    @staticmethod
    def _same(kept: list[tuple[int, float]], channel: str, victoria: Any) -> bool:
        ours = by_time(kept)
        theirs = by_time(victoria.points("reading_value", channel=channel))
        return ours.keys() == theirs.keys() and all(theirs[at] <= ours[at] for at in theirs)
