"""The estimator's whole state, and its way to JSON and back without losing a digit."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from stillwell.estimate.level.checkpoint import Checkpoint, Kept, KeptDoubt
from stillwell.estimate.level.evidence import Pour
from stillwell.estimate.level.gauge import Located
from stillwell.estimate.level.ledger import FloatTold, OpenFloat, OpenSlice, Pause, Slice
from stillwell.estimate.level.ripple import Told

FORM = 4
"""Counts up when the stored form changes; a state of another form is refused."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Evidence that was not taken, and why."""

    t_ms: int
    reason: str


@dataclass(frozen=True, slots=True)
class LevelState:
    """Bounded: slices, pours and pauses of the last `remember_days`, a checkpoint every few
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
    """Floats that have been seen to change within an interval: their looks are looks."""
    refused: tuple[Refused, ...] = ()
    """The latest refusals, newest last."""

    def onward(
        self,
        now_ms: int,
        opened: OpenSlice | None,
        last: tuple[tuple[str, float, int], ...] | None = None,
    ) -> LevelState:
        """The same at `now_ms`, with this open slice and these last shares. Written out, since it
        is asked for at every reading: `dataclasses.replace` takes several times as long."""
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

    def to_json(self) -> dict[str, Any]:
        """Plain lists, numbers and strings; `json.dumps` keeps every float exactly."""
        return {"form": FORM, **asdict(self)}

    @classmethod
    def from_json(cls, body: dict[str, Any]) -> LevelState:
        """Raises ValueError for a state that another version wrote or that is damaged."""
        if body.get("form") != FORM:
            raise ValueError(f"A level state of form {body.get('form')}, not {FORM}: start anew.")
        try:
            opened = body["open"]
            return cls(
                now_ms=int(body["now_ms"]),
                open=None if opened is None else _open(opened),
                slices=tuple(_slice(s) for s in body["slices"]),
                pours=tuple(Pour(**p) for p in body["pours"]),
                pauses=tuple(Pause(**p) for p in body["pauses"]),
                checkpoints=tuple(_checkpoint(m) for m in body["checkpoints"]),
                last=tuple((str(n), float(s), int(t)) for n, s, t in body["last"]),
                inverted=tuple(body["inverted"]),
                splitting=tuple(body["splitting"]),
                refused=tuple(Refused(**r) for r in body["refused"]),
            )
        except (KeyError, TypeError) as damage:
            raise ValueError(f"A damaged level state ({damage!r}): start anew.") from damage


def _open(body: dict[str, Any]) -> OpenSlice:
    return OpenSlice(
        body["index"],
        tuple(OpenFloat(**f) for f in body["floats"]),
        tuple((int(t), float(mm)) for t, mm in body["gauge"]),
        body["expect_sum"],
        body["expect_count"],
        body["expect_rel_sd"],
    )


def _slice(body: dict[str, Any]) -> Slice:
    gauge = body["gauge"]
    return Slice(
        body["index"],
        tuple(
            FloatTold(f["name"], Told(**f["told"]), f["intervals"], f["partly"])
            for f in body["floats"]
        ),
        None if gauge is None else Located(**gauge),
        body["expect_ml_per_h"],
        body["expect_rel_sd"],
    )


def _checkpoint(body: dict[str, Any]) -> Checkpoint:
    return Checkpoint(
        body["t_ms"],
        _kept(body["bank"]),
        body["shape"],
        body["shape_ms"],
        body["physics_told"],
        tuple(
            KeptDoubt(d["log_odds"], d["pour_ms"], d["pour_ml"], _kept(d["bank"]))
            for d in body["doubts"]
        ),
    )


def _kept(body: dict[str, Any]) -> Kept:
    return Kept(
        tuple((tuple(x), tuple(triangle)) for x, triangle in body["members"]),
        tuple(body["kinds"]),
        tuple(body["weights"]),
        tuple(body["odds"]),
    )
