"""Calls the sink so that everything it does ends in a verdict.

A sink is foreign code that talks to foreign machines. Whatever it does (raises, claims more rows
than it was given, answers nothing) never ends a thread here, and never skips a row without a reason
that is kept. A sink that doesn't answer within its whole time limit is left behind with the thread
that waits for it, and a fresh one is made; a later answer is lost.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any, TypeVar

from stillwell.deliver.checked import Abilities, MistakeError, checked
from stillwell.deliver.outbox.back_off import LONGEST_PAUSE_S, SHORTEST_PAUSE_S
from stillwell.foreign import (
    MOST_LEFT_BEHIND,
    FailedError,
    Hand,
    HangsError,
    pause_after_hang_s,
    plain,
)
from stillwell.ports import Outcome, Row, Sink, Stream

log = logging.getLogger(__name__)

LONGEST_AFTER_HANG_S = 600.0
FORGETS_S = 3600.0
"""After working for this long, a sink that hangs counts as hanging for the first time."""
FAILED = Outcome(0, (), SHORTEST_PAUSE_S, "The sink itself failed.")

T = TypeVar("T")


class CalledSink:
    """A sink, its thread, and its mistakes.

    Args:
        name: the sink's name in the configuration.
        sink: opened by the first `ready`.
        able: what it has said about itself.
        hand: the thread on which it is called, so that it can be left behind; without one it is
            called on the caller's thread, and may hang that.
        remake: makes a fresh sink in place of one that was left behind.
    """

    def __init__(
        self,
        name: str,
        sink: Sink,
        able: Abilities,
        hand: Hand | None,
        remake: Callable[[], Sink] | None,
    ) -> None:
        self._name = name
        self._sink: Any = sink
        """None after a sink was left behind, until a fresh one is made."""
        self._able = able
        self._hand = hand
        self._remake = remake
        self._hangs = 0
        self._hung_until_s = -math.inf
        self._open = False
        self._fed = False
        self._trouble = ""
        self._said = ""

    def ready(
        self,
        now_s: float,
        ahead: Mapping[Stream, int],
        latest: Callable[[], Iterable[Row]],
    ) -> Outcome | None:
        """Returns None when the sink is there and open, else the verdict. `ahead` is for one
        that `SendsAhead`, `latest` for one that `Retains`."""
        if self._sink is None and self._hand and self._hand.left_behind >= MOST_LEFT_BEHIND:
            reason = f"The sink {self._name} hangs every time and is left alone: restart stillwell."
            return Outcome(0, (), LONGEST_PAUSE_S, reason)
        try:
            if self._sink is None and self._remake is not None:
                self._sink = self._call(self._remake)
            if not self._open:
                self._call(self._asked("open"))
                self._open = True
                if self._able.sends_ahead:
                    self._call(self._asked("resume", dict(ahead)))
            if not self._fed and self._able.retains:
                self._call(self._asked("remember", tuple(latest())))
            self._fed = True
        except HangsError as error:
            return self._left_behind(error, now_s)
        except Exception as error:
            self._failed(_kind(error))
            reason = f"The sink {self._name} cannot be opened: {_kind(error)}"
            return Outcome(0, (), SHORTEST_PAUSE_S, reason)
        return None

    def tend(self, now_s: float) -> Outcome:
        """Returns the sink's verdict on its connection."""
        outcome = self._guarded(self._asked("tend"), 0, now_s)
        return replace(outcome, reason=self.mistake) if outcome is FAILED else outcome

    def send(self, rows: list[Row], now_s: float) -> Outcome:
        """Returns the sink's verdict on rows of one stream, corrected where needed; `FAILED`
        itself when it raised or returned something that is no verdict."""
        return self._guarded(self._asked("send", rows), len(rows), now_s)

    def close(self) -> None:
        """Closes the sink. Never raises."""
        if self._open:
            self._open = False
            try:
                self._call(self._asked("close"))
            except Exception as error:
                log.error("The sink %s failed while closing: %s.", self._name, _kind(error))
        if self._hand is not None:
            self._hand.end()

    def well(self) -> None:
        """Notes that the sink works, so that the next mistake is logged again."""
        self._said = ""

    @property
    def failed_on_it(self) -> str:
        """The reason for refusing a row on which the sink itself failed."""
        return f"The sink failed on it: {self._trouble}"

    @property
    def mistake(self) -> str:
        """The verdict on a sink that failed, in words."""
        return f"The sink {self._name} failed: {self._trouble}."

    def _guarded(self, call: Callable[[], Outcome], given: int, now_s: float) -> Outcome:
        try:
            outcome = self._call(lambda: checked(call()))
        except HangsError as error:
            return self._left_behind(error, now_s)
        except Exception as error:
            self._failed(_kind(error))
            return FAILED
        accepted = min(max(outcome.accepted, 0), given)
        retry = outcome.retry_after
        if accepted == 0 < given and retry is None and not outcome.waits:
            # Neither taken nor a reason to wait: without this the round would spin.
            retry = SHORTEST_PAUSE_S
        return replace(outcome, accepted=accepted, retry_after=retry)

    def _call(self, call: Callable[[], T]) -> T:
        """Makes one call into the sink. Raises `HangsError` where it may be left behind."""
        return call() if self._hand is None else self._hand.do(call, self._able.within_s)

    def _asked(self, method: str, *given: object) -> Callable[[], Any]:
        """Returns a call of one of the sink's methods; even looking the method up runs the
        sink's own code."""
        sink = self._sink
        return lambda: getattr(sink, method)(*given)

    def _failed(self, trouble: str) -> None:
        self._trouble = trouble
        if trouble != self._said:
            self._said = trouble
            log.error("The sink %s failed: %s.", self._name, trouble)

    def _left_behind(self, error: HangsError, now_s: float) -> Outcome:
        """Returns the verdict on a sink that hangs, which is not called again."""
        self._sink, self._open, self._fed = None, False, False
        first = now_s - self._hung_until_s >= FORGETS_S
        self._hangs = 1 if first else self._hangs + 1
        pause_s = min(pause_after_hang_s(self._hangs), LONGEST_AFTER_HANG_S)
        self._hung_until_s = now_s + pause_s
        return Outcome(0, (), pause_s, f"The sink {self._name} {error}.", lost=True)


def _kind(error: Exception) -> str:
    """Returns what failed, without the exception's own words: those of a foreign library may
    hold a URL with a password in it."""
    if isinstance(error, MistakeError):
        return f"it {error}"
    return error.kind if isinstance(error, FailedError) else plain(type(error).__name__, 60)
