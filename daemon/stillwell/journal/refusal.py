"""The reason why an entry is refused."""

from __future__ import annotations


class JournalError(ValueError):
    """An entry is refused.

    Args:
        what: what is wrong, in a sentence.
        do: what to write instead, in a sentence.
    """

    def __init__(self, what: str, do: str) -> None:
        super().__init__(f"{what} {do}")
        self.what = what
        self.do = do
