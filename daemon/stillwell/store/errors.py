"""The errors of the store, in sentences for the person who asked."""

from __future__ import annotations

from typing import NamedTuple


class Words(NamedTuple):
    """What is wrong with the store and what to do, for the person beside the tank."""

    what: str
    do: str

    def __str__(self) -> str:
        return f"{self.what} {self.do}".rstrip()


class StoreError(Exception):
    """The store cannot do what was asked; the text says what is wrong and what to do."""

    def __init__(self, what: str, do: str = "") -> None:
        self.words = Words(what, do)
        super().__init__(str(self.words))


class StoreDamaged(StoreError):  # noqa: N818
    """A part of the file can't be read any more."""


class StoreBusy(StoreError):  # noqa: N818
    """Another process writes this store."""


class StoreTooNew(StoreError):  # noqa: N818
    """The file was written by a later version of stillwell."""


class StoreForeign(StoreError):  # noqa: N818
    """The file belongs to another program or another person."""


class StoreMissing(StoreError):  # noqa: N818
    """There is no store where one was looked for."""


class NotRunning(StoreError):  # noqa: N818
    """No daemon runs on this store, so nobody would answer."""
