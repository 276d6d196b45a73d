"""The estimator's whole state: plain values that are kept for the next run as they are."""

from __future__ import annotations

from dataclasses import dataclass

from stillwell.estimate.level.checkpoint import Checkpoint
from stillwell.estimate.level.evidence import Pour
from stillwell.estimate.level.ledger import OpenSlice, Pause, Slice


@dataclass(frozen=True, slots=True)
class Refused:
    """Evidence that was not taken, and why."""

    t_ms: int
    reason: str


@dataclass(frozen=True, slots=True)
class LevelState:
    """Bounded: slices, pours and pauses of the last `remember_days`, and a checkpoint every few
    hours of them."""

    now_ms: int
    open: OpenSlice | None = None
    slices: tuple[Slice, ...] = ()
    pours: tuple[Pour, ...] = ()
    pauses: tuple[Pause, ...] = ()
    checkpoints: tuple[Checkpoint, ...] = ()
    last: tuple[tuple[str, float, int], ...] = ()
    """Each float's last share and when that interval ended."""
    inverted: tuple[str, ...] = ()
    """Floats that open when water is poured in: mounted upside down, and left out."""
    splitting: tuple[str, ...] = ()
    """Floats that have been seen to change within an interval, so that their looks count one by
    one."""
    refused: tuple[Refused, ...] = ()
    """The latest refusals, newest last."""

    def onward(
        self,
        now_ms: int,
        opened: OpenSlice | None,
        last: tuple[tuple[str, float, int], ...] | None = None,
    ) -> LevelState:
        """Returns the same state at `now_ms`, with this open slice and these last shares.
        Written out because it is needed at every reading: `dataclasses.replace` takes several
        times as long."""
        return LevelState(
            now_ms,
            opened,
            self.slices,
            self.pours,
            self.pauses,
            self.checkpoints,
            self.last if last is None else last,
            self.inverted,
            self.splitting,
            self.refused,
        )
