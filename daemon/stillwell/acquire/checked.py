"""Checks what a driver returned before anything else uses it. Pure.

A driver is foreign code and may return anything. What passes here consists of plain text, floats
and our own enumerations; no object of the driver goes further, and none of its methods is called.
"""

from __future__ import annotations

import math
from collections.abc import Container
from dataclasses import dataclass
from typing import NamedTuple

from stillwell.foreign import a, is_a, plain
from stillwell.reading import Failure, Sample

LONGEST_RAW = 80
_FURTHEST_MS = 2**53
_MOST_LOOKS = 1_000_000_000


class Checked(NamedTuple):
    """A sound sample, if there is one, and what to say about what was returned. Both texts follow
    the driver's name."""

    sample: Sample | None
    wrong: str = ""
    """A mistake of the driver that costs a reading: ``returned a str instead of a Sample``."""
    remark: str = ""
    """A mistake that costs nothing."""


@dataclass(frozen=True, slots=True)
class Note:
    """A sound line of the journal that a driver keeps (`ports.JournalLine`)."""

    utc_ms: int
    kind: str
    value: float | None
    unit: str


def checked(brought: object, channels: Container[str]) -> Checked:
    """Checks one item that a read returned; `channels` are those that it was asked for."""
    if not is_a(brought, Sample):
        return Checked(None, f"returned {a(brought)} instead of a Sample")
    parts: tuple[object, ...] = tuple(tuple.__iter__(brought))
    if len(parts) != len(Sample._fields):
        return Checked(None, f"returned a Sample of {len(parts)} parts")
    channel, value, failure, raw, stale, looks = parts
    if not is_a(channel, str):
        return Checked(None, f"returned a Sample with {a(channel)} as its channel")
    channel = str.__str__(channel)
    if channel not in channels:
        return Checked(None, "", f"returned unknown channels: {plain(channel, 40)}")
    evidence = plain(raw, LONGEST_RAW)
    number, no_number = _number(value)
    if no_number:
        wrong = f"gave {no_number} instead of a number for {channel}"
        return Checked(Sample(channel, None, Failure.DRIVER, evidence or plain(wrong, 80)), wrong)
    if failure is not None and not is_a(failure, Failure):
        wrong = f"gave {a(failure)} instead of a Failure for {channel}"
        evidence = evidence or plain(failure, LONGEST_RAW) or plain(wrong, LONGEST_RAW)
        return Checked(Sample(channel, None, Failure.DRIVER, evidence), wrong)
    remark = ""
    if not is_a(raw, str):
        remark = f"gave {a(raw)} instead of text as the raw evidence of {channel}"
    elif str.__len__(raw) > LONGEST_RAW:
        remark = f"gave more than {LONGEST_RAW} characters of raw evidence for {channel}: cut"
    counted = int.__int__(looks) if is_a(looks, int) and type(looks) is not bool else None
    if looks is not None and (counted is None or not 0 < counted <= _MOST_LOOKS):
        remark = f"gave {a(looks)} instead of a number of looks above zero for {channel}"
        counted = None
    return Checked(Sample(channel, number, failure, evidence, stale is True, counted), "", remark)


def _number(value: object) -> tuple[float | None, str]:
    """Returns the value as a float, which may be NaN or infinite (that is judged later), or else
    what it is instead."""
    if value is None:
        return None, ""
    if is_a(value, float):
        return float.__float__(value), ""
    if is_a(value, int) and type(value) is not bool:
        try:
            return float(int.__int__(value)), ""
        except OverflowError:
            return None, "a whole number of more than 300 digits"
    return None, a(value)


def checked_note(brought: object) -> Note | None:
    """Checks a line of a driver's own journal; None when it is none. Reads its attributes."""
    at, kind = getattr(brought, "utc_ms", None), getattr(brought, "kind", None)
    number, no_number = _number(getattr(brought, "value", None))
    if type(at) is not int or abs(at) > _FURTHEST_MS or not is_a(kind, str) or no_number:
        return None
    if number is not None and not math.isfinite(number):
        return None
    return Note(at, plain(kind, 40), number, plain(getattr(brought, "unit", ""), 20))
