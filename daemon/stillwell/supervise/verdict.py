"""What the daemon keeps in the store about a sink, for those who look at it from outside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from stillwell.form import Form


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a sink is doing."""

    away: bool
    """Whether the far side can't be reached."""
    words: str
    """Why, or what else there is to say; empty when all is well."""
    since_ms: int
    """UTC since which it has been in this state."""
    sent: Mapping[str, int] = field(default_factory=dict)
    """The number up to which each stream has been sent; a server that may forget is asked to keep
    more than that before the kept cursor follows."""


VERDICT = Form(Verdict)


def verdict_key(sink: str) -> str:
    """The key under which the store keeps a sink's verdict: see `Store.describe`."""
    return f"sink {sink}"
