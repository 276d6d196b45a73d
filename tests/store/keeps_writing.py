"""The child of the kill test: writes as fast as it can and reports each commit on stdout.

Every reading's value is its number, every transition's alarm and every notice's key count on from
what the store held at the start, so that a gap or a double shows.
"""

from __future__ import annotations

import sys
from pathlib import Path

from stillwell.notice import Message, Notice, Priority, Prose, State, Transition
from stillwell.ports import Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.store import Store


def main(path: Path) -> None:
    store = Store.open(path, commit_every_s=1)
    epoch = store.begin_epoch(str(id(store)), Moment(0, 1_767_268_800_000), True)
    mono = 0
    while True:
        mono += 100
        now = Moment(mono, mono + 1_767_268_800_000, epoch)
        first = store.tail.newest(Stream.READINGS, committed_only=False) + 1
        store.put([Reading("water-a", now, float(first + i), Flag.PASS) for i in range(8)])
        if mono % 700 == 0:
            number = store.tail.newest(Stream.TRANSITIONS) + 1
            alarm = f"alarm-{number}"
            store.put_transition(
                Transition(
                    alarm,
                    now,
                    State.NORMAL,
                    State.UNACKNOWLEDGED,
                    "raise",
                    Priority.HIGH,
                    True,
                    Message("Water 24.3 °C."),
                    now,
                ),
                [Notice(f"key-{number}", alarm, "raised", Priority.HIGH, now, Prose("t", "x"))],
            )
        store.tick(mono)
        if store.trouble is not None:
            sys.exit(store.trouble)
        committed = [
            store.tail.newest(s) for s in (Stream.READINGS, Stream.TRANSITIONS, Stream.NOTICES)
        ]
        print(*committed, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
