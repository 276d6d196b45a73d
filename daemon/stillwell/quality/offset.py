"""Which channels have an offset, and how it has changed since an earlier run."""

from __future__ import annotations

from collections.abc import Mapping

from stillwell.quality.judge import Judge


def offsets_of(judges: Mapping[str, Judge]) -> dict[str, float]:
    """Returns the offset of each channel that has one."""
    return {name: judge.offset for name, judge in judges.items() if judge.offset}


def moved_by(before: Mapping[str, float], now: Mapping[str, float]) -> dict[str, float]:
    """Returns by how much the values of each channel have changed because its offset has."""
    apart = {n: now.get(n, 0.0) - before.get(n, 0.0) for n in before.keys() | now.keys()}
    return {name: by for name, by in apart.items() if by}
