"""The sink: which of the store's rows are sent to the broker, and when."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from typing import ClassVar

from pydantic import BaseModel

from stillwell import __version__
from stillwell.deliver import senml
from stillwell.deliver.mqtt import topics
from stillwell.deliver.mqtt.announce import Announcer
from stillwell.deliver.mqtt.answering import Answering
from stillwell.deliver.mqtt.connection import PATIENCES, QUOTA_PAUSE_S, Connection
from stillwell.deliver.mqtt.delivered import Delivered
from stillwell.deliver.mqtt.denied import NOT_ALLOWED, QUOTA, REFUSED_FROM, TRY_AGAIN, Denied
from stillwell.deliver.mqtt.exchange import Arrived, Message, Up
from stillwell.deliver.mqtt.settings import MqttSettings
from stillwell.notice import Notice, Transition
from stillwell.ports import Outcome, Published, Refusal, Row, Stream, Words
from stillwell.reading import Quantity, Reading
from stillwell.request import Reply, Request

log = logging.getLogger(__name__)

ALIVE_FOR = 6
"""How many keep-alives after which the broker forgets that we are online unless we repeat it. A
broker that was restarted with old memory must not call us alive for ever."""


class Mqtt:
    """The sink. `send` and `tend` block for at most a few times `patience`, `open` not at all."""

    Settings: ClassVar[type[BaseModel]] = MqttSettings

    def __init__(self, name: str, tank: str, settings: MqttSettings) -> None:
        self._name = name
        self._tank = tank
        self._settings = settings
        self._topics = topics.Topics(settings.prefix, tank)
        self._channels: dict[str, Quantity] = {}
        self._present: dict[Stream, Collection[str]] = {}
        """The names that the settings have, of each stream of which they are known."""
        self._words: Words | None = None
        self._answering = Answering(self._topics)
        self._connection = Connection(
            settings,
            f"stillwell-{tank}",
            f"[sink.{name}]",
            Message(self._topics.alive, topics.LOST, retain=True),
            self._take,
            self._listening,
        )
        self._announcer = Announcer(self._topics)
        self._announced: set[str] = set()
        """The topics of what is announced."""
        self._not_ours: set[str] = set()
        """The topics of what was announced earlier and no longer exists."""
        self._delivered = Delivered()
        self._denied = Denied()
        self._greeted: Up | None = None
        """The connection over which a birth message has been published."""
        self._complete = False
        """Whether everything has been published over that connection."""
        self._met = False
        self._born_s = 0.0
        """When the broker was last told that we are online."""
        self._started_s = time.monotonic()

    def __repr__(self) -> str:
        return f"Mqtt({self._name!r}, {self._settings.at})"

    # -- the seams --

    def streams(self) -> frozenset[Stream]:
        return frozenset(Stream)

    def latest_only(self) -> frozenset[Stream]:
        """Returns the streams whose topics are retained. They show a state, not a history:
        behind a backlog only the latest counts. Notices are no state; each goes out, in order."""
        return frozenset({Stream.READINGS, Stream.TRANSITIONS, Stream.ESTIMATES})

    def use_channels(self, channels: Mapping[str, Quantity]) -> None:
        self._channels = dict(channels)
        self._present[Stream.READINGS] = self._channels
        self._announce(self._announcer.channels(channels))

    def use_plan(self, alarms: Collection[str], estimates: Mapping[str, str]) -> None:
        self._present |= {Stream.TRANSITIONS: alarms, Stream.ESTIMATES: estimates}
        self._announce(self._announcer.plan(alarms, estimates))

    def use_words(self, words: Words) -> None:
        self._words = words

    def _told_by(self) -> Words:
        assert self._words is not None, "a sink that tells people is told how"
        return self._words

    def on_request(self, submit: Callable[[Request, Callable[[Reply], None]], None]) -> None:
        self._answering.submit = submit

    def answers_within_s(self) -> float:
        # Two versions are tried, then the birth message and the rows are published.
        return (2 + 2 * PATIENCES) * self._settings.patience + 30.0

    def open(self) -> None:
        """Prepares the sink. Needs no broker: the first `tend` or `send` begins to connect."""
        self._started_s = time.monotonic()

    def remember(self, rows: Sequence[Row]) -> None:
        for row in rows:
            try:
                message = self._message(row)
            except ValueError as error:
                log.warning("Not retained: %s.", error)
                continue
            if message.retain:
                self._delivered.keep(row.seq, message)
        # What was published of them earlier does not count: all goes out with the next birth
        # message.
        self._complete = False

    def tend(self) -> Outcome:
        """Keeps the connection, takes commands, sends replies, and checks that the broker still
        answers."""
        away = self._connect()
        if away is not None:
            return away
        self._connection.hear()
        replies = self._answering.replies()
        outgoing = list(replies)
        gone, self._not_ours = self._not_ours, set()
        outgoing += [Message(topic, b"", retain=True) for topic in sorted(gone)]
        quiet_s = time.monotonic() - min(self._connection.last_answer_s, self._born_s)
        if quiet_s > 2 * self._settings.keepalive:
            # paho's ping shows that something answers; a PUBACK shows that the broker works. And
            # whoever looks for `alive` must find it before it expires.
            outgoing.append(self._birth())
        codes = self._connection.publish(outgoing)
        for reply, code in zip(replies, codes, strict=False):
            if code is None:
                self._answering.put(reply)
        return self._connection.check() or Outcome(0, (), None, self._denied.remark())

    def send(self, rows: Sequence[Row]) -> Outcome:
        away = self._connect()
        if away is not None:
            return away
        refusals: dict[int, str] = {}
        to_send: list[tuple[Row, Message]] = []
        for row in rows:
            message = self._fitting(row)
            if isinstance(message, str):
                refusals[row.seq] = message
                continue
            if message.retain:
                self._delivered.keep(row.seq, message)
            if not self._delivered.has(row, message):
                to_send.append((row, message))
        codes = self._connection.publish([message for _, message in to_send])
        waiting: dict[int, int | None] = {}
        for (row, message), code in zip(to_send, codes, strict=True):
            if code is None or code in TRY_AGAIN:
                waiting[row.seq] = code
            elif code >= REFUSED_FROM:
                refusals[row.seq] = self._denied.add(message.topic, code)
            else:
                self._delivered.acknowledge(row, message, time.monotonic())
                self._denied.remove(message.topic)
        accepted = 0
        for row in rows:
            if row.seq in waiting:
                break
            accepted += 1
        done = {row.seq for row in rows[:accepted]}
        refused = tuple(Refusal(seq, why) for seq, why in refusals.items() if seq in done)
        if accepted == len(rows):
            return Outcome(accepted, refused)
        away = self._connection.check()
        if away is not None:
            return Outcome(accepted, refused, away.retry_after, away.reason)
        code = waiting[rows[accepted].seq]
        if code == QUOTA:
            reason = "The broker's quota is used up."
            return Outcome(accepted, refused, QUOTA_PAUSE_S, reason)
        return Outcome(accepted, refused, 1.0, f"The broker cannot take messages now ({code}).")

    def _fitting(self, row: Row) -> Message | str:
        """Returns the row's message, or why it is refused."""
        try:
            message = self._message(row)
        except ValueError as error:
            return f"{error}."
        return self._too_large(message) or message

    def close(self) -> None:
        """Tells the broker, when there is one, that this was a stop and not a loss."""
        self._connection.close(Message(self._topics.alive, topics.STOPPED, retain=True))

    # -- a broker that has just taken us --

    def _connect(self) -> Outcome | None:
        """Connects. Returns None when the broker is there and has everything, else why not."""
        return self._connection.connect() or self._publish_birth()

    def _publish_birth(self) -> Outcome | None:
        """Publishes what a broker may not know (any more): that we are online, all retained
        state, and the notices that it may have lost. Returns None when it has all of it."""
        up = self._connection.up
        if up is None:
            return self._connection.check()
        if up is not self._greeted:
            self._complete = False
            self._delivered.reconnected()
            if self._met and not up.session_present:
                self._delivered.queue_notices(self._settings.resend, self._connection.last_answer_s)
            self._greeted = up
        if self._complete:
            return None
        self._connection.subscribe(self._topics.commands)
        # Also where nothing is announced any more: what was announced before is taken away.
        self._connection.subscribe(self._announcer.all, retained=True)
        away = self._publish_retained()
        if away is not None:
            return away
        self._met = True
        self._connection.works()
        while self._delivered.again:
            code = self._connection.publish(self._delivered.again[:1])[0]
            if code is None or code in TRY_AGAIN:
                return self._connection.check() or Outcome(
                    0, (), 1.0, "The broker cannot take messages now."
                )
            del self._delivered.again[0]
        self._complete = True
        return None

    def _publish_retained(self) -> Outcome | None:
        messages = [self._birth(), *self._delivered.retained()]
        codes = self._connection.publish(messages)
        for message, code in zip(messages, codes, strict=True):
            if code is None or code in TRY_AGAIN:
                return self._connection.check() or Outcome(
                    0, (), 1.0, f"The broker cannot take messages now ({code})."
                )
            if code >= REFUSED_FROM:
                self._denied.add(message.topic, code)
            elif self._delivered.acknowledge_latest(message.topic):
                self._denied.remove(message.topic)
        return None

    def _take(self, arrived: Sequence[Arrived], dropped: int) -> None:
        """Takes what has come in: commands, and what an earlier run announced."""
        ours = [one for one in arrived if self._announcer.is_ours(one.topic)]
        self._not_ours |= {one.topic for one in ours if one.payload} - self._announced
        self._answering.take([one for one in arrived if one not in ours], dropped)

    def _announce(self, messages: Iterable[Message]) -> None:
        """Announces these with each birth message, if announcing is wanted."""
        if not self._settings.announce:
            return
        for message in messages:
            # A channel comes before an alarm of the same name.
            if message.topic not in self._announced:
                self._announced.add(message.topic)
                self._delivered.keep(0, message)

    def _listening(self, topic: str, code: int) -> None:
        """Takes the broker's answer to a subscription. Nobody need let us see announcements who
        doesn't want them."""
        wanted = topic == self._topics.commands or self._settings.announce is not None
        if code >= REFUSED_FROM and wanted:
            self._denied.add(topic, NOT_ALLOWED)
        else:
            self._denied.remove(topic)

    # -- messages --

    def _message(self, row: Row) -> Message:
        """Returns the row's message. Raises ValueError when a name in it cannot be a topic or a
        SenML name."""
        names, body = self._topics, row.body
        match body:
            case Reading() if self._left(row.stream, body.channel):
                return Message(names.reading(body.channel), b"", True)
            case Transition() if self._left(row.stream, body.alarm) and not body.active:
                return Message(names.alarm(body.alarm), b"", True)
            case Published() if self._left(row.stream, body.name):
                return Message(names.estimate(body.name), b"", True)
            case Reading():
                payload = topics.reading_payload(self._tank, self._channels.get(body.channel), body)
                return Message(names.reading(body.channel), payload, True, senml.MEDIA_TYPE)
            case Transition():
                payload = topics.alarm_payload(body, self._told_by().alarm(body))
                return Message(names.alarm(body.alarm), payload, True)
            case Notice():
                payload = topics.notice_payload(body, self._told_by().notice(body))
                return Message(names.notice, payload, key=body.key)
            case Published():
                payload = topics.estimate_payload(self._tank, body)
                return Message(names.estimate(body.name), payload, True, senml.MEDIA_TYPE)

    def _left(self, stream: Stream, name: str) -> bool:
        """Whether the settings no longer have what a kept row is about. Then its topic is emptied
        with each birth message: the broker may have slept through the one before."""
        return stream in self._present and name not in self._present[stream]

    def _birth(self) -> Message:
        # Computed from the present clock, so that a step of the clock since the start corrects
        # itself.
        since_ms = int((time.time() - (time.monotonic() - self._started_s)) * 1000)
        self._born_s = time.monotonic()
        return Message(
            self._topics.alive,
            topics.birth(since_ms, __version__),
            retain=True,
            expires_s=ALIVE_FOR * self._settings.keepalive,
        )

    def _too_large(self, message: Message) -> str:
        up = self._connection.up
        largest = 0 if up is None else up.largest
        size = len(message.payload) + len(message.topic) + 128
        if largest and size > largest:
            return f"The message has about {size} bytes; the broker takes {largest}."
        return ""
