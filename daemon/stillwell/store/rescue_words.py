"""A rescue in sentences for people. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from stillwell.store.errors import Words
from stillwell.store.rescue import Cause, Gap, Rescue

_WHAT = {
    Cause.DAMAGED: "The store's file was damaged",
    Cause.SHORTER: "The store's file was cut short while the daemon ran",
    Cause.REMOVED: "Somebody deleted the store's file while the daemon ran",
    Cause.REPLACED: "Somebody put another file in the place of the store while the daemon ran",
    Cause.LOG_GONE: "Somebody deleted the log beside the store's file (-wal) while the daemon ran",
}
_CARD = "The card may be failing: copy what you need and replace it soon."
_NOBODY = (
    "Leave the store's files alone while the daemon runs: `sudo systemctl stop stillwell` first."
)
_SHOWN = 3
_NAMES = {"transition": "alarms", "notice": "notices", "journal": "the journal"}


def going_on(one: Rescue) -> Words:
    """What to say while a rescue is under way."""
    return Words(
        f"{_WHAT[one.cause]}. Alarms and the journal are in a new one, and the readings are "
        "being brought over.",
        _do(one),
    )


def ended(one: Rescue, zone: str) -> Words:
    """What to say about a rescue that has ended."""
    return Words(figures(one, zone), _do(one))


def figures(one: Rescue, zone: str) -> str:
    """What was kept and what was not: ``199,811 of 200,000 readings are kept. Lost: 189 …``"""
    if one.cause is Cause.LOG_GONE:
        return "The store is whole again: nothing is lost."
    kept = one.kept.get("reading", 0)
    if one.ended_ms is None:
        return f"{kept:,} readings have been brought over so far."
    if one.given_up:
        return (
            f"{kept:,} readings of the old store are kept. It could not be read to its end: "
            "readings before those are lost."
        )
    said = (
        f"{kept:,} of {kept + one.lost:,} readings of the old store are kept. Lost: "
        f"{one.lost:,}{_times(one.gaps, zone)}."
        if one.lost
        else f"All {kept:,} readings of the old store are kept."
    )
    wounded = [name for table, name in _NAMES.items() if table in one.wounded]
    if wounded:
        said += f" Some entries of {' and '.join(wounded)} may be lost."
    if one.source:
        said += f" The old file is {one.source}."
    return said


def in_window(rescues: Iterable[Rescue], start_ms: int, end_ms: int, zone: str) -> tuple[str, ...]:
    """What a person who looks at start_ms <= UTC < end_ms must know about lost readings."""
    said = []
    for one in rescues:
        lost = [gap for gap in one.gaps if gap.from_ms < end_ms and gap.to_ms > start_ms]
        if lost:
            count = sum(gap.count for gap in lost)
            of = _times(lost, zone)
            said.append(f"{count:,} readings{of} were lost with a damaged part of the store.")
        if one.ended_ms is None and one.at_ms > start_ms:
            said.append(
                "Readings are still being brought over from a damaged store: some may be missing "
                "here for now."
            )
        elif one.given_up and one.at_ms > start_ms:
            said.append("Readings may be missing: a store's file could not be read to its end.")
    return tuple(said)


def _do(one: Rescue) -> str:
    return _CARD if one.cause in (Cause.DAMAGED, Cause.SHORTER) else _NOBODY


def _times(gaps: Sequence[Gap], zone: str) -> str:
    """The times of the longest gaps, as `` (Mon 13:05 to 14:08)``."""
    if not gaps:
        return ""
    longest = sorted(sorted(gaps, key=lambda gap: -gap.count)[:_SHOWN], key=lambda gap: gap.from_ms)
    shown = [f"{_at(gap.from_ms, zone)} to {_at(gap.to_ms, zone)}" for gap in longest]
    more = ", and others" if len(gaps) > _SHOWN else ""
    return f" ({', '.join(shown)}{more})"


def _at(ms: int, zone: str) -> str:
    return f"{datetime.fromtimestamp(ms / 1000, ZoneInfo(zone)):%a %d %b %H:%M}"
