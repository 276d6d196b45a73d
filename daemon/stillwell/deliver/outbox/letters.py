"""Dead letters, rows that a sink refused for good, that are to be sent once more."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from stillwell.ports import Row

log = logging.getLogger(__name__)

SettleLetter = Callable[[int, str | None], None]
"""Keeps the result of sending a dead letter once more: (its number, why it was refused again or
None). Returns at once; an exception means that it is to be offered again."""


def unsettled(letter: int, reason: str | None) -> None:
    """Does nothing; for an outbox that is given no letters."""


class Letters:
    """The letters of one sink, each until its result is known to be kept."""

    def __init__(self, settle_letter: SettleLetter) -> None:
        self._settle_letter = settle_letter
        self._waiting: dict[int, Row] = {}
        self._settled: dict[int, str | None] = {}
        self._lock = threading.Lock()

    def add(self, letter: int, row: Row) -> None:
        """Takes a letter, by its number. Safe from any thread."""
        with self._lock:
            if letter not in self._settled:
                self._waiting[letter] = row

    def waiting(self) -> dict[int, Row]:
        """Returns those that are still to be sent."""
        with self._lock:
            return dict(self._waiting)

    def done(self, letter: int, reason: str | None) -> None:
        """Notes that a letter has been sent, or refused again for this reason."""
        with self._lock:
            del self._waiting[letter]
            self._settled[letter] = reason

    def settle(self) -> None:
        """Offers the results to be kept."""
        for letter, reason in list(self._settled.items()):
            try:
                self._settle_letter(letter, reason)
            except Exception as error:
                log.warning("What became of a dead letter cannot be kept now: %s.", error)
                return
            with self._lock:
                del self._settled[letter]
