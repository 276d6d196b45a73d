"""What the broker has been given and has acknowledged, and what it may have forgotten since.
Pure: time is an argument."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

from stillwell.deliver.mqtt.exchange import Message
from stillwell.notice import Notice
from stillwell.ports import Row

MOST_NAMES = 2000
"""The most retained topics that are kept in memory; far above any tank's channels and alarms."""
MOST_NOTICES = 200


@dataclass(frozen=True, slots=True)
class _Kept:
    """The latest message of a retained topic."""

    seq: int
    message: Message


@dataclass(frozen=True, slots=True)
class _Acknowledged:
    """A notice that the broker has acknowledged, and when (monotonic seconds)."""

    at_s: float
    message: Message


class Delivered:
    """The retained state, topic by topic, and the recent notices."""

    def __init__(self) -> None:
        self._latest: OrderedDict[str, _Kept] = OrderedDict()
        self._acknowledged: dict[str, int] = {}
        """The messages of `_latest` that this connection's broker has acknowledged: topic ->
        seq."""
        self._notices: OrderedDict[str, _Acknowledged] = OrderedDict()
        self.again: list[Message] = []
        """Notices to be sent once more, in order."""

    def keep(self, seq: int, message: Message) -> None:
        """Keeps a retained message, unless a later one of its topic is known."""
        known = self._latest.get(message.topic)
        if known is not None and known.seq > seq:
            return
        self._latest[message.topic] = _Kept(seq, message)
        if len(self._latest) > MOST_NAMES:
            self._latest.popitem(last=False)

    def retained(self) -> list[Message]:
        """Returns the latest message of each retained topic."""
        return [kept.message for kept in self._latest.values()]

    def has(self, row: Row, message: Message) -> bool:
        """Whether the broker already has this, or something later under the same topic."""
        if isinstance(row.body, Notice):
            return row.body.key in self._notices
        return self._acknowledged.get(message.topic, -1) >= row.seq

    def acknowledge(self, row: Row, message: Message, now_s: float) -> None:
        """Notes that the broker has acknowledged a row."""
        if isinstance(row.body, Notice):
            self._notices[row.body.key] = _Acknowledged(now_s, message)
            if len(self._notices) > MOST_NOTICES:
                self._notices.popitem(last=False)
        else:
            self._acknowledged[message.topic] = row.seq

    def acknowledge_latest(self, topic: str) -> bool:
        """Notes that the broker has acknowledged the latest message of a topic; returns False
        where there is none."""
        kept = self._latest.get(topic)
        if kept is not None:
            self._acknowledged[topic] = kept.seq
        return kept is not None

    def reconnected(self) -> None:
        """Forgets what was acknowledged: the broker of a new connection may have none of the
        retained state."""
        self._acknowledged = {}

    def queue_notices(self, resend_s: float, last_answer_s: float) -> None:
        """Queues again the notices that a broker without memory of us acknowledged within
        `resend_s` before the loss; `last_answer_s` is when it last answered."""
        if not self._notices:
            return
        went = max(last_answer_s, *(notice.at_s for notice in self._notices.values()))
        waiting = {message.payload for message in self.again}
        self.again += [
            notice.message
            for notice in self._notices.values()
            if went - notice.at_s <= resend_s and notice.message.payload not in waiting
        ]
