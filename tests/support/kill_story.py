"""Compares what was heard of a tank with what its store keeps."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

from far_sides import Victoria
from stillwell.alarm.notices import notices as notices_of
from stillwell.deliver.mqtt.topics import rfc3339
from stillwell.store import StoreReader

Wrong = Callable[[str, int, str], None]
"""Takes a count's name, how many, and what they are in words; does nothing where there is none."""
CHANNELS = ("water-a", "water-b", "level", "float-high")


class Story:
    """The store of one tank, when its daemon has ended for good."""

    def __init__(self, store: Path) -> None:
        self._path = store
        with StoreReader.open(store) as reader:
            self.log = reader.transitions()
            self.keys = [notice.key for notice in reader.notices()]
            self.readings = sum(1 for _ in reader.all_readings())

    def heard(self, bodies: Iterable[bytes]) -> dict[str, list[bytes]]:
        """Returns what was heard of each notice. Many notices at one time are one message, whose
        key is made of theirs."""
        found: dict[str, list[bytes]] = defaultdict(list)
        for body in tuple(bodies):
            key = json.loads(body)["key"]
            for each in parts(key, self.keys):
                found[each].append(body)
        return found

    def unheard(self, bodies: Iterable[bytes]) -> list[str]:
        """Returns the keys of kept notices of which nothing was heard."""
        heard = self.heard(bodies)
        return [key for key in self.keys if key not in heard]

    def absent(self, server: Victoria) -> list[tuple[str, int]]:
        """Returns (channel, ms) of the kept readings that the server does not have."""
        missing = []
        with StoreReader.open(self._path) as reader:
            for name in CHANNELS:
                ours = {
                    (reading.moment.utc_ms, reading.value)
                    for reading in reader.readings(name, -(2**50), 2**50)
                    if reading.value is not None
                }
                theirs = set(server.points("reading_value", channel=name))
                missing += [(name, at) for at, _ in sorted(ours - theirs)]
        return missing

    def check_store(self, wrong: Wrong) -> None:
        """Checks that numbers have no gaps, alarms are chains, and each change has its notice."""
        with closing(sqlite3.connect(self._path)) as db:
            for table in ("reading", "transition", "notice"):
                first, last, count = db.execute(
                    f"SELECT min(seq), max(seq), count(*) FROM {table}"
                ).fetchone()
                gap = last - min(first, 1) + 1 - count if count else 0
                wrong("lost", gap, f"{table}: {gap} numbers are left out")
        by_alarm: dict[str, list[Any]] = defaultdict(list)
        for transition in self.log:
            by_alarm[transition.alarm].append(transition)
        for alarm, changes in by_alarm.items():
            torn = sum(later.before is not earlier.after for earlier, later in pairwise(changes))
            wrong("torn", torn, f"{alarm}: a change is missing or doubled")
        expected = {notice.key for transition in self.log for notice in notices_of(transition)}
        missing = sorted(expected - set(self.keys))
        wrong("torn", len(missing), f"kept changes of alarms without their notice: {missing[:5]}")

    def check_states(self, states: Iterable[bytes], wrong: Wrong) -> None:
        """Checks that the broker never showed a state that is not in the alarm log."""
        known = {(t.alarm, str(t.after), rfc3339(t.moment.utc_ms)) for t in self.log}
        for body in tuple(states):
            state = json.loads(body)
            new = (state["alarm"], state["state"], state["time"]) not in known
            wrong("unkept", new, f"heard, and not in the alarm log: {state}")

    def check_heard(self, bodies: Iterable[bytes], wrong: Wrong) -> int:
        """Returns how many notices came more than once."""
        heard = self.heard(bodies)
        unkept = sorted(heard.keys() - set(self.keys))
        wrong("unkept", len(unkept), f"heard and never kept: {unkept[:5]}")
        alone = {
            key: {body for body in same if json.loads(body)["key"] == key}
            for key, same in heard.items()
        }
        changed = [key for key, same in alone.items() if len(same) > 1]
        wrong("other_key", len(changed), f"changed under one key: {changed[:5]}")
        bodies_once = {body for same in alone.values() for body in same}
        # A web hook's message has no time of its own, so two of them may be equal.
        said = Counter(
            _without_key(told) for told in map(json.loads, bodies_once) if "time" in told
        )
        again = [what for what, times in said.items() if times > 1]
        wrong("other_key", len(again), f"came again under another key: {again[:5]}")
        return sum(len(same) > 1 for same in heard.values())


def parts(key: str, keys: Sequence[str]) -> Sequence[str]:
    """Returns the notices, out of those that a recipient was to get, that a message with this
    key is about: one, or all those that were merged into it."""
    if not key.startswith("merged:"):
        return [key]
    for start in range(len(keys)):
        for end in range(start + 2, len(keys) + 1):
            name = hashlib.sha256("\n".join(keys[start:end]).encode()).hexdigest()[:16]
            if key == f"merged:{name}":
                return keys[start:end]
    return [key]


def _without_key(body: Mapping[str, object]) -> str:
    return json.dumps({name: value for name, value in body.items() if name != "key"})
