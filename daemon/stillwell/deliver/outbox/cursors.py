"""How far one sink has been given each stream, and up to where its far side can no longer
forget."""

from __future__ import annotations

import logging
import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from stillwell.ports import Refusal, Stream

log = logging.getLogger(__name__)

Move = Callable[[str, Stream, int, Sequence[Refusal]], None]
"""Keeps a sink's cursor and its refused rows: (sink, stream, seq, refused). It must return at
once. An exception means that it could not be taken now; it is offered again, together with what
came since."""


def ahead_name(sink: str) -> str:
    """The name under which the store keeps how far a sink that `SendsAhead` has sent ahead."""
    return f"{sink}.ahead"


@dataclass
class _Owed:
    """A cursor that has moved here and may not be kept yet."""

    seq: int
    refused: list[Refusal]


class Cursors:
    """The cursors of one sink.

    Args:
        sink: its name.
        streams: those that it wants.
        kept: how far each has been given, as the store keeps it; a stream that is missing starts at
            0.
        ahead: the cursors kept under `ahead_name`.
        overlap_s: how long the far side may forget what it took.
        move: see `Move`.
    """

    def __init__(
        self,
        sink: str,
        streams: Iterable[Stream],
        kept: Mapping[Stream, int],
        ahead: Mapping[Stream, int],
        overlap_s: float,
        move: Move,
    ) -> None:
        self._sink = sink
        self._move = move
        self._overlap_s = overlap_s
        self.at = {stream: kept.get(stream, 0) for stream in streams}
        self.ahead = dict(ahead)
        self._sure = dict(self.at)
        """Up to where the far side can no longer forget, which is what is kept. The same as the
        cursors, except for a sink that `MayForget`."""
        self._marks: dict[Stream, deque[tuple[float, int]]] = {s: deque() for s in self.at}
        """Pairs of a second and the row number that had been sent by its end."""
        self._owed: dict[tuple[str, Stream], _Owed] = {}

    def go_ahead(self, stream: Stream, seq: int) -> bool:
        """Notes that every urgent row up to this number has been sent; returns whether that is
        new."""
        new = seq > self.ahead.get(stream, 0)
        if new:
            self.ahead[stream] = seq
            self._owe(ahead_name(self._sink), stream, seq)
        return new

    def advance(self, stream: Stream, seq: int, refused: Sequence[Refusal], now_s: float) -> None:
        """Notes that the rows up to this number are done; the far side will never take those in
        `refused`."""
        self.at[stream] = seq
        if self._overlap_s > 0:
            marks = self._marks[stream]
            if marks and marks[-1][0] == math.floor(now_s):
                marks.pop()
            marks.append((math.floor(now_s), seq))
            if refused:
                self._owe(self._sink, stream, self._sure[stream], refused)
        else:
            self._sure[stream] = seq
            self._owe(self._sink, stream, seq, refused)

    def ripen(self, now_s: float) -> None:
        """Moves what was sent longer ago than the overlap to where it can no longer be
        forgotten."""
        for stream, marks in self._marks.items():
            ripe = None
            while marks and marks[0][0] + 1 + self._overlap_s <= now_s:
                ripe = marks.popleft()[1]
            if ripe is not None and ripe > self._sure[stream]:
                self._sure[stream] = ripe
                self._owe(self._sink, stream, ripe)

    def rewind(self) -> None:
        """Sends again what the far side may have forgotten."""
        if self._overlap_s > 0:
            self.at.update(self._sure)
            for marks in self._marks.values():
                marks.clear()

    def repeat(self, again: Mapping[Stream, int]) -> None:
        """Sends rows again whose times were put right."""
        for stream, seq in again.items():
            if stream in self.at and seq < self.at[stream]:
                self.at[stream] = seq
                self._marks[stream].clear()
                if seq < self._sure[stream]:
                    self._sure[stream] = seq
                    self._owe(self._sink, stream, seq)

    def settle(self) -> bool:
        """Offers the moved cursors to be kept; returns whether all were taken."""
        for (name, stream), owed in list(self._owed.items()):
            try:
                self._move(name, stream, owed.seq, tuple(owed.refused))
            except Exception as error:
                log.warning("The cursor of %s cannot be kept now: %s.", self._sink, error)
                return False
            del self._owed[name, stream]
        return True

    def _owe(self, name: str, stream: Stream, seq: int, refused: Sequence[Refusal] = ()) -> None:
        owed = self._owed.setdefault((name, stream), _Owed(seq, []))
        owed.seq = seq
        owed.refused += refused
