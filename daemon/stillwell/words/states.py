"""The states of an alarm in words for readers who know no standard."""

from __future__ import annotations

from stillwell.notice import State

_WORDS = {
    State.UNACKNOWLEDGED: "nobody has answered",
    State.ACKNOWLEDGED: "somebody sees to it",
    State.RETURNED: "over, and nobody had answered",
    State.LATCHED: "over by itself; look before you reset it",
    State.LATCHED_ACKNOWLEDGED: "over; to be reset",
    State.SHELVED: "kept quiet",
    State.SUPPRESSED: "quiet because of another alarm",
    State.OUT_OF_SERVICE: "out of service",
    State.NORMAL: "over",
}


def state_in_words(state: State) -> str:
    """Returns a clause; of a state in which nothing is announced it says why."""
    return _WORDS[state]
