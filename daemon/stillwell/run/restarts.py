"""A daemon that is ended again and again, by whatever it is, is itself an alarm.

Each start is kept in the store before anything else can go wrong, and so is an end in good order.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from stillwell.alarm.catalogue import priority_of
from stillwell.finding import Finding
from stillwell.notice import Message, Priority
from stillwell.reading import Moment
from stillwell.store import Store
from stillwell.store.epochs import NO_BOOT

ALARM = "daemon.restarting"
KEY = "starts"
"""Under which the store keeps them: see `Store.describe`."""
WITHIN_MS = 3_600_000
"""So long a run must last for its start and those before it to be forgotten."""
TOLD_FROM = 3
URGENT_FROM = 6
"""So many starts within an hour are told, and called urgent: with ten minutes and less between them
nobody can rely on the watch. A choice of ours."""
_MOST = 400


@dataclass(frozen=True, slots=True)
class Start:
    at: Moment
    boot_id: str


class Restarts:
    """Of the daemon whose store this is."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._starts: list[Start] = []
        """Those of the last hour, since the last end in good order, oldest first."""

    def count(self, now: Moment, boot_id: str) -> Sequence[Start]:
        """Counts one more start and keeps it; returns those of the last hour, since the last end in
        good order, oldest first. Where no clock tells how long ago a start was, its run did not
        last for an hour."""
        before = (s for s in self._kept() if self._lately(s.at, now))
        self._starts = [*before, Start(now, boot_id)][-_MOST:]
        self._write(self._starts)
        return self._starts

    def forget(self) -> None:
        """The run ends in good order, or has lasted for `WITHIN_MS`: the next start counts as the
        first."""
        if self._starts:
            self._starts = []
            self._write(())

    def _lately(self, at: Moment, now: Moment) -> bool:
        passed = self._store.passed_ms(at, now)
        return passed is None or passed < WITHIN_MS

    def _write(self, starts: Sequence[Start]) -> None:
        self._store.describe(KEY, json.dumps([(s.at, s.boot_id) for s in starts]))
        self._store.commit()

    def _kept(self) -> list[Start]:
        try:
            kept = json.loads(self._store.kept.described(KEY) or "[]")
            return [Start(Moment(*map(int, at)), str(boot_id)) for at, boot_id in kept]
        except (ValueError, TypeError):
            return []


def restarting(starts: Sequence[Start], clock: Callable[[Moment], str]) -> Finding:
    """Returns the alarm about `starts`, `TOLD_FROM` of them or more.

    Args:
        clock: when a moment was, in words; empty where that is not known.
    """
    count = len(starts)
    since = starts[0].at
    told = clock(since)
    boots = [start.boot_id for start in starts]
    if len(set(boots)) == count and not any(boot.startswith(NO_BOOT) for boot in boots):
        likely = (
            "The machine itself was restarted each time, most likely by its power supply or the "
            "plug."
        )
        do = "Look at the power supply and its cable. Look at the tank yourself until this ends."
    else:
        likely = "Something ends it again and again. While it starts nobody watches the tank."
        do = (
            "Look at the tank yourself until this ends. `journalctl -u stillwell -n 50` says what "
            "ended it."
        )
    return Finding(
        ALARM,
        True,
        Priority.HIGH if count >= URGENT_FROM else priority_of(ALARM),
        Message(
            f"stillwell keeps restarting: {count} starts "
            f"{f'since {told}' if told else 'within an hour'}.",
            likely,
            do,
        ),
        since,
    )


def settled() -> Finding:
    """Returns the end of the alarm."""
    message = Message("stillwell has been running for an hour without a restart.")
    return Finding(ALARM, False, priority_of(ALARM), message)
