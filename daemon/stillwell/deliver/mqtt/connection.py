"""The way to the broker: a link, another one after it is lost, and the wait in between."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence

from stillwell.deliver.mqtt.exchange import (
    Acknowledged,
    Address,
    Arrived,
    Down,
    Event,
    Listening,
    Message,
    Up,
)
from stillwell.deliver.mqtt.link import V5, V311, Link
from stillwell.deliver.mqtt.settings import MqttSettings, tls_context
from stillwell.ports import Outcome

log = logging.getLogger(__name__)

MOST_LEAVING = 3
"""The most discarded links whose thread has not ended (a name look-up that hangs); with more no
new one is made."""
QUOTA_PAUSE_S = 30.0
SHORT_LIFE_S = 60.0
"""A connection that was lost sooner than this counts as flapping: each further one waits longer."""
PATIENCES = 4
"""The most times `patience` that one round of messages may take, however slowly they are
acknowledged."""


class Connection:
    """Connects, notices the end, and says why.

    Args:
        settings: how to reach the broker.
        client_id: the one to use where `settings` name none.
        section: the name of this sink in the configuration.
        will: what the broker publishes when we vanish.
        hear: takes the messages that have come in, and how many more were dropped.
        listening: takes the filter of a `subscribe` and the broker's answer.
    """

    def __init__(
        self,
        settings: MqttSettings,
        client_id: str,
        section: str,
        will: Message,
        hear: Callable[[Sequence[Arrived], int], None],
        listening: Callable[[str, int], None],
    ) -> None:
        self._settings = settings
        self._client_id = settings.client_id or client_id
        self._section = section
        self._will = will
        self._hear = hear
        self._listening = listening
        self._link: Link | None = None
        self._leaving: list[Link] = []
        self._version = V311 if settings.protocol == "3.1.1" else V5
        self._silent = 0
        """How many attempts in a row the broker cut off without an answer, as one does that is
        too old for MQTT 5."""
        self._up_since_s: float | None = None
        self._short_lives = 0
        self.last_answer_s = 0.0
        """When the broker last acknowledged something (monotonic seconds)."""

    @property
    def up(self) -> Up | None:
        """What the broker said when it accepted the connection; a new object after each time."""
        return None if self._link is None else self._link.up

    def connect(self) -> Outcome | None:
        """Connects. Returns None when the broker has accepted, else why not."""
        if self._link is not None and self._link.up is not None:
            while (event := self._link.next(0)) is not None:
                self._take(event)
        away = self.check()
        if away is not None:
            return away
        for _ in range(2):
            if self._link is None:
                why = self._begin()
                if why:
                    return Outcome(0, (), 1.0, why)
            if self._wait_up():
                return None
            if not self._fall_back():
                return self.check()
        return self.check()

    def works(self) -> None:
        """Notes that the broker has acknowledged the first message of this connection."""
        self._silent = 0
        if self._up_since_s is None:
            self._up_since_s = time.monotonic()

    def subscribe(self, topic_filter: str, *, retained: bool = False) -> None:
        """See `Link.subscribe`."""
        if self._link is not None:
            self._link.subscribe(topic_filter, retained=retained)

    def hear(self) -> None:
        """Passes on the messages that have come in."""
        if self._link is not None:
            self._hear(*self._link.heard())

    def close(self, goodbye: Message) -> None:
        """Tells the broker, when there is one, that this was a stop and not a loss."""
        link = self._link
        if link is None:
            return
        if link.up is not None and link.down is None:
            self.publish([goodbye], patience_s=2.0)
        self._link = None
        link.stop(gently=True)

    def check(self) -> Outcome | None:
        """Returns the verdict on a link that is over, and discards the link; None while nothing
        is wrong."""
        link = self._link
        if link is None or link.down is None:
            return None
        down = link.down
        self._drop()
        if down.code in (0x86, 0x87):
            # Some brokers lock out clients that try wrong passwords too fast.
            return Outcome(0, (), QUOTA_PAUSE_S, down.reason)
        since, self._up_since_s = self._up_since_s, None
        if since is None:
            return Outcome(0, (), 1.0, down.reason)
        if time.monotonic() - since >= SHORT_LIFE_S:
            self._short_lives = 0
        self._short_lives += 1
        pause = min(2.0 ** min(self._short_lives - 1, 10), SHORT_LIFE_S)
        if self._short_lives < 3:
            return Outcome(0, (), pause, down.reason)
        # mosquitto 2.0 disconnects the older of two clients with one id without saying why.
        hint = (
            f" That was {self._short_lives} times in short order: does a second daemon use our "
            f"client id {link.address.client_id}? "
            f"Then give one of them its own in {link.address.section}."
        )
        return Outcome(0, (), pause, down.reason + hint)

    def publish(
        self, messages: Sequence[Message], *, patience_s: float | None = None
    ) -> list[int | None]:
        """Publishes in order, at most `IN_FLIGHT` unacknowledged at a time.

        Returns the PUBACK code of each; None for one that was not acknowledged, and then the link
        is down.
        """
        patience = self._settings.patience if patience_s is None else patience_s
        codes: list[int | None] = [None] * len(messages)
        pending: dict[int, int] = {}
        sent = 0
        deadline = time.monotonic() + patience
        # A broker that acknowledges one message now and then must come to an end too.
        ends = time.monotonic() + PATIENCES * patience
        while sent < len(messages) or pending:
            link = self._link
            if link is None or link.up is None or link.down is not None:
                return codes
            while sent < len(messages) and len(pending) < link.up.in_flight:
                mid = link.publish(messages[sent])
                if mid is None:
                    break
                pending[mid] = sent
                sent += 1
            event = link.next(max(0.0, deadline - time.monotonic()))
            if isinstance(event, Acknowledged):
                index = pending.pop(event.mid, None)
                if index is not None:
                    codes[index] = event.code
                    self.last_answer_s = time.monotonic()
                    deadline = min(ends, self.last_answer_s + patience)
            elif event is not None:
                self._take(event)
            elif time.monotonic() >= deadline:
                at = self._settings.at
                link.down = Down(f"The broker at {at} does not acknowledge what it is sent.")
                return codes
        return codes

    def _begin(self) -> str:
        """Starts a link; returns the reason in words when none can be started, else an empty
        text."""
        self._leaving = [link for link in self._leaving if link.alive()]
        if len(self._leaving) >= MOST_LEAVING:
            return f"The look-up of {self._settings.host} hangs: check the network and DNS."
        settings = self._settings
        try:
            tls = tls_context(settings) if settings.tls else None
        except (OSError, ValueError) as error:
            return (
                f"The TLS files of {self._section} cannot be used ({type(error).__name__}): check "
                f"that `ca`, `certificate` and `key` exist, belong together and may be read by us."
            )
        password = settings.password
        address = Address(
            settings.host,
            settings.broker_port,
            self._client_id,
            settings.keepalive,
            settings.username,
            None if password is None else password.get_secret_value(),
            self._section,
        )
        self._link = Link(address, self._version, self._will, tls)
        self._link.start()
        return ""

    def _wait_up(self) -> bool:
        link = self._link
        if link is None:
            return False
        deadline = time.monotonic() + self._settings.patience
        while link.up is None and link.down is None:
            event = link.next(max(0.0, deadline - time.monotonic()))
            if event is None:
                at = self._settings.at
                link.down = Down(f"The broker at {at} takes the connection and does not answer.")
            else:
                self._take(event)
        if link.up is not None and link.up.quality < 1:
            link.down = Down("The broker takes only QoS 0, under which nothing is acknowledged.")
        return link.down is None

    def _fall_back(self) -> bool:
        """Returns, after an attempt that failed, whether to try at once with the other version
        of MQTT."""
        link = self._link
        if link is None or link.down is None or self._settings.protocol != "auto":
            return False
        if link.down.code == 0x84 and self._version == V5:
            log.info("The broker does not speak MQTT 5; 3.1.1 from now on.")
            self._version = V311
            self._drop()
            return True
        if link.down.answered:
            self._silent = 0
            return False
        self._silent += 1
        if self._silent % 2 == 0:
            # Some old brokers hang up instead of refusing; which version is right shows when one
            # works.
            self._version = V311 if self._version == V5 else V5
        return False

    def _drop(self) -> None:
        self.hear()
        link, self._link = self._link, None
        if link is not None:
            link.stop()
            if link.alive():
                self._leaving.append(link)

    def _take(self, event: Event) -> None:
        """Handles every event except the acknowledgement that is being waited for."""
        if isinstance(event, Listening):
            self._listening(event.topic, event.code)
