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
    """Whatever the link in a message allows."""


@dataclass(frozen=True, slots=True)
class NoteRequest:
    """What somebody wants to write into the journal, as it was typed and not yet checked."""

    kind: str = ""
    value: str = ""
    """A number, or a number with its unit."""
    unit: str = ""
    at: str = ""
    """When it was done; empty: now."""
    lasted: str = ""
    """How long it took from then on, such as ``30 min``; empty: not given."""
    sure: bool = False
    """The entry is right, however odd it is."""
    strike: int | None = None
    """The number of the entry that it strikes out; without a kind nothing replaces it."""
    key: str = ""
    """Entries with the same key are one entry."""


@dataclass(frozen=True, slots=True)
class Request:
    """A command, however it was received."""

    command: Command
    subject: str = ""
    """The alarm; empty for every alarm that the command fits."""
    by: str = ""
    seconds: float = 0.0
    """How long to shelve."""
    text: str = ""
    to_note: NoteRequest | None = None
    """The note of `Command.NOTE`; its text and person are those of the request."""
    token: str = field(default="", repr=False)
    """For `Command.ANSWER`: the token of a link, from anybody, not yet checked."""
    link: str = ""
    """If the command came by a link whose signature has been checked: what that link allows."""
    about: str = ""
    """Which occurrence of the alarm is meant, as its notice and its state name it."""
    age_s: float | None = None
    """How long ago it was sent, by the sender's clock, in seconds; None where that is not known."""
    way: str = ""
    """The sink through which it came; empty: from this machine, just now."""


@dataclass(frozen=True, slots=True)
class Reply:
    done: bool
    text: str
    """One sentence for the person who asked."""
    alarms: tuple[str, ...] = field(default=())
