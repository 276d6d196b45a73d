"""Which channels have an offset, and what has become of it since an earlier run."""

from __future__ import annotations

from collections.abc import Mapping

from stillwell.quality.judge import Judge


def offsets_of(judges: Mapping[str, Judge]) -> dict[str, float]:
    """Returns the offset of each channel that has one."""
    return {name: judge.offset for name, judge in judges.items() if judge.offset}


def moved_by(before: Mapping[str, float], now: Mapping[str, float]) -> dict[str, float]:
    """Returns by how much the values of each channel are others because its offset is."""
    apart = {n: now.get(n, 0.0) - before.get(n, 0.0) for n in before.keys() | now.keys()}
    return {name: by for name, by in apart.items() if by}
