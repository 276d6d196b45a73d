"""What floats say where nothing else sees the level: a single float, and the water below the
lowest of several. The limits are our own choice, checked on simulated tanks."""

from __future__ import annotations

import math
from collections.abc import Callable

from stillwell.estimate.level.state import LevelState
from stillwell.observe.chamber.plan import LevelPlan

_NOTED_WITHIN_MS = 6 * 3_600_000
"""A pour noted within this time of a rise may be the one that made it."""
_OPEN, _CLOSED, _WHOLLY = 0.1, 0.9, 0.98
_BLIND_MS = 3_600_000


def unnoted_rises(state: LevelState, name: str, slice_ms: int) -> list[int]:
    """Returns when a float closed that had been open while nobody noted a pour, on the line, ms.

    One float can't see how much was poured, so anything reckoned across such a rise rests on
    nothing. Rises while the pump has stopped or the water is changed do not count.
    """
    rises: list[int] = []
    was_open = False
    for piece in state.slices:
        share = piece.share_of(name)
        at_ms = piece.index * slice_ms
        if share is None or any(
            pause.t0_ms - slice_ms <= at_ms and (pause.t1_ms is None or at_ms <= pause.t1_ms)
            for pause in state.pauses
        ):
            continue
        if share <= _OPEN:
            was_open = True
        elif share >= _CLOSED and was_open:
            was_open = False
            if not any(abs(pour.t_ms - at_ms) <= _NOTED_WITHIN_MS for pour in state.pours):
                rises.append(at_ms)
    return rises


def closed_since(state: LevelState, name: str, slice_ms: int) -> int | None:
    """Returns since when a float has been closed in every look, on the line, ms. Returns None
    when it is not closed, or when it was not heard in the last hour. The time starts anew with a
    water change."""
    return _since(state, name, slice_ms, lambda share: share >= _WHOLLY)


def unseen_pours(
    state: LevelState, name: str, slice_ms: int, ml_per_h: float, lift_ml: float
) -> int:
    """Returns how many noted pours, hours apart, must have closed a float that has been open all
    the time.

    Args:
        ml_per_h: the most that evaporates.
        lift_ml: the volume that certainly lifts the water from where the float opened to where
            it closes.
    """
    since_ms = _since(state, name, slice_ms, lambda share: share <= 1 - _WHOLLY)
    if since_ms is None:
        return 0
    count, poured, last_ms = 0, 0.0, since_ms - _NOTED_WITHIN_MS
    for pour in sorted(state.pours, key=lambda p: p.t_ms):
        if not since_ms < pour.t_ms <= state.now_ms - _BLIND_MS:
            continue
        poured += pour.ml or 0.0
        gone = ml_per_h * (pour.t_ms - since_ms) / 3_600_000
        if poured - gone > lift_ml and pour.t_ms - last_ms >= _NOTED_WITHIN_MS:
            count, last_ms = count + 1, pour.t_ms
    return count


def reckoned_hours(
    state: LevelState, plan: LevelPlan, slice_ms: int, ml_per_h: float
) -> float | None:
    """Returns the hours until the lowest safe level by dead reckoning, from the time when the water
    passed the lowest float: what was noted to be poured since, less what usually evaporates. The
    result is negative below that level, and infinite while that float is closed. It is None where
    the passage was not seen, and where no float is below the fill mark: only such a float is closed
    again by a pour that nobody notes.

    Args:
        ml_per_h: what usually evaporates.
    """
    floats = [
        one.spec
        for one in plan.floats
        if one.spec.height_mm < 0.0 and one.spec.name not in state.inverted
    ]
    if not floats or ml_per_h <= 0.0:
        return None
    lowest = min(floats, key=lambda spec: spec.height_mm - spec.differential_mm)
    if closed_since(state, lowest.name, slice_ms) is not None:
        return math.inf
    since_ms = _since(state, lowest.name, slice_ms, lambda share: share <= 1 - _WHOLLY)
    if since_ms is None or not _heard_before(state, lowest.name, since_ms, slice_ms):
        return None
    above_mm = lowest.height_mm - lowest.differential_mm - plan.geometry.lowest_safe_mm
    poured = sum(pour.ml or 0.0 for pour in state.pours if pour.t_ms > since_ms)
    left_ml = above_mm / plan.geometry.mm_per_ml + poured
    return left_ml / ml_per_h - (state.now_ms - since_ms) / 3_600_000


def _heard_before(state: LevelState, name: str, at_ms: int, slice_ms: int) -> bool:
    """Whether a float was heard in the hour before a time, with no water change in between."""
    if any(pause.resets and (pause.t1_ms or at_ms) >= at_ms - slice_ms for pause in state.pauses):
        return False
    return any(
        at_ms - _BLIND_MS <= piece.index * slice_ms < at_ms and piece.share_of(name) is not None
        for piece in state.slices
    )


def _since(
    state: LevelState, name: str, slice_ms: int, holds: Callable[[float], bool]
) -> int | None:
    since: int | None = None
    for piece in reversed(state.slices):
        share = piece.share_of(name)
        if share is None:
            continue
        if since is None and (piece.index + 1) * slice_ms < state.now_ms - _BLIND_MS:
            return None
        if not holds(share):
            break
        since = piece.index * slice_ms
    changed = max((p.t1_ms or state.now_ms for p in state.pauses if p.resets), default=0)
    return since if since is None else max(since, changed)
