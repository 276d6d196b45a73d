"""Two daemons by mistake on one store: the second refuses and says why, and the first does not
notice, nor does anybody who is told by it."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from command_line import STILLWELL

Make = Callable[..., Any]


class TestASecondDaemon:
    def test_on_the_same_store_says_who_has_it_and_touches_nothing(
        self, daemon: Make, broker: Make, listen: Make, until: Make
    ) -> None:
        mosquitto = broker()
        alive = listen(mosquitto.port, "stillwell/reading-room/alive")
        tank = daemon(port=mosquitto.port, commit_every="1 s")
        tank.start(speed=60)
        until(lambda: alive.heard, "the first is online")
        assert tank.process is not None
        for _ in range(3):
            second = subprocess.run(
                [STILLWELL, "run", "-c", tank.config],
                capture_output=True,
                text=True,
                timeout=120,
            )
            assert second.returncode not in (0, None)
            assert str(tank.store) in second.stderr
            assert str(tank.process.pid) in second.stderr
            assert "Traceback" not in second.stderr
        count = len(tank.readings("water-a"))
        tank.until(lambda: len(tank.readings("water-a")) > count, "the first goes on")
        # It has neither been thrown out of the broker (a client id is one's own), nor been missed.
        said = [json.loads(heard.payload) for heard in alive.heard]
        assert {one["state"] for one in said} == {"online"}
        since = [datetime.fromisoformat(one["since"]) for one in said]
        assert max(since) - min(since) < timedelta(seconds=1), "only one has greeted it"
