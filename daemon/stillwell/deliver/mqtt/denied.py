"""What the broker's answer to a message means: reason codes of PUBACK, MQTT 5.0 table 3-4."""

from __future__ import annotations

import logging

from stillwell.deliver.mqtt.delivered import MOST_NAMES

log = logging.getLogger(__name__)

QUOTA = 0x97
TRY_AGAIN = {0x80, 0x83, 0x91, QUOTA}
"""Codes that are about the moment (unspecified, implementation specific, number in use, quota)."""
REFUSED_FROM = 0x80
"""Codes from here on are refusals, for now or for good."""
NOT_ALLOWED = 0x87
_REFUSED = {
    NOT_ALLOWED: "the broker's access list does not let us publish there",
    0x90: "the broker does not take the topic name",
    0x99: "the broker does not take the payload's format",
}
"""Codes about the message itself, which would be refused for ever. A forbidden topic must not
hold up the others, so the message goes to the dead letters, from where it can be sent again."""


class Denied:
    """The topics that the broker denies us now."""

    def __init__(self) -> None:
        self._sentences: dict[str, str] = {}

    def add(self, topic: str, code: int) -> str:
        """Returns why the topic is denied, as a sentence; logs it the first time."""
        why = _REFUSED.get(code, f"the broker refuses it for good (0x{code:02x})")
        sentence = f"{topic}: {why}."
        if topic not in self._sentences and len(self._sentences) < MOST_NAMES:
            log.warning("%s", sentence)
            self._sentences[topic] = sentence
        return sentence

    def remove(self, topic: str) -> None:
        """Notes that the broker has taken a message there."""
        self._sentences.pop(topic, None)

    def remark(self) -> str:
        """Returns what to tell people; empty when nothing is denied."""
        if not self._sentences:
            return ""
        first = next(iter(self._sentences.values()))
        others = len(self._sentences) - 1
        return first if not others else f"{first} And {others} more."
