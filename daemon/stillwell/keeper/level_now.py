"""What the level needs now: how much water is missing to the mark, by the newest look and what was
poured after it, and whether to pour. All advice about that comes from here. Pure."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from stillwell.entry import Entry
from stillwell.estimate.level.evidence import Pour
from stillwell.journal import standing as that_stand
from stillwell.keeper.room import LEVEL_FRESH_MS
from stillwell.observe.chamber.journal import KINDS, WATER_CHANGE, change_of, pour_of
from stillwell.observe.facts import PUMP_STOPPED
from stillwell.observe.heat.facts import MAINS_LOST
from stillwell.observe.salt.alarms import NOT_WORTH_ML
from stillwell.ports import Published
from stillwell.units import Dimension, System, show

TOLD_FOR_MS = 86_400_000
"""For this long, in ms, a night's review tells what was done since."""
PUMP = (MAINS_LOST, PUMP_STOPPED)
DOUBTS = (*PUMP, "level.leak", "level.disagree")
"""While one of these alarms stands, what seems to be missing may not be missing water."""


@dataclass(frozen=True, slots=True)
class LevelNow:
    """The present level."""

    missing_ml: float | None = None
    """Fresh water missing to the fill mark, mL; negative above it; None: not known."""
    alarm: str = ""
    """The alarm that must be dealt with before anybody pours."""


UNKNOWN = LevelNow()


@dataclass(frozen=True, slots=True)
class Since:
    """What happened to the level after a night."""

    done: tuple[Entry, ...]
    """Pours and water changes in the journal, in order."""
    unnoted_ml: float | None
    """The water has certainly risen by at least this much more than that, mL; None: it has not, or
    nobody knows."""
    now: LevelNow


def level_now(
    rows: Sequence[Published],
    entries: Sequence[Entry],
    alarms: Collection[str],
    now_ms: int,
    *,
    gauge: str = "",
) -> LevelNow:
    """Returns the level at `now_ms`.

    Args:
        rows: ``level.to-mark``, in order, three hours of it at least.
        entries: the journal of that time, up to now.
        alarms: those whose condition stands.
        gauge: the channel of a level gauge; empty where there are only floats, which do not see a
            pour that is noted late.
    """
    alarm = next((a for a in (*DOUBTS, f"{gauge}.moved") if a in alarms), "")
    row = _newest(rows, now_ms)
    if row is None or row.value is None:
        return LevelNow(None, alarm)
    missing: float | None = row.value
    for entry in that_stand(entries):
        if entry.kind not in KINDS or entry.at_ms > now_ms:
            continue
        if entry.kind == WATER_CHANGE:
            ended_ms = change_of(entry, entry.at_ms).t1_ms
            if ended_ms is None or ended_ms > row.time_ms:
                missing = None
        elif entry.at_ms > row.time_ms:
            missing = _after(missing, pour_of(entry, entry.at_ms))
        elif entry.entered_ms > row.time_ms and not gauge:
            missing = None
    return LevelNow(missing, alarm)


def since_night(
    end_ms: int,
    rows: Sequence[Published],
    entries: Sequence[Entry],
    now: LevelNow,
    now_ms: int,
) -> Since:
    """Returns what was done since a night's end, and what was poured in that nobody noted.

    Args:
        end_ms: the night's end, UTC ms.
        rows: ``level.to-mark`` from some hours before it on, in order.
        entries: the journal from then on.
        now: the result of `level_now`.
    """
    water = [e for e in that_stand(entries) if e.kind in KINDS and e.at_ms <= now_ms]
    done = tuple(e for e in water if e.at_ms > end_ms)
    before, after = _newest(rows, end_ms), _newest(rows, now_ms)
    if before is None or after is None or before.time_ms >= after.time_ms:
        return Since(done, None, now)
    between = [e for e in water if before.time_ms < e.at_ms <= after.time_ms]
    noted = 0.0
    for entry in between:
        pour = pour_of(entry, entry.at_ms) if entry.kind != WATER_CHANGE else None
        if not isinstance(pour, Pour) or pour.ml is None:
            return Since(done, None, now)
        noted += pour.ml
    # What evaporated meanwhile would only add to this.
    least = (before.low or 0.0) - (after.high or 0.0) - noted
    risen = (before.value or 0.0) - (after.value or 0.0) - noted
    return Since(done, risen if least > NOT_WORTH_ML else None, now)


def advice(now: LevelNow, units: System) -> str:
    """Returns what to do about the level, without a full stop: ``add 31 mL of fresh water to the
    mark``."""
    if now.alarm in PUMP:
        return (
            f"see to {now.alarm} first; until the pump runs pour nothing in and take nothing out: "
            "what has run back belongs to the tank"
        )
    if now.alarm:
        return f"see to {now.alarm} first, then look how high the water stands"
    missing = now.missing_ml
    if missing is None:
        return "look at it; fill up to the mark with fresh water"
    amount = show(abs(missing), Dimension.VOLUME, units)
    if abs(missing) < NOT_WORTH_ML:
        return "at the mark"
    if missing < 0:
        return f"{amount} above the mark; if the pump runs, wait: it evaporates by itself"
    return f"add {amount} of fresh water to the mark"


def since_in_words(since: Since, end_ms: int, zone: str, units: System, at: str) -> list[str]:
    """Returns sentences about what was done since a night, and what to do now.

    Args:
        at: what "now" is called: ``Now``, or a time for somebody who reads it later.
    """
    where = ZoneInfo(zone)

    def clock(ms: int) -> str:
        return f"{datetime.fromtimestamp(ms / 1000, where):%H:%M}"

    said = []
    done = [f"{clock(e.at_ms)} {_deed(e, units)}" for e in since.done]
    if done:
        said.append(f"Since {clock(end_ms)}: {', '.join(done)}.")
    if since.unnoted_ml is not None:
        risen = show(since.unnoted_ml, Dimension.VOLUME, units)
        said.append(
            f"The water has risen by about {risen} more than is noted since {clock(end_ms)}: "
            "somebody poured, or the pump stands."
        )
    return [*said, f"{at}: {advice(since.now, units)}."]


def _newest(rows: Sequence[Published], at_ms: int) -> Published | None:
    """Returns the newest row with a number that is fresh at a time."""
    known = [
        r for r in rows if r.value is not None and at_ms - LEVEL_FRESH_MS <= r.time_ms <= at_ms
    ]
    return known[-1] if known else None


def _after(missing: float | None, pour: Pour | str) -> float | None:
    """Returns what is missing after a pour: nothing after a pour up to the mark; unknown after one
    that can't be read."""
    if isinstance(pour, str) or (pour.ml is None and not pour.to_mark):
        return None
    if pour.to_mark:
        return 0.0
    return None if missing is None or pour.ml is None else missing - pour.ml


def _deed(entry: Entry, units: System) -> str:
    if entry.kind == WATER_CHANGE:
        return "water changed"
    pour = pour_of(entry, entry.at_ms)
    if isinstance(pour, str) or pour.ml is None:
        return "filled up to the mark"
    amount = show(pour.ml, Dimension.VOLUME, units)
    return f"{amount} poured" if pour.fresh else f"{amount} of salt water poured"
