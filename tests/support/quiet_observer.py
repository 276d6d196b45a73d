"""An observer that finds nothing, in which a test replaces one method."""

from __future__ import annotations

from collections.abc import Iterable

from stillwell.entry import Entry
from stillwell.finding import Finding
from stillwell.ports import Published
from stillwell.reading import Moment, Reading


class QuietObserver:
    """Sees everything and finds nothing. Subclass it and override what the test is about."""

    name = "heat"

    def see(self, reading: Reading) -> Iterable[Finding]:
        return ()

    def note(self, entry: Entry, struck: Entry | None) -> Iterable[Finding]:
        return ()

    def tick(self, now: Moment) -> Iterable[Finding]:
        return ()

    def estimates(self, now: Moment) -> Iterable[Published]:
        return ()

    def state(self) -> str:
        return ""

    def restore(self, state: str) -> None:
        pass
