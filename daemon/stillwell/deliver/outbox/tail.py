"""What an outbox needs of the store's tail."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from stillwell.ports import Row, Stream


class Follows(Protocol):
    """Rows to follow, stream by stream. Safe to call from any thread."""

    def rows(
        self, stream: Stream, after_seq: int, limit: int, *, committed_only: bool = True
    ) -> list[Row]:
        """Returns at most `limit` rows with a greater number than `after_seq`, in order."""
        ...

    def wait(
        self, after: Mapping[Stream, int], timeout_s: float, *, committed_only: bool = True
    ) -> object:
        """Returns when any of the streams has a row after its number, or after `timeout_s`."""
        return None

    def why_waiting(self, stream: Stream, after_seq: int) -> str:
        """Returns why nothing is handed out although there are rows; empty where none is."""
        return ""
