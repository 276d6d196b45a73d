"""The MQTT sink: retained readings, alarms and estimates, notices, and commands from people.

What a broker is trusted with. A PUBACK says that the broker has the message, not that it will have
it tomorrow: a mosquitto that is killed forgets what it acknowledged since it last wrote its memory
to disk, and by default it never does. So:

- *State* (readings, alarms, estimates, alive) is retained and kept here as well, the latest of
  each; after every reconnect all of it is published again.
- *Notices* arrive at least once: their PUBACK moves the cursor, and who is killed before that is
  kept sends them again, under the same key (in the payload, and as the user property ``key``). The
  broker is asked to keep a session for us. If it still knows it after a reconnect, it was merely
  away, and none is said again. If it does not (or speaks 3.1.1, where we keep no session), the
  notices that it acknowledged within `resend` before it went are sent again: a phone that beeps
  twice is better than one that never does, and whoever keeps the keys hears it once. A broker that
  restores an *old* memory with our session in it cannot be told from one that was away; the
  standing alarm's retained state says what its notice said.
"""

from __future__ import annotations

import logging
import queue
import ssl
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator

from stillwell import __version__
from stillwell.deliver import commands, senml, topics
from stillwell.deliver.allowance import Allowance
from stillwell.deliver.mqtt_link import (
    V5,
    V311,
    Acknowledged,
    Address,
    Arrived,
    Down,
    Event,
    Link,
    Listening,
    Message,
    Up,
)
from stillwell.notice import Notice, Transition
from stillwell.ports import Outcome, Published, Refusal, Reply, Request, Row, Stream
from stillwell.reading import Quantity, Reading

log = logging.getLogger(__name__)

MOST_NAMES = 2000
"""Retained topics that are kept in memory; far above any tank's channels and alarms."""
ALIVE_FOR = 6
"""Keep-alives after which the broker forgets that we are online, unless we say it again: one that
was restarted with what it had kept must not call us alive for ever."""
MOST_TOLD = 200
MOST_REPLIES = 100
"""Replies that may wait to be sent."""
REPLIES_AT_ONCE = 20
"""Replies that are sent before a notice has its turn again."""
SUMMARY_EVERY_S = 10.0
REFUSED_IN_A_ROW, REFUSED_PER_S = 50, 1.0
"""Refusals that are answered one by one; those of a flood are told by their number."""
MOST_LEAVING = 3
"""Thrown-away links whose thread has not ended (a name look-up that hangs) before no further one is
made."""
QUOTA_PAUSE_S = 30.0
SHORT_LIFE_S = 60.0
"""A connection that was lost sooner than this counts as flapping: each further one waits longer."""
PATIENCES = 4
"""So many times `patience` one round of messages may take, however slowly they are acknowledged."""

_TRY_AGAIN = {0x80, 0x83, 0x91, 0x97}
"""PUBACK codes that are about the moment (unspecified, implementation specific, number in use,
quota)."""
_REFUSED = {
    0x87: "the broker's access list does not let us publish there",
    0x90: "the broker does not take the topic name",
    0x99: "the broker does not take the payload's format",
}
"""PUBACK codes that are about the message, MQTT 5.0 table 3-4: it would be refused for ever, and a
forbidden topic must not hold up the others. It goes to the dead letters, from where it can be sent
again."""


