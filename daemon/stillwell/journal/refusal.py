"""Why an entry can't be."""

from __future__ import annotations


class JournalError(ValueError):
    """An entry that can't be.

    Args:
        what: what is wrong, in a sentence.
        do: what to write instead, in a sentence.
    """

    def __init__(self, what: str, do: str) -> None:
        super().__init__(f"{what} {do}")
        self.what = what
        self.do = do
