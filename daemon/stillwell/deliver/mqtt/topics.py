"""MQTT topics and payloads: pure. `config/asyncapi.json` describes them for people and programs.

All JSON here is UTF-8 without NaN; times are RFC 3339 in UTC with milliseconds.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

from stillwell.alarm.answer_link import occurrence, occurrence_of
from stillwell.deliver import senml
from stillwell.notice import Notice, Said, State, Told, Transition
from stillwell.ports import Published
from stillwell.reading import Quantity, Reading
from stillwell.reading import rfc3339 as any_rfc3339
from stillwell.request import Reply
from stillwell.shown import plain

_LEVEL = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._\-]{0,127}")
_LONGEST_TOPIC = 1024


@dataclass(frozen=True, slots=True)
class Topics:
    """The topic names of one tank.

    Names that cannot be one topic level (a slash, a wildcard, a blank, more than 128 characters)
    raise ValueError.
    """

    prefix: str
    tank: str

    @property
    def root(self) -> str:
        return f"{self.prefix}/{self.tank}"

    @property
    def alive(self) -> str:
        return f"{self.root}/alive"

    @property
    def notice(self) -> str:
        return f"{self.root}/notice"

    @property
    def done(self) -> str:
        """The topic for replies to commands that asked for no other place."""
        return f"{self.root}/done"

    @property
    def commands(self) -> str:
        """The filter for commands."""
        return f"{self.root}/do/+"

    def reading(self, channel: str) -> str:
        return f"{self.root}/reading/{_level(channel)}"

    def alarm(self, alarm: str) -> str:
        return f"{self.root}/alarm/{_level(alarm)}"

    def estimate(self, name: str) -> str:
        return f"{self.root}/estimate/{_level(name)}"

    def command_of(self, topic: str) -> str | None:
        """Returns the command's word in a topic that matched `commands`; None for any other
        topic."""
        head = f"{self.root}/do/"
        if not topic.startswith(head) or "/" in topic[len(head) :]:
            return None
        return topic[len(head) :]

    def may_reply_to(self, topic: str) -> bool:
        """Whether a reply may be published there: only at `done` or below it. Somebody who may
        send us commands must not get us to write, with our rights, where they may not."""
        below = topic.removeprefix(f"{self.done}/")
        return topic == self.done or (
            below != topic
            and len(topic) <= _LONGEST_TOPIC
            and all(_LEVEL.fullmatch(level) for level in below.split("/"))
        )


def _level(name: str) -> str:
    if not _LEVEL.fullmatch(name):
        raise ValueError(f"{name!r} cannot stand as one level of an MQTT topic")
    return name


def rfc3339(utc_ms: int) -> str:
    """Returns a time such as ``2026-11-25T08:05:00.000Z``."""
    return any_rfc3339(utc_ms, always_ms=True)


def _dumps(body: dict[str, object]) -> bytes:
    text = json.dumps(body, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    # A lone surrogate (bytes of a sensor's file name, say) has no UTF-8; it must not stop an alarm.
    return text.encode("utf-8", errors="replace")


def reading_payload(tank: str, quantity: Quantity | None, kept: Reading) -> bytes:
    return senml.dumps(senml.reading(tank, quantity, kept))


def estimate_payload(tank: str, published: Published) -> bytes:
    return senml.dumps(senml.estimate(tank, published))


def alarm_payload(t: Transition, said: Said) -> bytes:
    """Returns the state of one alarm: the ISA-18.2 state, whether the condition stands, since
    when, and the text in its parts and as a whole; while it calls, also what an answer must name
    (`about`)."""
    body: dict[str, object] = {
        "alarm": t.alarm,
        "state": t.after.value,
        "active": t.active,
        "priority": t.priority.value,
        "since": rfc3339(t.since.utc_ms),
        "time": rfc3339(t.moment.utc_ms),
        "title": said.title,
        "do": said.do,
        "seen": said.seen,
        "why": said.why,
        "caution": said.caution,
        "text": str(said),
    }
    if t.after is State.UNACKNOWLEDGED:
        body["about"] = occurrence(t)
    if t.by:
        body["by"] = t.by
    if t.shelved_for_ms:
        body["shelved_for_s"] = t.shelved_for_ms / 1000
    return _dumps(body)


def notice_payload(n: Notice, told: Told) -> bytes:
    """Returns one message for people. `key` is the same however often the notice is sent: a
    recipient that must not repeat it drops a key that it has seen before. A message that calls
    somebody says what an answer must name (`about`)."""
    body: dict[str, object] = {
        "key": n.key,
        "alarm": n.subject,
        "kind": n.kind,
        "priority": n.priority.value,
        "time": rfc3339(n.moment.utc_ms),
        "title": told.title,
        "text": told.text,
    }
    if about := occurrence_of(n):
        body["about"] = about
    return _dumps(body)


def birth(since_utc_ms: int, version: str) -> bytes:
    return _dumps({"state": "online", "since": rfc3339(since_utc_ms), "version": version})


LOST = _dumps({"state": "lost"})
"""The last will: what the broker says when the daemon has vanished."""

STOPPED = _dumps({"state": "stopped"})
"""What the daemon says when it has been stopped on purpose."""


def reply_payload(reply: Reply, command: str) -> bytes:
    return _dumps(
        {
            "command": plain(command),
            "done": reply.done,
            "text": reply.text,
            "alarms": list(reply.alarms),
        }
    )
