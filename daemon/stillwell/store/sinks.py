"""How far each sink has come, and what it has refused."""

from __future__ import annotations

from collections.abc import Sequence

from stillwell.ports import Refusal, Row, Stream
from stillwell.store import rows
from stillwell.store.backlog import DeadLetter
from stillwell.store.disk import Disk
from stillwell.store.known import Known
from stillwell.store.tail import Shared, Tail


class Sinks:
    """The sinks' cursors and dead letters; owned by the writer."""

    def __init__(self, disk: Disk, known: Known, shared: Shared, tail: Tail) -> None:
        self._disk = disk
        self._known = known
        self._backlog = shared.backlog
        self._tail = tail

    def cursor(self, sink: str, stream: Stream) -> int | None:
        """How far the sink has come; None when it has never moved."""
        return self._known.cursors.get((sink, str(stream)))

    def cursors(self, stream: Stream) -> dict[str, int]:
        """How far each sink has come with a stream."""
        return {sink: seq for (sink, name), seq in self._known.cursors.items() if name == stream}

    def move_cursor(
        self, sink: str, stream: Stream, seq: int, refused: Sequence[Refusal] = ()
    ) -> None:
        """Notes that the sink is done with rows up to `seq`; what it refused becomes dead letters.

        Written with the open batch; at once for notices and for dead letters.
        """
        key = (sink, str(stream))
        self._known.cursors[key] = seq
        self._backlog.cursors[key] = seq
        now = self._disk.now_ms()
        self._backlog.letters += [
            DeadLetter(sink, stream, refusal.seq, refusal.reason, now) for refusal in refused
        ]
        if stream is Stream.NOTICES or refused:
            self._disk.commit_at_once()

    def revived(self, sink: str) -> list[tuple[DeadLetter, Row]]:
        """Dead letters to be sent to this sink once more, with their rows; its answer goes to
        `settle_revived`. Letters whose row is gone are dropped."""
        kept = self._disk.file.ask(
            "SELECT stream, seq, reason, at_ms, id FROM dead_letter "
            "WHERE again = 1 AND sink = ? ORDER BY id",
            (sink,),
        )
        found = []
        for stream, seq, reason, at_ms, number in kept:
            letter = DeadLetter(sink, Stream(stream), seq, reason, at_ms, number, again=True)
            row = self._tail.row(letter.stream, letter.seq)
            if row is None:
                if not self._tail.why_waiting(letter.stream, letter.seq - 1):
                    self.settle_revived(letter.id)
                continue
            found.append((letter, row))
        return found

    def settle_revived(self, letter_id: int, reason: str | None = None) -> None:
        """Notes that the sink took the letter (`reason` None), or refused it again."""
        if reason is None:
            self._mark("DELETE FROM dead_letter WHERE id = ?", (letter_id,))
        else:
            self._mark(
                "UPDATE dead_letter SET again = 0, reason = ?, at_ms = ? WHERE id = ?",
                (reason, self._disk.now_ms(), letter_id),
            )

    def _mark(self, sql: str, values: tuple[object, ...]) -> None:
        self._backlog.marks.append((sql, rows.bindable(values)))
        self._disk.commit_at_once()
