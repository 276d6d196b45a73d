"""The alarms about what the daemon reads from and sends to: a source that is down, a recipient that
is away."""

from __future__ import annotations

from stillwell.acquire.source import SourceState
from stillwell.alarm.catalogue import priority_of
from stillwell.alarm.house import SinkAway, SourceDown
from stillwell.finding import Finding, Over


def of_source(state: SourceState) -> Finding:
    """A driver went down or came back."""
    facts = Over() if state.up else SourceDown(state.what, state.do)
    priority = priority_of("source.{source}.down")
    return Finding(f"source.{state.source}.down", not state.up, priority, facts)


def of_sink(sink: str, away: bool, reason: str) -> Finding:
    """A broker or server can't be reached, or can again."""
    facts = SinkAway(reason) if away else Over()
    return Finding(f"sink.{sink}.away", away, priority_of("sink.{sink}.away"), facts)
