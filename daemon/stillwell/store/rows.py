"""Converts between the nouns and the rows of the tables. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from stillwell.entry import Entry
from stillwell.notice import Facts, Kept, Message, Notice, Priority, Prose, State, Transition
from stillwell.ports import Published, Stream
from stillwell.reading import Flag, Moment, Reading
from stillwell.store.blocks import ReadingRow

FLAGS: dict[int, Flag] = {int(flag): flag for flag in Flag}

READING = "seq, channel, epoch, mono_ms, value, flag, tests, raw, looks, measured"
TRANSITION = (
    "seq, alarm, epoch, mono_ms, state_before, state_after, event, priority, active, what, "
    "likely, advice, caution, since_mono_ms, since_epoch, since_utc_ms, person, shelved_for_ms, "
    "facts"
)
NOTICE = (
    "seq, key, subject, kind, priority, epoch, mono_ms, title, text, facts, lasted_ms, "
    "unanswered_ms"
)
BLOCK = "first_seq, last_seq, epoch, min_mono_ms, max_mono_ms, channels"
ESTIMATE = "seq, name, time_ms, unit, value, low, high, basis"
TABLE = {
    Stream.READINGS: "reading",
    Stream.TRANSITIONS: "transition",
    Stream.NOTICES: "notice",
    Stream.ESTIMATES: "estimate",
}

JOURNAL = "key, at_ms, entered_ms, kind, value, unit, text, person, strikes, to_mark, lasted_s"

Offsets = Mapping[int, int]
"""Epoch id -> UTC minus monotonic, milliseconds."""


def insert(table: str, columns: str, verb: str = "INSERT") -> str:
    places = ", ".join("?" * (columns.count(",") + 1))
    return f"{verb} INTO {table} ({columns}) VALUES ({places})"


class ChannelIds(dict[str, int]):
    """Channel name -> id; a new name gets the next id."""

    def __missing__(self, name: str) -> int:
        self[name] = new = max(self.values(), default=0) + 1
        return new


def from_readings(
    readings: Sequence[Reading], first_seq: int, ids: Mapping[str, int]
) -> list[ReadingRow]:
    # The plus turns the flag into a plain int: for a subclass of int sqlite3 looks for an adapter,
    # which costs more than the insert.
    return [
        (seq, ids[name], at[2], at[0], value, +flag, tests or None, raw or None, looks, measured)
        for seq, (name, at, value, flag, tests, raw, looks, measured) in enumerate(
            readings, first_seq
        )
    ]


def to_reading(row: Sequence[Any], names: Mapping[int, str], offset_ms: int) -> Reading:
    _, channel, epoch, mono_ms, value, flag, tests, raw, looks, measured = row
    return Reading(
        names[channel],
        Moment(mono_ms, mono_ms + offset_ms, epoch),
        value,
        FLAGS[flag],
        tests or "",
        raw or "",
        looks,
        measured,
    )


def at(moment: Moment, offsets: Offsets) -> Moment:
    """The moment with the UTC that its epoch gives it now."""
    offset = offsets.get(moment.epoch)
    if offset is None or moment.mono_ms + offset == moment.utc_ms:
        return moment
    return Moment(moment.mono_ms, moment.mono_ms + offset, moment.epoch)


def belongs(moment: Moment, offsets: Offsets) -> bool:
    """Whether both times of the moment agree with its epoch. They don't when a restored alarm
    carries a time of an earlier boot: then its UTC counts and a rebase must not move it."""
    offset = offsets.get(moment.epoch)
    return offset is not None and abs(moment.mono_ms + offset - moment.utc_ms) <= 1000


def with_times(body: Transition | Notice, offsets: Offsets) -> Transition | Notice:
    """The same row with its times as its epoch gives them now."""
    moment = at(body.moment, offsets)
    if isinstance(body, Notice):
        return body if moment is body.moment else replace(body, moment=moment)
    since = body.since
    if moment is not body.moment and since.epoch == moment.epoch:
        # A rebase moves both by the same amount; a `since` of an earlier boot stays as it is.
        since = at(since, offsets) if _agree(since, body.moment) else since
    if moment is body.moment and since is body.since:
        return body
    return replace(body, moment=moment, since=since)


def _agree(one: Moment, other: Moment) -> bool:
    """Whether the two times belong to the same clock."""
    return abs((one.utc_ms - one.mono_ms) - (other.utc_ms - other.mono_ms)) <= 1000


def from_facts(facts: Facts, in_words: type[Facts]) -> str | None:
    """Facts as JSON; None for facts that are already words and have their own columns."""
    return None if isinstance(facts, in_words) else Kept.of(facts).text


def from_transition(seq: int, t: Transition, offsets: Offsets) -> tuple[Any, ...]:
    words = t.facts if isinstance(t.facts, Message) else Message("")
    return (
        seq,
        t.alarm,
        t.moment.epoch,
        t.moment.mono_ms,
        str(t.before),
        str(t.after),
        t.event,
        str(t.priority),
        int(t.active),
        words.what,
        words.likely,
        words.do,
        words.caution,
        t.since.mono_ms,
        t.since.epoch if belongs(t.since, offsets) else None,
        t.since.utc_ms,
        t.by,
        t.shelved_for_ms,
        from_facts(t.facts, Message),
    )


def to_transition(row: Sequence[Any], offsets: Offsets) -> Transition:
    since = Moment(row[13], row[15], row[14] or 0)
    return Transition(
        alarm=row[1],
        moment=Moment(row[3], row[3] + offsets.get(row[2], 0), row[2]),
        before=State(row[4]),
        after=State(row[5]),
        event=row[6],
        priority=Priority(row[7]),
        active=bool(row[8]),
        facts=Kept(row[18]) if row[18] else Message(row[9], row[10], row[11], row[12]),
        since=since if row[14] is None else at(since, offsets),
        by=row[16],
        shelved_for_ms=row[17],
    )


def from_notice(seq: int, n: Notice) -> tuple[Any, ...]:
    words = n.facts if isinstance(n.facts, Prose) else Prose("")
    return (
        seq,
        n.key,
        n.subject,
        n.kind,
        str(n.priority),
        n.moment.epoch,
        n.moment.mono_ms,
        words.title,
        words.text,
        from_facts(n.facts, Prose),
        n.lasted_ms,
        n.unanswered_ms,
    )


def to_notice(row: Sequence[Any], offsets: Offsets) -> Notice:
    return Notice(
        key=row[1],
        subject=row[2],
        kind=row[3],
        priority=Priority(row[4]),
        moment=Moment(row[6], row[6] + offsets.get(row[5], 0), row[5]),
        facts=Kept(row[9]) if row[9] else Prose(row[7], row[8]),
        lasted_ms=row[10],
        unanswered_ms=row[11],
    )


def from_estimate(seq: int, p: Published) -> tuple[Any, ...]:
    return (seq, p.name, p.time_ms, p.unit, p.value, p.low, p.high, p.basis)


def to_estimate(row: Sequence[Any]) -> Published:
    return Published(*row[1:])


def from_entry(e: Entry) -> tuple[Any, ...]:
    return (
        e.key,
        e.at_ms,
        e.entered_ms or e.at_ms,
        e.kind,
        e.value,
        e.unit,
        e.text,
        e.by,
        e.strikes,
        int(e.to_mark),
        e.lasted_s,
    )


ENTRY = (
    "j.id, j.key, j.at_ms, j.entered_ms, j.kind, j.value, j.unit, j.text, j.person, j.strikes, "
    "(SELECT min(s.id) FROM journal s WHERE s.strikes = j.id), j.to_mark, j.lasted_s"
)


def to_entry(row: Sequence[Any]) -> Entry:
    return Entry(
        id=row[0],
        key=row[1],
        at_ms=row[2],
        entered_ms=row[3],
        kind=row[4],
        value=row[5],
        unit=row[6],
        text=row[7],
        by=row[8],
        strikes=row[9],
        struck_by=row[10],
        to_mark=bool(row[11]),
        lasted_s=row[12],
    )


def bindable(row: Sequence[Any]) -> tuple[Any, ...]:
    """The row with every value changed to one that SQLite can hold, for the rare row that it
    refuses: text with lone surrogates, an integer beyond 64 bits, a foreign type. One odd value
    must not hold up the rest."""
    return tuple(_bindable(value) for value in row)


def _bindable(value: Any) -> Any:
    if value is None:
        return None
    if isinstance(value, str):
        return str(value).encode("utf-8", "backslashreplace").decode()
    if isinstance(value, int):
        return min(max(int(value), -(2**63)), 2**63 - 1)
    if isinstance(value, float):
        return float(value)
    try:
        return float(value)
    except (TypeError, ValueError):
        return str(value).encode("utf-8", "backslashreplace").decode()
