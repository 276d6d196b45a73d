"""What the store refuses, in sentences for the person who asked."""

from __future__ import annotations


class StoreError(Exception):
    """The store cannot do what was asked; the text says what is wrong and what to do."""


class StoreBusy(StoreError):  # noqa: N818
    """Another process writes this store."""


class StoreTooNew(StoreError):  # noqa: N818
    """The file was written by a later version of stillwell."""


class StoreMissing(StoreError):  # noqa: N818
    """There is no store where one was looked for."""


class NotRunning(StoreError):  # noqa: N818
    """No daemon runs on this store, so nobody would answer."""
