"""Turns what people send back, bytes, into a request or a refusal. Pure, and never raises.

A payload comes from anybody who may publish on the broker, so nothing in it is believed: size,
depth, encoding, types, names and numbers are checked, and any fault is reported in one sentence.
"""

from __future__ import annotations

import json
import math
import re
import unicodedata
from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime
from difflib import get_close_matches

from stillwell.alarm.nearest import did_you_mean
from stillwell.request import Command, NoteRequest, Request
from stillwell.shown import plain, shown

LARGEST_BYTES = 2048
_TOO_LARGE = f"The command has more than {LARGEST_BYTES} bytes."
LONGEST_SHELF_S = 7 * 86400.0
"""The longest shelf: a shelved alarm is a forgotten alarm, and a week covers a holiday (common
practice)."""

_KEYS = ("alarm", "about", "sent", "for", "by", "text")
_NOTE_KEYS = ("kind", "value", "unit", "at", "for", "text", "by", "sure", "strike", "key")
_LONGEST = {"alarm": 128, "about": 64, "sent": 40, "for": 32, "by": 80, "text": 500}
_LONGEST |= {"token": 512, "kind": 32, "value": 40, "unit": 60, "at": 40, "key": 64}
_ALARM = re.compile(r"[a-z0-9][a-z0-9.\-]*")
_DURATION = re.compile(r"(\d{1,6}(?:\.\d{1,6})?) ?(s|min|h|d)")
_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_NAMES_ONE = frozenset(
    {Command.SHELVE, Command.UNSHELVE, Command.OUT_OF_SERVICE, Command.RETURN_TO_SERVICE}
)
"""Commands that must name their alarm, so that nobody silences everything by leaving a word out."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a command was not taken, in a sentence for the person who sent it."""

    text: str


class _BadError(ValueError):
    pass


def parse(
    word: str, payload: bytes, now_ms: int, alarms: Collection[str] | None = None
) -> Request | Refused:
    """Returns the request that `payload` makes of the command `word`, or why there is none.

    Args:
        word: the last level of the topic, such as ``acknowledge``.
        payload: JSON, ``{"alarm": "water.low", "for": "30 min", "by": "Niamh"}``; empty for no
            details. For a note ``{"kind": "pour", "value": "1.2 L", "at": "18:30"}``.
        now_ms: UTC; a command with a later time of sending counts as sent now.
        alarms: the names of all alarms, to catch an unknown one here; None leaves that to the
            daemon.
    """
    try:
        command = Command(word)
    except ValueError:
        known = ", ".join(sorted(Command))
        return Refused(f"There is no command {shown(word)}; there are {known}.")
    try:
        if command is Command.ANSWER:
            return _answer(_object(payload, ("token", "by", "sent"), '{"token": "1.…"}'), now_ms)
        if command is Command.NOTE:
            return _note(_object(payload, _NOTE_KEYS, '{"kind": "pour", "value": "1.2 L"}'))
        fields = _fields(payload)
        alarm = _alarm(fields["alarm"], alarms)
        if not alarm and command in _NAMES_ONE:
            raise _BadError(
                f'The command {command} needs to know which alarm: {{"alarm": "water.low"}}.'
            )
        seconds = _duration(fields["for"])
        if command is Command.SHELVE and not seconds:
            raise _BadError('Say for how long to shelve, as "for": "30 min".')
        if fields["about"] and not alarm:
            raise _BadError(
                'Say which alarm it is, too: {"alarm": "water.low", "about": "3:1200"}.'
            )
        asked = Request(command, alarm, fields["by"], seconds, fields["text"])
        return replace(asked, about=fields["about"], age_s=_age_s(fields["sent"], now_ms))
    except _BadError as bad:
        return Refused(str(bad))


def _fields(payload: bytes) -> dict[str, str]:
    fields = dict.fromkeys(_KEYS, "")
    if payload.strip():
        body = _object(payload, _KEYS, '{"alarm": "water.low"}')
        fields |= {key: _text(key, value) for key, value in body.items()}
    elif len(payload) > LARGEST_BYTES:
        raise _BadError(_TOO_LARGE)
    return fields


