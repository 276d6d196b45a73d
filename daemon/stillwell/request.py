"""What a person may ask of the running daemon, and what it replies."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Command(StrEnum):
    """What a person may ask of the running daemon."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    OUT_OF_SERVICE = "out-of-service"
    RETURN_TO_SERVICE = "return-to-service"
    TEST_NOTICE = "test-notice"
    DRILL = "drill"
    NOTE = "note"
    ANSWER = "answer"
    """Whatever the link of a message allows."""


@dataclass(frozen=True, slots=True)
class NoteRequest:
    """What somebody wants written into the journal, as it was typed: not yet looked at."""

    kind: str = ""
    value: str = ""
    """A number, or a number with its unit."""
    unit: str = ""
    at: str = ""
    """When it was done; empty: now."""
    lasted: str = ""
    """How long it took from then on, as ``30 min``; empty: not told."""
    sure: bool = False
    """It is right, however odd."""
    strike: int | None = None
    """The number of the entry that it strikes out; without a kind nothing comes in its place."""
    key: str = ""
    """The same key twice is one entry."""


@dataclass(frozen=True, slots=True)
class Request:
    """A command, from whatever way it came."""

    command: Command
    subject: str = ""
    """The alarm, or empty for every alarm that the command fits."""
    by: str = ""
    seconds: float = 0.0
    """How long to shelve."""
    text: str = ""
    to_note: NoteRequest | None = None
    """With `Command.NOTE`; its text and person are those of the request."""
    token: str = field(default="", repr=False)
    """With `Command.ANSWER`: the token of a link, from anybody, not yet looked at."""
    link: str = ""
    """Where the command came by a link whose signature has been checked: what that link allows."""
    about: str = ""
    """Which occurrence of the alarm is meant, as its notice and its state name it."""
    age_s: float | None = None
    """How long it was under way, by the sender's clock; None where that is not known."""
    way: str = ""
    """The sink through which it came; empty: from this machine, and of now."""


@dataclass(frozen=True, slots=True)
class Reply:
    done: bool
    text: str
    """One sentence for the person who asked."""
    alarms: tuple[str, ...] = field(default=())
