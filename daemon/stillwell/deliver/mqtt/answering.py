"""Commands that come in over MQTT, and the replies to them, which wait here until they are sent."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Sequence

from stillwell.deliver.allowance import Allowance
from stillwell.deliver.mqtt import commands, topics
from stillwell.deliver.mqtt.exchange import Arrived, Message
from stillwell.request import Reply, Request

log = logging.getLogger(__name__)

MOST_REPLIES = 100
"""The most replies that may wait to be sent."""
REPLIES_AT_ONCE = 20
"""How many replies are sent before a notice has its turn again."""
SUMMARY_EVERY_S = 10.0
REFUSED_IN_A_ROW, REFUSED_PER_S = 50, 1.0
"""How many refusals are answered one by one; those of a flood are only counted and reported."""


class Answering:
    """Passes commands on and queues the replies to them.

    Args:
        names: the topics of the tank.
    """

    def __init__(self, names: topics.Topics) -> None:
        self.submit: Callable[[Request, Callable[[Reply], None]], None] | None = None
        """See `ports.TakesRequests`."""
        self._topics = names
        self._replies: queue.Queue[Message] = queue.Queue(MOST_REPLIES)
        self._refusals = Allowance(REFUSED_IN_A_ROW, REFUSED_PER_S)
        self._summaries = Allowance(1, 1 / SUMMARY_EVERY_S)
        self._unanswered = 0
        """How many commands were refused without a reply of their own."""
        self._lock = threading.Lock()

    def take(self, arrived: Sequence[Arrived], dropped: int) -> None:
        """Takes the commands that have come in; `dropped` more were lost. Reports now and then
        how many have no reply."""
        for each in arrived:
            self._command(each)
        with self._lock:
            self._unanswered += dropped
            count = self._unanswered
            if not count or not self._summaries.take(time.monotonic()):
                return
            self._unanswered = 0
        text = f"Too many commands came at once: {count} had no reply. Send them again, slowly."
        log.warning("%s", text)
        self.put(Message(self._topics.done, topics.reply_payload(Reply(False, text), "")))

    def replies(self) -> list[Message]:
        """Removes and returns the replies that are to be sent next."""
        replies: list[Message] = []
        while len(replies) < REPLIES_AT_ONCE and not self._replies.empty():
            replies.append(self._replies.get_nowait())
        return replies

    def put(self, reply: Message) -> None:
        """Queues a reply. Safe from any thread."""
        try:
            self._replies.put_nowait(reply)
        except queue.Full:
            with self._lock:
                self._unanswered += 1

    def _command(self, arrived: Arrived) -> None:
        word = self._topics.command_of(arrived.topic)
        if word is None:
            return

        def answer(reply: Reply) -> None:
            self._answer(arrived, word, reply)

        if arrived.retained:
            # Retained, it would be carried out again after every reconnect.
            answer(Reply(False, "A command must not be retained; send it without."))
            return
        wanted = arrived.response_topic
        if wanted and not self._topics.may_reply_to(wanted):
            done = self._topics.done
            answer(Reply(False, f"A reply goes to {done} or below it: ask for {done}/phone."))
            return
        parsed = commands.parse(word, arrived.payload, time.time_ns() // 1_000_000)
        if isinstance(parsed, commands.Refused):
            answer(Reply(False, parsed.text))
        elif self.submit is None:
            answer(Reply(False, "This daemon takes no commands by MQTT."))
        else:
            try:
                self.submit(parsed, answer)
            except Exception as error:
                log.error("A command could not be handed on: %s.", type(error).__name__)
                answer(Reply(False, "The daemon could not take the command now; send it again."))

    def _answer(self, arrived: Arrived, word: str, reply: Reply) -> None:
        """Queues the reply to a command; called from any thread."""
        with self._lock:
            if not reply.done and not self._refusals.take(time.monotonic()):
                self._unanswered += 1
                return
        wanted = arrived.response_topic
        topic = wanted if wanted and self._topics.may_reply_to(wanted) else self._topics.done
        message = Message(topic, topics.reply_payload(reply, word), correlation=arrived.correlation)
        self.put(message)
