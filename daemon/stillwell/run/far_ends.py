"""The alarms about what the daemon reads from and sends to: a source that is down, a recipient that
is away."""

from __future__ import annotations

from stillwell.acquire.source import SourceState
from stillwell.alarm.catalogue import priority_of
from stillwell.finding import Finding
from stillwell.notice import Message


def of_source(state: SourceState) -> Finding:
    """A driver went down or came back."""
    message = Message(
        what=state.what or f"The source {state.source} answers again.",
        do=state.do,
    )
    priority = priority_of("source.{source}.down")
    return Finding(f"source.{state.source}.down", not state.up, priority, message)


def of_sink(sink: str, away: bool, reason: str) -> Finding:
    """A broker or server can't be reached, or can again."""
    message = Message(
        what=reason if away else f"{sink} takes what it is sent again.",
        likely="Nothing is lost: it is kept here and sent when it can be." if away else "",
        do="Check that the machine is on and the network is up." if away else "",
    )
    return Finding(f"sink.{sink}.away", away, priority_of("sink.{sink}.away"), message)
