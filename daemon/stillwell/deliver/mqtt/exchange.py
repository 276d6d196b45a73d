"""What passes between the sink and its link to the broker: messages, events, the address."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Up:
    """The broker has accepted the connection."""

    session_present: bool
    in_flight: int
    largest: int
    """The size in bytes of the largest packet that it takes; 0 for no limit."""
    retains: bool
    quality: int
    """The highest quality of service that it takes."""


@dataclass(frozen=True, slots=True)
class Down:
    """The connection is over, or never existed."""

    reason: str
    """A sentence for a person."""
    code: int = -1
    """The broker's own reason code; -1 when it gave none."""
    answered: bool = True
    """False when the broker closed the connection before it said anything."""


@dataclass(frozen=True, slots=True)
class Acknowledged:
    mid: int
    code: int


@dataclass(frozen=True, slots=True)
class Listening:
    """The broker's answer to a subscription: below 0x80 is granted."""

    topic: str
    """The filter."""
    code: int


@dataclass(frozen=True, slots=True)
class Arrived:
    topic: str
    payload: bytes
    retained: bool
    response_topic: str
    correlation: bytes | None


Event = Up | Down | Acknowledged | Listening


@dataclass(frozen=True, slots=True)
class Message:
    """What is published, always at QoS 1."""

    topic: str
    payload: bytes
    retain: bool = False
    content_type: str = "application/json"
    correlation: bytes | None = None
    expires_s: int | None = None
    """The seconds after which the broker forgets it, even when it is retained (MQTT 5 only)."""
    key: str = ""
    """Sent along as the user property ``key`` (MQTT 5 only): the same when the message is sent
    again, so that it can be dropped unread."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where to connect, and as whom."""

    host: str
    port: int
    client_id: str
    keepalive_s: int
    username: str | None
    password: str | None
    section: str
    """The name of this sink in the configuration, for sentences that say what to change."""

    def __repr__(self) -> str:
        return f"Address({self.host}:{self.port})"
