"""Whether a command is about something that was known when it was sent. Pure.

A command may have waited for hours, on a phone without a network or in a broker, and must not
answer an alarm that came meanwhile. Two things can show this. Either the command names the
occurrence that it is about (`about`), which only somebody who has heard of it can know. Or it says
when it was sent, which is compared with how many notices had reached the sink through which it came
by then. A command from this machine says neither and counts as sent now.

Commands that bring an alarm back (unshelve, return to service) are always taken: people hear
what they do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from stillwell.alarm.answer_link import occurrence
from stillwell.notice import Transition
from stillwell.reading import Moment
from stillwell.request import Command, Request

LONGEST_UNDERWAY_MS = 24 * 3_600_000
"""The oldest that a command may be which does not say when it was sent. A choice of ours."""
SLOW_CLOCK_S = 5.0
"""The sender's clock may be behind by this much. A clock that is ahead makes the command count
as sent now."""

_SILENCES = frozenset({Command.SHELVE, Command.OUT_OF_SERVICE})
_CHECKED = _SILENCES | {Command.ACKNOWLEDGE, Command.RESET}


class Announcements:
    """How far each sink had come with the notices, and when, in this run.

    Args:
        started_ms: when the run began; monotonic, as all times here.
        newest: the number of the newest notice then.
        cursors: the number that each sink had reached then.
    """

    def __init__(
        self, started_ms: int = 0, newest: int = 0, cursors: Mapping[str, int] | None = None
    ) -> None:
        self.started_ms = started_ms
        self._newest = newest
        self._calls: dict[str, int] = {}
        self._moves: dict[str, list[tuple[int, int]]] = {}
        """Of each sink the first, the last, and those between with which an alarm's newest call was
        announced: no others tell anything."""
        for way, number in {"": newest, **(cursors or {})}.items():
            self.moved(way, number, started_ms)

    def called(self, alarm: str, number: int, mono_ms: int) -> None:
        """Notes that `alarm` calls somebody with the notice of this number."""
        self._calls[alarm] = number
        self.moved("", number, mono_ms)

    def restored(self, alarm: str) -> None:
        """Notes that `alarm` has been away from normal since before this run."""
        self._calls[alarm] = self._newest

    def moved(self, way: str, number: int, mono_ms: int) -> None:
        """Notes that a sink has taken the notices up to this number; an empty name means that
        they can be read on this machine."""
        moves = self._moves.setdefault(way, [])
        moves[1:] = [
            (when, reached)
            for (_, before), (when, reached) in pairwise(moves)
            if any(before < call <= reached for call in self._calls.values())
        ]
        moves.append((mono_ms, number))

    def had(self, alarm: str, way: str, at_ms: int) -> bool:
        """Returns whether the newest call of `alarm` had been announced through `way` at
        `at_ms`."""
        moves = self._moves.get(way, ((self.started_ms, self._newest),))
        reached = next((number for when, number in reversed(moves) if when <= at_ms), -1)
        return self._calls.get(alarm, 0) <= reached


def why_not(
    request: Request,
    alarm: str,
    calls: Sequence[Transition],
    announced: Announcements,
    now: Moment,
    trusted: bool,
) -> str:
    """Returns why `request` may not act on `alarm`, in a sentence or two for whoever sent it; empty
    where it may.

    Args:
        calls: the alarm's two newest changes that called somebody, the newest first.
        trusted: whether this machine's clock is trusted. Without that nobody knows how old a
            command from elsewhere is.
    """
    if request.command not in _CHECKED:
        return ""
    newest = occurrence(calls[0]) if calls else ""
    if request.about and request.about != newest:
        return f"This is about an earlier {alarm}, not the one that stands now."
    sent_ms = _sent_ms(request, now, trusted)
    lasts = request.command in _SILENCES
    if sent_ms is None and lasts:
        return _say_when(trusted)
    if sent_ms is not None and sent_ms < announced.started_ms and (lasts or not request.about):
        return "This was sent before stillwell was started. Look at the alarm and send it again."
    if request.about:
        return ""
    if sent_ms is None:
        if not request.subject:
            return f'Say which alarm you mean, as "alarm": "{alarm}". {_say_when(trusted)}'
        earlier = calls[1].moment.utc_ms if len(calls) > 1 else None
        if earlier is not None and now.utc_ms - earlier < LONGEST_UNDERWAY_MS:
            return (
                f"{alarm} has come more than once within a day. Say which one you mean, as "
                f'"about": "{newest}".'
            )
        sent_ms = now.mono_ms
    if not announced.had(alarm, request.way, sent_ms):
        return f"{alarm} had not been announced when this was sent. Look at it and send it again."
    return ""


def _sent_ms(request: Request, now: Moment, trusted: bool) -> int | None:
    """Returns when the request was sent, as monotonic time; None where nobody knows."""
    if not request.way:
        return now.mono_ms - round((request.age_s or 0.0) * 1000)
    if request.age_s is None or not trusted:
        return None
    return now.mono_ms - round(max(0.0, request.age_s - SLOW_CLOCK_S) * 1000)


def _say_when(trusted: bool) -> str:
    if not trusted:
        return "This machine's clock is not set yet, so that it cannot tell how old this is."
    return 'Say when you send it, as "sent": "2026-01-31T18:30:00Z".'
