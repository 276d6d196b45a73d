"""The noun of the journal: what the keeper did or measured by hand."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Entry:
    """What the keeper did or measured by hand.

    An entry is never changed: a correction is a new entry that strikes the old one out, and the old
    one stays in the file. An entry of kind `STRUCK` strikes without putting anything in its place.
    """

    kind: str
    """pour, salt-pour, water-change, salinity, ammonia, nitrite, …"""
    at_ms: int
    """When it was done, UTC milliseconds; entries may be written later."""
    value: float | None = None
    unit: str = ""
    """The unit of the value, with the salinity that was given with it: ``mL``, ``mL at 35 ppt``."""
    text: str = ""
    by: str = ""
    entered_ms: int = 0
    """When it was written down, UTC milliseconds; 0 means when it was done."""
    strikes: int | None = None
    """The id of the earlier entry that this one strikes out."""
    key: str = ""
    """Entries with the same key are one entry; made by the store when empty."""
    id: int = 0
    """Given by the store."""
    struck_by: int | None = None
    """The id of the entry that struck this one out. Set by the store only."""
    to_mark: bool = False
    """The water stood at the fill mark afterwards."""
    lasted_s: float | None = None
    """How long it took from `at_ms` on, seconds; None: not given."""

    @property
    def unit_in_file(self) -> str:
        """The unit as journal files have it: ``mL to mark``."""
        return f"{self.unit} to mark".strip() if self.to_mark else self.unit


STRUCK = "struck"
"""The kind of an entry that only strikes another out."""
