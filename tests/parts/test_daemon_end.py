"""How the daemon ends: whatever the others still bring is kept."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from pathlib import Path

from stillwell.acquire.clock import SystemClock
from stillwell.ports import Row, Stream
from stillwell.settings import load
from stillwell.store import Store
from stillwell.supervise.daemon import Daemon, Parts
from stillwell.supervise.inbox import Inbox
from stillwell.wiring import assemble
from stillwell.wiring.assemble import open_store

ROOM = Path(__file__).parents[2] / "config" / "reading-room-simulated.toml"


class LateSink:
    """A delivery of the test's own: its cursor moves at the very last, when it is stopped."""

    name = "broker"
    away = (False, "")

    def __init__(self, inbox: Inbox) -> None:
        self._inbox = inbox

    @property
    def sent(self) -> Mapping[Stream, int]:
        return {}

    def send_again(self, letter: int, row: Row) -> None: ...

    def start(self) -> None: ...

    def stop(self, timeout_s: float = 5.0) -> bool:
        self._inbox.move("broker", Stream.NOTICES, 41, ())
        return True


class TestTheEnd:
    def test_a_cursor_that_moves_while_the_sink_is_stopped_is_kept(self, tmp_path: Path) -> None:
        path = tmp_path / "tank.db"
        settings = load(ROOM, environ={"STILLWELL__STORE__PATH": str(path)})
        clock, inbox = SystemClock(), Inbox()
        line = assemble.pipeline(settings, open_store(settings))
        assemble.begin(line, clock, "boot-1")
        daemon = Daemon(Parts(clock, "boot-1", line, inbox, deliveries=[LateSink(inbox)]))
        thread = threading.Thread(target=daemon.run)
        thread.start()
        daemon.stop()
        thread.join(20)
        assert not thread.is_alive()
        with Store.open(path) as store:
            assert store.sinks.cursor("broker", Stream.NOTICES) == 41
