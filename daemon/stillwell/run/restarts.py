"""A daemon that is ended again and again is itself an alarm, and so is a machine that is.

Each start is kept in the store before anything else can go wrong, and so is an end in good order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.house import Restarting
from stillwell.finding import Finding, Over
from stillwell.form import Form
from stillwell.notice import Priority
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
"""So many starts of the daemon within one boot and an hour are told, and called urgent: with ten
minutes and less between them nobody can rely on the watch. A choice of ours."""
MACHINE_FROM = 6
"""So many starts of the machine within an hour are told. Mains that come and go a few times are no
fault of the daemon's; a power supply that is too weak goes on. A choice of ours."""
_MOST = 400


@dataclass(frozen=True, slots=True)
class Start:
    at: Moment
    boot_id: str


_FORM = Form(list[Start], 2)


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
        self._store.describe(KEY, _FORM.text(list(starts)))
        self._store.commit()

    def _kept(self) -> list[Start]:
        return _FORM.known(self._store.kept.described(KEY)) or []


def restarting(starts: Sequence[Start], utc_ms: Callable[[Moment], int | None]) -> Finding | None:
    """Returns the alarm about these starts, oldest first; None where they are too few.

    A start in another boot than the one before is the machine's: nothing says that the daemon was
    at fault. A boot without a name may be the same one.

    Args:
        utc_ms: when a moment was; None where that is not known.
    """
    boots = [start.boot_id for start in starts]
    machine = 1 + sum(
        one != other and not other.startswith(NO_BOOT) for one, other in pairwise(boots)
    )
    daemon = len(starts) - machine + 1
    if daemon < TOLD_FROM and machine < MACHINE_FROM:
        return None
    priority = Priority.HIGH if daemon >= URGENT_FROM else priority_of(ALARM)
    by_itself = daemon < TOLD_FROM
    since = starts[0].at
    facts = Restarting(machine if by_itself else daemon, utc_ms(since), by_itself)
    return Finding(ALARM, True, priority, facts, since)


def settled() -> Finding:
    """Returns the end of the alarm."""
    return Finding(ALARM, False, priority_of(ALARM), Over())
