"""What is wrong with a configuration, in words for the person who wrote it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class Fault(NamedTuple):
    """One thing that is wrong, and what to write instead."""

    file: str
    """The file, or ``environment`` or ``credential`` with the name of the variable or file."""
    line: int | None
    """The line of the key, or of its table if the key is missing; None where there are no lines."""
    key: str
    """The path of the key, such as ``source.probes.every``; empty if the whole file is meant."""
    what: str
    do: str = ""

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place += f", line {self.line}"
        if self.key:
            place += f", {self.key}"
        return f"{place}:\n  {self.what}" + (f"\n  {self.do}" if self.do else "")


class ConfigError(Exception):
    """The configuration cannot be used. Its text is the whole list, ready to print.

    Args:
        faults: everything that was found; kept in the order of the lines.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(in_line_order(faults))
        super().__init__(self.faults)

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)


def in_line_order(faults: Iterable[Fault]) -> list[Fault]:
    """Returns the faults once each, by line; those without a line come last."""
    return sorted(dict.fromkeys(faults), key=lambda fault: (fault.line is None, fault.line or 0))
