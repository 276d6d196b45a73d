"""What an outbox needs of the store's tail, and what else a tail may be able to do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol, runtime_checkable

from stillwell.ports import Row, Stream


class Follows(Protocol):
    """What an outbox needs of the store's tail. Safe to call from any thread."""

    def rows(
        self, stream: Stream, after_seq: int, limit: int, *, committed_only: bool = True
    ) -> list[Row]:
        """Returns at most `limit` rows with a greater number than `after_seq`, in order."""
        ...

    def wait(
        self, seq: int, stream: Stream, timeout_s: float, *, committed_only: bool = True
    ) -> object:
        """Returns when `stream` has a row after `seq`, or after `timeout_s`."""
        ...


@runtime_checkable
class WakesForAny(Protocol):
    """The ability of a tail to wait for several streams at once, so that a notice need not wait
    for a reading to wake its sink."""

    def wait_any(
        self, after: Mapping[Stream, int], timeout_s: float, *, committed_only: bool = True
    ) -> object:
        """Returns when any of the streams has a row after its number, or after `timeout_s`."""
        ...


@runtime_checkable
class SaysWhy(Protocol):
    """The ability of a tail to say why it hands out nothing although there are rows."""

    def why_waiting(self, stream: Stream, after_seq: int) -> str: ...
