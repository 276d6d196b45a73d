"""The daemon as a process of its own, on a clock that runs fast and that a campaign can set:

    python fast_daemon.py CONFIG --speed 100 --utc-ms … [--mono-ms …] [--boot NAME]

Unlike `stillwell run --speed` it takes every driver, goes on where the clock of the last process
stood, and says on stdout, one JSON object a line, how far it is: `open` before the store is opened,
`running` before the first thread, `reads` with the first reading, and each change of an alarm just
after the store has been given it, with the keys of its notices. A line `step MS` on stdin sets the
wall clock.
"""

from __future__ import annotations

import argparse
import faulthandler
import json
import logging
import os
import signal
import sys
import threading
import time
from pathlib import Path

from stillwell.acquire.clock import FastClock
from stillwell.alarm.notices import notices
from stillwell.notice import Transition


class CampaignClock(FastClock):
    """Continues from `mono_ms` of the boot in which the last process ended."""

    def __init__(self, utc_ms: int, mono_ms: int, speed: float) -> None:
        super().__init__(utc_ms, speed)
        self._mono_ns = mono_ms * 1_000_000
        self._offset_ms = utc_ms - mono_ms

    def monotonic_ns(self) -> int:
        return self._mono_ns + super().monotonic_ns()

    @property
    def elapsed_s(self) -> float:
        """Returns how long this clock has run, in its own seconds."""
        return super().monotonic_ns() / 1e9

    def wall_ms(self) -> int:
        return self.monotonic_ns() // 1_000_000 + self._offset_ms

    def listen(self) -> None:
        """Takes steps from stdin until it is closed."""
        for line in sys.stdin:
            self._offset_ms += int(line.removeprefix("step "))


_one = threading.Lock()


def say(**words: object) -> None:
    """Prints it in one line, even if several threads print at the same time."""
    with _one:
        print(json.dumps(words), flush=True)


def told(transition: Transition) -> None:
    keys = [notice.key for notice in notices(transition)]
    say(
        alarm=transition.alarm,
        event=transition.event,
        mono_ms=transition.moment.mono_ms,
        since_ms=transition.since.mono_ms,
        keys=keys,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("config", type=Path)
    parser.add_argument("--speed", type=float, default=100.0)
    parser.add_argument("--utc-ms", type=int, required=True)
    parser.add_argument("--mono-ms", type=int, default=0)
    parser.add_argument("--boot", default="boot-1")
    args = parser.parse_args()
    faulthandler.register(signal.SIGUSR1)  # shows where it is, for whoever examines a campaign
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s")
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    from stillwell import foreign

    pause_s = foreign.pause_after_hang_s
    # Otherwise a part that hangs again and again would get another thread after days of this clock.
    foreign.pause_after_hang_s = lambda hangs: pause_s(hangs) / args.speed
    from stillwell.settings import load
    from stillwell.wiring import assemble
    from stillwell.wiring.assemble import open_store

    settings = load(args.config)
    clock = CampaignClock(args.utc_ms, args.mono_ms, args.speed)
    threading.Thread(target=clock.listen, daemon=True).start()
    say(open=True)
    store = open_store(settings)
    daemon = assemble.daemon(
        settings,
        store,
        clock,
        args.boot,
        told=told,
        calendar_every_s=max(1.0, 60.0 / args.speed),
        look_s=min(0.25, 1.0 / args.speed),
    )
    say(running=True, since_s=time.monotonic() - clock.elapsed_s / args.speed)
    pipeline = daemon._parts.pipeline

    def first() -> None:
        while not pipeline.readings_taken:
            time.sleep(0.005)
        say(reads=True)

    threading.Thread(target=first, daemon=True).start()
    daemon.handle_signals()
    code = daemon.run()
    # As `stillwell run` leaves: no thread and no exit handler of a plugin is waited for.
    sys.stdout.flush()
    os._exit(code)


if __name__ == "__main__":
    main()