def _answer(body: dict[str, object], now_ms: int) -> Request:
    """Returns the request of somebody who followed a link. The daemon decides whether it is
    valid."""
    said = {key: _text(key, value) for key, value in body.items()}
    if not said.get("token"):
        raise _BadError('Give the token of the link, as {"token": "1.…"}.')
    age_s = _age_s(said.get("sent", ""), now_ms)
    return Request(Command.ANSWER, by=said.get("by", ""), token=said["token"], age_s=age_s)


def _note(body: dict[str, object]) -> Request:
    """Returns the request to write something down. The journal decides whether it can be."""
    strike, sure = body.pop("strike", None), body.pop("sure", False)
    if strike is not None and (isinstance(strike, bool) or not isinstance(strike, int)):
        raise _BadError("The field strike must be the number of an entry, as 12.")
    if not isinstance(sure, bool):
        raise _BadError("The field sure must be true or false.")
    value = body.get("value", "")
    if isinstance(value, int | float) and not isinstance(value, bool):
        body["value"] = f"{value}"
    said = {key: _text(key, value) for key, value in body.items()}
    by, text = said.pop("by", ""), said.pop("text", "")
    if "for" in said:
        said["lasted"] = said.pop("for")
    if not said.get("kind") and strike is None:
        raise _BadError('Say what was done, as {"kind": "pour", "value": "1.2 L"}.')
    to_note = NoteRequest(**said, sure=sure, strike=strike)
    return Request(Command.NOTE, by=by, text=text, to_note=to_note)


def _object(payload: bytes, keys: tuple[str, ...], example: str) -> dict[str, object]:
    """Returns the JSON object of a payload that has only these keys."""
    if len(payload) > LARGEST_BYTES:
        raise _BadError(_TOO_LARGE)
    try:
        body = json.loads(
            payload.decode("utf-8"), parse_constant=_no_constant, object_pairs_hook=_no_twins
        )
    except _BadError:
        raise
    except UnicodeDecodeError:
        raise _BadError("The command is not UTF-8 text.") from None
    except (ValueError, RecursionError):
        raise _BadError(f"The command is not JSON that can be read; write {example}.") from None
    if not isinstance(body, dict):
        raise _BadError(f"The command must be one JSON object, as {example}.")
    for key in body:
        if key not in keys:
            near = get_close_matches(key, keys, 1)
            hint = f" Did you mean {near[0]}?" if near else f" There are {', '.join(keys)}."
            raise _BadError(f"The command has no field {shown(key)}.{hint}")
    return body


def _text(key: str, value: object) -> str:
    if not isinstance(value, str):
        raise _BadError(f"The field {key} must be a text in quotation marks.")
    if len(value) > _LONGEST[key]:
        raise _BadError(f"The field {key} may have {_LONGEST[key]} characters.")
    if any(unicodedata.category(sign) in ("Cc", "Cs") for sign in value):
        raise _BadError(f"The field {key} has control characters in it.")
    return plain(value).strip()


def _no_constant(text: str) -> object:
    raise _BadError(f"The command has {text} in it, which is no number.")


def _no_twins(pairs: list[tuple[str, object]]) -> dict[str, object]:
    body = dict(pairs)
    if len(body) != len(pairs):
        raise _BadError("The command has the same field twice.")
    return body


def _alarm(name: str, alarms: Collection[str] | None) -> str:
    if not name:
        return ""
    if not _ALARM.fullmatch(name) or (alarms is not None and name not in alarms):
        raise _BadError(f"There is no alarm {shown(name)}.{did_you_mean(name, alarms or ())}")
    return name


def _duration(text: str) -> float:
    if not text:
        return 0.0
    match = _DURATION.fullmatch(text)
    if not match:
        raise _BadError(f'{shown(text)} is no length of time; write "30 min", "2 h" or "1 d".')
    seconds = float(match[1]) * _SECONDS[match[2]]
    if not (math.isfinite(seconds) and 0 < seconds <= LONGEST_SHELF_S):
        raise _BadError(f"{text} cannot be: more than nothing, and at most 7 d.")
    return seconds


def _age_s(sent: str, now_ms: int) -> float | None:
    """Returns how long ago a command was sent, in s; None where it doesn't say."""
    if not sent:
        return None
    try:
        then = datetime.fromisoformat(sent)
        if then.tzinfo is None:
            raise ValueError
        return max(0.0, now_ms / 1000 - then.timestamp())
    except (ValueError, OverflowError):
        raise _BadError(
            f'{shown(sent)} is no time with its zone; write "sent": "2026-01-31T18:30:00Z".'
        ) from None
