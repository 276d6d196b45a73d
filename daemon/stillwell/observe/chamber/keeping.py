"""The level estimator's state as text: what is old and fixed is written once and remembered.

A state holds fifteen days of slices. Nearly all of them are those of the last time, and the state
is written every half hour: so each day of slices, and each checkpoint, is turned into compressed
text once.
"""

from __future__ import annotations

import base64
import json
import zlib
from dataclasses import fields, replace
from typing import Any

from stillwell.estimate.level import LevelState

_CHUNK = 144
"""Slices in a chunk: a day."""


class Keeping:
    """Remembers what it has written before."""

    def __init__(self) -> None:
        self._chunks: dict[tuple[int, int, int], str] = {}
        self._checkpoints: dict[int, tuple[object, str]] = {}

    def text(self, state: LevelState) -> dict[str, Any]:
        """The state, JSON-ready."""
        days: dict[int, list[Any]] = {}
        for piece in state.slices:
            days.setdefault(piece.index // _CHUNK, []).append(piece)
        chunks: dict[tuple[int, int, int], str] = {}
        for day, pieces in days.items():
            key = (day, len(pieces), pieces[0].index)
            chunks[key] = self._chunks.get(key) or _packed(pieces)
        self._chunks = chunks
        known: dict[int, tuple[object, str]] = {}
        for one in state.checkpoints:
            was = self._checkpoints.get(one.t_ms)
            known[one.t_ms] = was if was and was[0] is one else (one, _packed(one))
        self._checkpoints = known
        rest = replace(state, slices=(), checkpoints=()).to_json()
        return {
            "rest": rest,
            "slices": list(chunks.values()),
            "checkpoints": [text for _, text in known.values()],
        }


def revived(body: dict[str, Any]) -> LevelState:
    """The inverse of `Keeping.text`. Raises ValueError for what is damaged or of another
    version."""
    try:
        whole = dict(body["rest"])
        whole["slices"] = [piece for chunk in body["slices"] for piece in _unpacked(chunk)]
        whole["checkpoints"] = [_unpacked(text) for text in body["checkpoints"]]
    except (KeyError, TypeError, zlib.error) as damage:
        raise ValueError(f"A damaged level state ({damage!r}).") from damage
    return LevelState.from_json(whole)


def _packed(value: object) -> str:
    # not by `dataclasses.asdict`: it copies every number, and that was half of the cost
    text = json.dumps(value, default=_fields)
    return base64.b85encode(zlib.compress(text.encode(), 3)).decode()


def _fields(value: Any) -> dict[str, Any]:
    return {field.name: getattr(value, field.name) for field in fields(value)}


def _unpacked(text: str) -> Any:
    return json.loads(zlib.decompress(base64.b85decode(text)))
