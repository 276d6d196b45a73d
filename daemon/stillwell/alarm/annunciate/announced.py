"""Whether a command is about something that was known when it was sent. Pure.

A command may have waited for hours, on a phone without a network or in a broker: it must not answer
an alarm that came meanwhile. Two things tell: which occurrence it names (`about`), which nobody can
know who has not heard of it; or when it was sent, held against how far the notices had been given
then to the sink through which it came. A command of this machine says neither and is of now.

Commands that bring an alarm back (unshelve, return to service) are always taken: what they do is
heard.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence

from stillwell.alarm.answer_link import occurrence
from stillwell.notice import Transition
from stillwell.reading import Moment
from stillwell.request import Command, Request

LONGEST_UNDERWAY_MS = 24 * 3_600_000
"""How old a command may be that does not say when it was sent. A choice of ours."""
SLOW_CLOCK_S = 5.0
"""So much may the sender's clock be behind. One that is ahead says "now" at the most."""
_MOVES = 500
"""Notices are rare: days of them. What is older counts as not announced."""

_SILENCES = frozenset({Command.SHELVE, Command.OUT_OF_SERVICE})
_CHECKED = _SILENCES | {Command.ACKNOWLEDGE, Command.RESET}


class Announcements:
    """How far the notices had been given to each sink, and when, in this run.

    Args:
        started_ms: when the run began; monotonic, as all times here.
        newest: the number of the newest notice then.
        cursors: how far each sink had come then.
    """

    def __init__(
        self, started_ms: int = 0, newest: int = 0, cursors: Mapping[str, int] | None = None
    ) -> None:
        self.started_ms = started_ms
        self._newest = newest
        self._moves: dict[str, deque[tuple[int, int]]] = {}
        self._calls: dict[str, int] = {}
        for way, number in {"": newest, **(cursors or {})}.items():
            self.moved(way, number, started_ms)

    def called(self, alarm: str, number: int, mono_ms: int) -> None:
        """`alarm` calls somebody, and the notice with this number says so."""
        self._calls[alarm] = number
        self.moved("", number, mono_ms)

    def restored(self, alarm: str) -> None:
        """`alarm` has not been normal since a run before this."""
        self._calls[alarm] = self._newest

    def moved(self, way: str, number: int, mono_ms: int) -> None:
        """A sink has taken the notices up to this number; without a name: they can be read here."""
        self._moves.setdefault(way, deque(maxlen=_MOVES)).append((mono_ms, number))

    def had(self, alarm: str, way: str, at_ms: int) -> bool:
        """Returns whether the newest call of `alarm` had been announced that way at `at_ms`."""
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
        trusted: whether this machine's clock is: without that nobody knows how old a command is
            that came from elsewhere.
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
    """Monotonic; None where nobody knows."""
    if not request.way:
        return now.mono_ms - round((request.age_s or 0.0) * 1000)
    if request.age_s is None or not trusted:
        return None
    return now.mono_ms - round(max(0.0, request.age_s - SLOW_CLOCK_S) * 1000)


def _say_when(trusted: bool) -> str:
    if not trusted:
        return "This machine's clock is not set yet, so that it cannot tell how old this is."
    return 'Say when you send it, as "sent": "2026-01-31T18:30:00Z".'