class MqttSettings(BaseModel):
    """How to reach the broker."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    host: Annotated[str, Field(pattern=r"^[A-Za-z0-9_:\-]+(\.[A-Za-z0-9_:\-]+)*\.?$")] = "localhost"
    """Name or address of the broker."""
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    """1883, or 8883 with TLS, unless said otherwise."""
    username: str | None = None
    password: SecretStr | None = None
    tls: bool = False
    ca: Path | None = None
    """The certificate of the authority that signed the broker's; the system's own authorities
    without."""
    certificate: Path | None = None
    """Our own certificate, where the broker asks for one."""
    key: Path | None = None
    prefix: Annotated[str, Field(pattern=r"^[A-Za-z0-9_][A-Za-z0-9_.\-]*(/[A-Za-z0-9_.\-]+)*$")] = (
        "stillwell"
    )
    """What all topics begin with."""
    client_id: Annotated[str, Field(pattern=r"^[A-Za-z0-9_.\-]{1,128}$")] | None = None
    """``stillwell-<tank>`` unless said otherwise. Two clients with one id throw each other out."""
    keepalive: Annotated[int, Field(ge=5, le=3600)] = 30
    """Seconds of silence after which the connection is tried."""
    protocol: Literal["auto", "5", "3.1.1"] = "auto"
    """``auto`` speaks MQTT 5 and falls back to 3.1.1. Under 3.1.1 a broker cannot say that it
    denies a topic: such messages vanish unseen."""
    patience: Annotated[float, Field(gt=0, le=60)] = 10.0
    """Seconds within which the broker must answer."""
    resend: Annotated[float, Field(ge=0, le=86400)] = 300.0
    """Seconds of notices to send again to a broker that has lost its memory."""

    @model_validator(mode="after")
    def _belongs_together(self) -> MqttSettings:
        if (self.ca or self.certificate or self.key) and not self.tls:
            raise ValueError("`ca`, `certificate` and `key` need tls = true")
        if (self.certificate is None) != (self.key is None):
            raise ValueError("`certificate` and `key` go together")
        return self


@dataclass(frozen=True, slots=True)
class _Kept:
    """The latest of a retained topic."""

    seq: int
    message: Message


@dataclass(frozen=True, slots=True)
class _Told:
    """A notice that the broker has acknowledged, and when (monotonic seconds)."""

    at_s: float
    message: Message


class Mqtt:
    """The sink. `send` and `tend` block for at most a few times `patience`, `open` not at all."""

    Settings: ClassVar[type[BaseModel]] = MqttSettings

    def __init__(self, name: str, tank: str, settings: MqttSettings) -> None:
        self._name = name
        self._tank = tank
        self._settings = settings
        self._topics = topics.Topics(settings.prefix, tank)
        self._channels: dict[str, Quantity] = {}
        self._submit: Callable[[Request, Callable[[Reply], None]], None] | None = None
        self._link: Link | None = None
        self._leaving: list[Link] = []
        self._version = V311 if settings.protocol == "3.1.1" else V5
        self._silent = 0
        """Attempts in a row that the broker cut off without a word, as one does that is too old for
        5."""
        self._up_since_s: float | None = None
        self._short_lives = 0
        self._greeted = False
        self._met = False
        self._latest: OrderedDict[str, _Kept] = OrderedDict()
        self._shown: dict[str, int] = {}
        """What of `_latest` this link's broker has acknowledged: topic -> seq."""
        self._told: OrderedDict[str, _Told] = OrderedDict()
        self._again: list[Message] = []
        self._denied: dict[str, str] = {}
        self._replies: queue.Queue[Message] = queue.Queue(MOST_REPLIES)
        self._refusals = Allowance(REFUSED_IN_A_ROW, REFUSED_PER_S)
        self._summaries = Allowance(1, 1 / SUMMARY_EVERY_S)
        self._unanswered = 0
        """Commands that were refused without a reply of their own."""
        self._answering = threading.Lock()
        self._last_answer_s = 0.0
        self._born_s = 0.0
        """When the broker was last told that we are online."""
        self._started_s = time.monotonic()

    def __repr__(self) -> str:
        return f"Mqtt({self._name!r}, {self._settings.host}:{self._port})"

    # -- the seams --

    def streams(self) -> frozenset[Stream]:
        return frozenset(Stream)

    def latest_only(self) -> frozenset[Stream]:
        """Retained topics show a state, not a history: behind a backlog its latest is the truth.
        Notices are no state, each goes out, in order."""
        return frozenset({Stream.READINGS, Stream.TRANSITIONS, Stream.ESTIMATES})

    def use_channels(self, channels: Mapping[str, Quantity]) -> None:
        self._channels = dict(channels)

    def on_request(self, submit: Callable[[Request, Callable[[Reply], None]], None]) -> None:
        self._submit = submit

    def answers_within_s(self) -> float:
        # Two versions are tried, then the greeting and the rows are published.
        return (2 + 2 * PATIENCES) * self._settings.patience + 30.0

    def open(self) -> None:
        """Needs no broker: the first `tend` or `send` begins to connect."""
        self._started_s = time.monotonic()

    def remember(self, rows: Sequence[Row]) -> None:
        for row in rows:
            try:
                message = self._message(row)
            except ValueError as error:
                log.warning("Not retained: %s.", error)
                continue
            if message.retain:
                self._keep(row.seq, message)
        # What was said of them before does not count: all of it goes out with the next greeting.
        self._greeted = False

    def tend(self) -> Outcome:
        """Keeps the connection, takes commands, sends replies, and proves that the broker still
        answers."""
        away = self._connect()
        if away is not None:
            return away
        self._hear()
        replies: list[Message] = []
        while len(replies) < REPLIES_AT_ONCE and not self._replies.empty():
            replies.append(self._replies.get_nowait())
        outgoing = list(replies)
        quiet_s = time.monotonic() - min(self._last_answer_s, self._born_s)
        if quiet_s > 2 * self._settings.keepalive:
            # paho's ping proves that something answers; a PUBACK proves that the broker works. And
            # who looks for `alive` must find it before it expires.
            outgoing.append(self._birth())
        codes = self._publish(outgoing)
        for reply, code in zip(replies, codes, strict=False):
            if code is None:
                self._put_reply(reply)
        return self._check() or Outcome(0, (), None, self._remark())

    def send(self, rows: Sequence[Row]) -> Outcome:
        away = self._connect()
        if away is not None:
            return away
        refusals: dict[int, str] = {}
        to_send: list[tuple[Row, Message]] = []
        for row in rows:
            try:
                message = self._message(row)
            except ValueError as error:
                refusals[row.seq] = f"{error}."
                continue
            too_large = self._too_large(message)
            if too_large:
                refusals[row.seq] = too_large
                continue
            if message.retain:
                self._keep(row.seq, message)
            if not self._is_known(row, message):
                to_send.append((row, message))
        codes = self._publish([message for _, message in to_send])
        waiting: dict[int, int | None] = {}
        for (row, message), code in zip(to_send, codes, strict=True):
            if code is None or code in _TRY_AGAIN:
                waiting[row.seq] = code
            elif code >= 0x80:
                refusals[row.seq] = self._deny(message.topic, code)
            else:
                self._shine(row, message)
        accepted = 0
        for row in rows:
            if row.seq in waiting:
                break
            accepted += 1
        done = {row.seq for row in rows[:accepted]}
        refused = tuple(Refusal(seq, why) for seq, why in refusals.items() if seq in done)
        if accepted == len(rows):
            return Outcome(accepted, refused)
        away = self._check()
        if away is not None:
            return Outcome(accepted, refused, away.retry_after, away.reason)
        code = waiting[rows[accepted].seq]
        if code == 0x97:
            reason = "The broker's quota is used up."
            return Outcome(accepted, refused, QUOTA_PAUSE_S, reason)
        return Outcome(accepted, refused, 1.0, f"The broker cannot take messages now ({code}).")

    def close(self) -> None:
        """Says that this was a stop, not a loss, when there is a broker to say it to."""
        link = self._link
        if link is None:
            return
        if link.up is not None and link.down is None:
            self._publish(
                [Message(self._topics.alive, topics.STOPPED, retain=True)], patience_s=2.0
            )
        self._link = None
        link.stop(gently=True)

    # -- the connection --

    @property
    def _port(self) -> int:
        return self._settings.port or (8883 if self._settings.tls else 1883)

    def _connect(self) -> Outcome | None:
        """None when the broker is there and has been told everything, else why not."""
        if self._link is not None and self._link.up is not None:
            self._drain()
        away = self._check()
        if away is not None:
            return away
        for _ in range(2):
            if self._link is None:
                why = self._begin()
                if why:
                    return Outcome(0, (), 1.0, why)
            if self._wait_up():
                return self._greet()
            if not self._fall_back():
                return self._check()
        return self._check()

    def _begin(self) -> str:
        """Starts a link; the reason in words when none can be started."""
        self._leaving = [link for link in self._leaving if link.alive()]
        if len(self._leaving) >= MOST_LEAVING:
            return f"The look-up of {self._settings.host} hangs: check the network and DNS."
        settings = self._settings
        section = f"[sink.{self._name}]"
        try:
            tls = _context(settings) if settings.tls else None
        except (OSError, ValueError) as error:
            return (
                f"The TLS files of {section} cannot be used ({type(error).__name__}): check that "
                f"`ca`, `certificate` and `key` exist, belong together and may be read by us."
            )
        password = settings.password
        address = Address(
            settings.host,
            self._port,
            settings.client_id or f"stillwell-{self._tank}",
            settings.keepalive,
            settings.username,
            None if password is None else password.get_secret_value(),
            section,
        )
        will = Message(self._topics.alive, topics.LOST, retain=True)
        self._link = Link(address, self._version, will, tls)
        self._greeted = False
        self._shown = {}
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
                at = f"{self._settings.host}:{self._port}"
                link.down = Down(f"The broker at {at} takes the connection and does not answer.")
            else:
                self._take(event)
        if link.up is not None and link.up.quality < 1:
            link.down = Down("The broker takes only QoS 0, under which nothing is acknowledged.")
        return link.down is None

    def _fall_back(self) -> bool:
        """After an attempt that failed: whether to try at once with the other version of MQTT."""
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

    def _check(self) -> Outcome | None:
        """The verdict on a link that is over, which is thrown away; None while nothing is wrong."""
        link = self._link
        if link is None or link.down is None:
            return None
        down = link.down
        self._drop()
        if down.code in (0x86, 0x87):
            # Some brokers lock out who tries wrong passwords in a hurry.
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
        # mosquitto 2.0 throws the older of two clients with one id out without a word.
        hint = (
            f" That was {self._short_lives} times in short order: does a second daemon use our "
            f"client id {link.address.client_id}? "
            f"Then give one of them its own in {link.address.section}."
        )
        return Outcome(0, (), pause, down.reason + hint)

    def _drop(self) -> None:
        self._hear()
        link, self._link = self._link, None
        if link is not None:
            link.stop()
            if link.alive():
                self._leaving.append(link)

    def _greet(self) -> Outcome | None:
        """Tells a broker that has just taken us everything that it may not know (any more)."""
        link = self._link
        if link is None or link.up is None:
            return self._check()
        if self._greeted:
            return None
        if self._met and not link.up.session_present and link.up is not self._greeting:
            self._queue_again()
        self._greeting = link.up
        link.subscribe(self._topics.commands)
        messages = [self._birth()] + [kept.message for kept in self._latest.values()]
        codes = self._publish(messages)
        for message, code in zip(messages, codes, strict=True):
            if code is None or code in _TRY_AGAIN:
                return self._check() or Outcome(
                    0, (), 1.0, f"The broker cannot take messages now ({code})."
                )
            if code >= 0x80:
                self._deny(message.topic, code)
            elif message.topic in self._latest:
                self._shown[message.topic] = self._latest[message.topic].seq
                self._denied.pop(message.topic, None)
        self._met = True
        self._silent = 0
        if self._up_since_s is None:
            self._up_since_s = time.monotonic()
        while self._again:
            code = self._publish(self._again[:1])[0]
            if code is None or code in _TRY_AGAIN:
                return self._check() or Outcome(0, (), 1.0, "The broker cannot take messages now.")
            del self._again[0]
        self._greeted = True
        return None

    _greeting: Up | None = None

    def _queue_again(self) -> None:
        """The notices that a broker without memory of us acknowledged shortly before it went."""
        if not self._told:
            return
        went = max(told.at_s for told in self._told.values())
        went = max(went, self._last_answer_s)
        waiting = {message.payload for message in self._again}
        self._again += [
            told.message
            for told in self._told.values()
            if went - told.at_s <= self._settings.resend and told.message.payload not in waiting
        ]

    # -- messages --

    def _message(self, row: Row) -> Message:
        """ValueError when the row has a name that cannot be a topic or a SenML name."""
        names, body = self._topics, row.body
        match body:
            case Reading():
                payload = topics.reading_payload(self._tank, self._channels.get(body.channel), body)
                return Message(names.reading(body.channel), payload, True, senml.MEDIA_TYPE)
            case Transition():
                return Message(names.alarm(body.alarm), topics.alarm_payload(body), True)
            case Notice():
                return Message(names.notice, topics.notice_payload(body), key=body.key)
            case Published():
                payload = topics.estimate_payload(self._tank, body)
                return Message(names.estimate(body.name), payload, True, senml.MEDIA_TYPE)

    def _birth(self) -> Message:
        # From the clock as it is now, so that a step of the clock since the start corrects itself.
        since_ms = int((time.time() - (time.monotonic() - self._started_s)) * 1000)
        self._born_s = time.monotonic()
        return Message(
            self._topics.alive,
            topics.birth(since_ms, __version__),
            retain=True,
            expires_s=ALIVE_FOR * self._settings.keepalive,
        )

    def _keep(self, seq: int, message: Message) -> None:
        known = self._latest.get(message.topic)
        if known is not None and known.seq > seq:
            return
        self._latest[message.topic] = _Kept(seq, message)
        if len(self._latest) > MOST_NAMES:
            self._latest.popitem(last=False)

    def _is_known(self, row: Row, message: Message) -> bool:
        """Whether the broker already has this, or something later under the same topic."""
        if isinstance(row.body, Notice):
            return row.body.key in self._told
        return self._shown.get(message.topic, -1) >= row.seq

    def _shine(self, row: Row, message: Message) -> None:
        """Notes that the broker has acknowledged the row."""
        if isinstance(row.body, Notice):
            self._told[row.body.key] = _Told(time.monotonic(), message)
            if len(self._told) > MOST_TOLD:
                self._told.popitem(last=False)
        else:
            self._shown[message.topic] = row.seq
        self._denied.pop(message.topic, None)

    def _too_large(self, message: Message) -> str:
        link = self._link
        largest = link.up.largest if link is not None and link.up is not None else 0
        size = len(message.payload) + len(message.topic) + 128
        if largest and size > largest:
            return f"The message has about {size} bytes; the broker takes {largest}."
        return ""

    def _deny(self, topic: str, code: int) -> str:
        why = _REFUSED.get(code, f"the broker refuses it for good (0x{code:02x})")
        sentence = f"{topic}: {why}."
        if topic not in self._denied and len(self._denied) < MOST_NAMES:
            log.warning("%s", sentence)
            self._denied[topic] = sentence
        return sentence

    def _remark(self) -> str:
        if not self._denied:
            return ""
        first = next(iter(self._denied.values()))
        others = len(self._denied) - 1
        return first if not others else f"{first} And {others} more."

    def _publish(
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
                    self._last_answer_s = time.monotonic()
                    deadline = min(ends, self._last_answer_s + patience)
            elif event is not None:
                self._take(event)
            elif time.monotonic() >= deadline:
                at = f"{self._settings.host}:{self._port}"
                link.down = Down(f"The broker at {at} does not acknowledge what it is sent.")
                return codes
        return codes

    # -- commands --

    def _drain(self) -> None:
        """Takes what has happened."""
        while self._link is not None and (event := self._link.next(0)) is not None:
            self._take(event)

    def _take(self, event: Event) -> None:
        """Everything that is not the acknowledgement somebody is waiting for."""
        if isinstance(event, Listening):
            if event.code >= 0x80:
                self._deny(self._topics.commands, 0x87)
            else:
                self._denied.pop(self._topics.commands, None)

    def _hear(self) -> None:
        """Takes the commands that have come in, and says now and then of how many there is no
        reply."""
        if self._link is None:
            return
        heard, dropped = self._link.heard()
        for arrived in heard:
            self._command(arrived)
        with self._answering:
            self._unanswered += dropped
            count = self._unanswered
            if not count or not self._summaries.take(time.monotonic()):
                return
            self._unanswered = 0
        text = f"Too many commands came at once: {count} had no reply. Send them again, slowly."
        log.warning("%s", text)
        self._put_reply(Message(self._topics.done, topics.reply_payload(Reply(False, text), "")))

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
        elif self._submit is None:
            answer(Reply(False, "This daemon takes no commands by MQTT."))
        else:
            try:
                self._submit(parsed, answer)
            except Exception as error:
                log.error("A command could not be handed on: %s.", type(error).__name__)
                answer(Reply(False, "The daemon could not take the command now; send it again."))

    def _answer(self, arrived: Arrived, word: str, reply: Reply) -> None:
        """Puts the reply in line; called from any thread."""
        with self._answering:
            if not reply.done and not self._refusals.take(time.monotonic()):
                self._unanswered += 1
                return
        wanted = arrived.response_topic
        topic = wanted if wanted and self._topics.may_reply_to(wanted) else self._topics.done
        message = Message(topic, topics.reply_payload(reply, word), correlation=arrived.correlation)
        self._put_reply(message)

    def _put_reply(self, message: Message) -> None:
        try:
            self._replies.put_nowait(message)
        except queue.Full:
            with self._answering:
                self._unanswered += 1


def _context(settings: MqttSettings) -> ssl.SSLContext:
    context = ssl.create_default_context(
        ssl.Purpose.SERVER_AUTH, cafile=None if settings.ca is None else str(settings.ca)
    )
    if settings.certificate is not None and settings.key is not None:
        context.load_cert_chain(str(settings.certificate), str(settings.key))
    return context
