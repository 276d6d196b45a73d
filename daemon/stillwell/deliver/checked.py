"""Checks what a sink says about itself and about its rows, before anything else uses it.

A sink is foreign code and may return anything. What passes here consists of plain text, numbers in
range and our own types. Ask only where the sink may hang, because each of its methods is its own
code.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields

from stillwell.foreign import a, is_a, plain
from stillwell.ports import (
    ChoosesBatch,
    KnowsItsLimit,
    MayForget,
    Outcome,
    Refusal,
    Retains,
    SendsAhead,
    Sink,
    Stream,
    Tends,
)
from stillwell.request import Command, NoteRequest, Request

ANSWERS_WITHIN_S = 60.0
"""The longest that one call into a sink may take, unless it says otherwise (see
`KnowsItsLimit`)."""
LONGEST_LIMIT_S = 1200.0
ROWS_AT_ONCE = 100
LARGEST_BATCH = 10_000
LONGEST_WORDS = 500
LONGEST_TEXT = 100_000
_PLAIN = (str, float, int, bool, type(None), Command, NoteRequest)
_HIGHEST = 2**62

ORDER = (Stream.NOTICES, Stream.TRANSITIONS, Stream.READINGS, Stream.ESTIMATES)
"""The order in which streams are offered: what concerns people first."""


class MistakeError(Exception):
    """A sink returned something that makes no sense. The text continues after the sink's name."""


@dataclass(frozen=True, slots=True)
class Abilities:
    """What a sink wants and can do; it is asked once."""

    streams: tuple[Stream, ...]
    collapse: frozenset[Stream]
    """Streams of which only the latest row of each name is sent."""
    batch: int
    may_forget: bool
    overlap_s: float
    """How long ago its far side may have taken a row that it can still forget."""
    within_s: float
    """The longest that one call may take."""
    retains: bool
    tends: bool
    sends_ahead: bool


def abilities_of(sink: Sink, batch: int = ROWS_AT_ONCE) -> Abilities:
    """Asks a sink; `batch` is the number of rows at once where it has no wish. Raises
    `MistakeError`, and whatever the sink raises."""
    if isinstance(sink, ChoosesBatch):
        batch = _whole(sink.batch, "batch", 1, LARGEST_BATCH)
    wanted = _streams(sink.streams(), "streams")
    return Abilities(
        streams=tuple(stream for stream in ORDER if stream in wanted),
        collapse=_streams(sink.latest_only(), "latest_only")
        if isinstance(sink, Retains)
        else frozenset(),
        batch=batch,
        may_forget=isinstance(sink, MayForget),
        overlap_s=_seconds(sink.overlap_s(), "overlap_s") if isinstance(sink, MayForget) else 0.0,
        within_s=min(LONGEST_LIMIT_S, _seconds(sink.answers_within_s(), "answers_within_s"))
        if isinstance(sink, KnowsItsLimit)
        else ANSWERS_WITHIN_S,
        retains=isinstance(sink, Retains),
        tends=isinstance(sink, Tends),
        sends_ahead=isinstance(sink, SendsAhead),
    )


def checked(outcome: object) -> Outcome:
    """Returns the verdict, made of our own types. Raises `MistakeError` where it is not a
    verdict."""
    if not is_a(outcome, Outcome):
        raise MistakeError(f"answered with {a(outcome)} instead of an Outcome")
    after = outcome.retry_after
    return Outcome(
        accepted=_whole(outcome.accepted, "accepted", -_HIGHEST, _HIGHEST),
        refused=tuple(_refusal(each) for each in _several(outcome.refused, "refused")),
        retry_after=None if after is None else _seconds(after, "retry_after"),
        reason=plain(outcome.reason, LONGEST_WORDS),
        waits=outcome.waits is True,
        lost=outcome.lost is True,
        again={
            stream: _whole(outcome.again[stream], "again", 0, _HIGHEST)
            for stream in _streams(outcome.again, "again")
        }
        if outcome.again
        else {},
        ahead=_whole(outcome.ahead, "ahead", 0, _HIGHEST),
    )


def checked_request(thing: object) -> Request:
    """Returns a request that consists only of plain values. Raises `MistakeError` for any other."""
    if type(thing) is not Request:
        raise MistakeError(f"asks with {a(thing)} instead of a Request")
    parts: tuple[Request | NoteRequest, ...] = (thing,)
    if type(thing.to_note) is NoteRequest:
        parts = (thing, thing.to_note)
    for part in parts:
        for key in fields(part):
            value = getattr(part, key.name)
            if type(value) not in _PLAIN or (type(value) is str and len(value) > LONGEST_TEXT):
                raise MistakeError(f"asks with {a(value)} as `{key.name}`")
    return thing


def _refusal(thing: object) -> Refusal:
    if not is_a(thing, Refusal):
        raise MistakeError(f"answered with {a(thing)} instead of a Refusal")
    seq = _whole(thing.seq, "seq", -_HIGHEST, _HIGHEST)
    return Refusal(seq, plain(thing.reason, LONGEST_WORDS))


def _several(things: object, name: str) -> list[object]:
    if not (is_a(things, tuple) or is_a(things, list)) or len(things) > LARGEST_BATCH:
        raise MistakeError(f"gave {a(things)} as `{name}`")
    return list(things)


def _streams(things: object, name: str) -> frozenset[Stream]:
    found: set[Stream] = set()
    if is_a(things, str) or not isinstance(things, Iterable):
        raise MistakeError(f"gave {a(things)} as `{name}`")
    for thing in things:
        if not is_a(thing, Stream):
            raise MistakeError(f"gave {a(thing)} among `{name}`")
        found.add(thing)
    return frozenset(found)


def _whole(thing: object, name: str, low: int, high: int) -> int:
    if type(thing) is not int or not low <= thing <= high:
        raise MistakeError(f"gave {_shown(thing)} as `{name}`")
    return thing


def _seconds(thing: object, name: str) -> float:
    # Compared before it is converted: a whole number may be too large for a float.
    if type(thing) not in (int, float) or not 0 <= thing <= _HIGHEST:  # type: ignore[operator]
        raise MistakeError(f"gave {_shown(thing)} as `{name}`")
    return float(thing)  # type: ignore[arg-type]


def _shown(thing: object) -> str:
    return "a number out of range" if type(thing) in (int, float) else a(thing)
