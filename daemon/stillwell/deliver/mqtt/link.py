"""One connection to an MQTT broker, from CONNECT to the end: the only module that uses paho.

A link is used once. When it is lost, or does not answer, it is discarded and another one is made,
for three reasons: paho keeps unacknowledged messages and sends them again by itself after a
reconnect, which would double what the cursor sends again; its network thread can die of a broken
pipe or a malformed packet without telling anybody; and its reconnect does not know our back-off.

paho's callbacks run in its network thread. Here they only put an event on a queue, and one wrapper
makes sure that none of them raises.
"""

from __future__ import annotations

import contextlib
import functools
import logging
import queue
import socket
import ssl
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from typing import Any, TypeVar

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

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
from stillwell.deliver.mqtt.failures import failure_sentence, refusal_sentence

log = logging.getLogger(__name__)

IN_FLIGHT = 20
CONNECT_TIMEOUT_S = 5.0
SESSION_S = 600
"""How long a broker is asked to keep our session. Whether it still has it shows whether the
connection was lost or the broker has forgotten us."""
MOST_WAITING = 200
MOST_OF_A_TOPIC = 80
"""The most messages that may wait to be read, in total and of one topic: a flood on one topic
does not crowd out the others. Any more are counted and dropped."""
LARGEST_BYTES = 4096
"""The most bytes of a payload that are kept; whoever reads it takes less."""

V5 = MQTTProtocolVersion.MQTTv5
V311 = MQTTProtocolVersion.MQTTv311


_F = TypeVar("_F", bound=Callable[..., None])


def _quiet(callback: _F) -> _F:
    """Wraps a callback so that it logs an exception, which would otherwise end paho's network
    thread."""

    @functools.wraps(callback)
    def wrapped(self: Link, *args: Any, **kwargs: Any) -> None:
        try:
            callback(self, *args, **kwargs)
        except Exception as error:
            log.error("An MQTT callback failed: %s in %s.", type(error).__name__, callback.__name__)

    return wrapped  # type: ignore[return-value]


class Link:
    """One connection. `start` returns at once; everything that happens comes out of `next`, and
    other clients' messages, which must not delay that, out of `heard`.

    All methods are for one thread, the sink's.
    """

    def __init__(
        self,
        address: Address,
        version: MQTTProtocolVersion,
        will: Message,
        tls: ssl.SSLContext | None,
    ) -> None:
        self.address = address
        self.version = version
        self._dropped = 0
        self.up: Up | None = None
        self.down: Down | None = None
        self._events: queue.Queue[Event] = queue.Queue()
        self._arrived: list[Arrived] = []
        self._of_topic: Counter[str] = Counter()
        self._arriving = threading.Lock()
        self._asked: dict[int | None, str] = {}
        """The filters that were subscribed to, by the number of the packet."""
        self._thread: threading.Thread | None = None
        self._socket: Any = None
        self._stopped = threading.Event()
        self._answered = False
        self._properties: dict[str, Properties] = {}
        five = version == V5
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=address.client_id,
            clean_session=None if five else True,
            protocol=version,
            reconnect_on_failure=False,
        )
        client.connect_timeout = CONNECT_TIMEOUT_S
        client.max_inflight_messages_set(IN_FLIGHT)
        if address.username is not None or address.password is not None:
            client.username_pw_set(address.username, address.password)
        if tls is not None:
            client.tls_set_context(tls)
        client.will_set(will.topic, will.payload, qos=1, retain=will.retain)
        client.on_pre_connect = self._on_pre_connect
        client.on_socket_open = self._on_socket_open
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        self._client = client

    def __repr__(self) -> str:
        return f"Link({self.address.host}:{self.address.port})"

    def start(self) -> None:
        """Begins to connect, in paho's own thread."""
        if self.version == V5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = SESSION_S
            # What a broker has kept for us comes in pieces, with its answers to us in between.
            properties.ReceiveMaximum = IN_FLIGHT
            self._client.connect_async(
                self.address.host,
                self.address.port,
                self.address.keepalive_s,
                clean_start=False,
                properties=properties,
            )
        else:
            self._client.connect_async(
                self.address.host, self.address.port, self.address.keepalive_s
            )
        self._client.loop_start()

    def next(self, timeout_s: float) -> Event | None:
        """Returns the next event, or None when there was none in time. Notices a dead network
        thread."""
        deadline = time.monotonic() + timeout_s
        while True:
            left = deadline - time.monotonic()
            try:
                event = self._events.get(timeout=min(max(left, 0.0), 0.2)) if left > 0 else None
                event = event or self._events.get_nowait()
            except queue.Empty:
                event = self._death()
            if event is not None:
                self._note(event)
                return event
            if left <= 0:
                return None

    def publish(self, message: Message) -> int | None:
        """Hands a message to the network thread. Returns its number, or None when the link
        cannot take it."""
        properties = None
        if self.version == V5:
            properties = self._properties_of(message)
        retain = message.retain and (self.up is None or self.up.retains)
        info = self._client.publish(
            message.topic, message.payload, qos=1, retain=retain, properties=properties
        )
        return info.mid if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else None

    def subscribe(self, topic_filter: str, *, retained: bool = False) -> None:
        """Subscribes to a topic filter, with `retained` also to the messages that are there
        already; the answer comes as `Listening`."""
        with self._arriving:  # the answer must not come before its number is known
            if self.version == V5 and not retained:
                # Retain handling 2: retained messages are not wanted, a command is not a state.
                not_sent = SubscribeOptions.RETAIN_DO_NOT_SEND
                options = SubscribeOptions(qos=1, retainHandling=not_sent)
                _, mid = self._client.subscribe(topic_filter, options=options)
            else:
                _, mid = self._client.subscribe(topic_filter, qos=1)
            self._asked[mid] = topic_filter

    def heard(self) -> tuple[list[Arrived], int]:
        """Returns the messages that have come since the last call, and how many more were
        dropped."""
        with self._arriving:
            heard, dropped = self._arrived, self._dropped
            self._arrived, self._dropped = [], 0
            self._of_topic.clear()
        return heard, dropped

    def alive(self) -> bool:
        """Returns whether paho's network thread is still there (before it has begun, it counts
        as there)."""
        return self._thread is None or self._thread.is_alive()

    def stop(self, *, gently: bool = False, timeout_s: float = 2.0) -> None:
        """Ends the link. Never blocks for longer than `timeout_s`, whatever the far side does.

        Args:
            gently: say goodbye, so that the broker does not publish the last will.
        """
        self._stopped.set()
        sock: Any = self._client.socket()
        if gently:
            self._client.disconnect()
            if self._thread is not None:
                self._thread.join(timeout_s)
        if sock is not None:
            # Wakes the network thread out of its select; it then ends by itself.
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        if not gently:
            self._client.disconnect()

    # -- what has happened --

    def _note(self, event: Event) -> None:
        if isinstance(event, Up):
            self.up = event
        elif isinstance(event, Down) and self.down is None:
            self.down = event
            self.up = None

    def _death(self) -> Down | None:
        if self.down is not None or self.alive():
            return None
        return Down("The network thread of the MQTT client has ended; a new one is made.")

    def _properties_of(self, message: Message) -> Properties:
        known = self._properties.get(message.content_type)
        own = message.correlation is not None or message.expires_s is not None or message.key
        if known is not None and not own:
            return known
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.PayloadFormatIndicator = 1
        properties.ContentType = message.content_type
        if message.correlation is not None:
            properties.CorrelationData = message.correlation
        if message.expires_s is not None:
            properties.MessageExpiryInterval = message.expires_s
        if message.key:
            properties.UserProperty = ("key", message.key)
        if own:
            return properties
        self._properties[message.content_type] = properties
        return properties

    # -- callbacks, in paho's thread --

    @_quiet
    def _on_pre_connect(self, client: Client, userdata: object) -> None:
        self._thread = threading.current_thread()

    @_quiet
    def _on_socket_open(self, client: Client, userdata: object, sock: Any) -> None:
        if self._stopped.is_set():
            # Discarded while the name was looked up: it must not connect afterwards.
            sock.shutdown(socket.SHUT_RDWR)
        # Without this a small packet waits for the acknowledgement of the one before (RFC 896),
        # which needlessly takes up to 40 ms (RFC 1122, 4.2.3.2).
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket = sock

    @_quiet
    def _on_connect(
        self,
        client: Client,
        userdata: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        self._answered = True
        code = int(reason.value)
        if code >= 0x80:
            self._events.put(Down(refusal_sentence(code, str(reason), self.address), code))
            return
        window = int(getattr(properties, "ReceiveMaximum", IN_FLIGHT))
        self._events.put(
            Up(
                session_present=bool(flags.session_present),
                in_flight=max(1, min(IN_FLIGHT, window)),
                largest=int(getattr(properties, "MaximumPacketSize", 0)),
                retains=bool(getattr(properties, "RetainAvailable", 1)),
                quality=int(getattr(properties, "MaximumQoS", 2)),
            )
        )

    @_quiet
    def _on_connect_fail(self, client: Client, userdata: object) -> None:
        # paho calls this from inside its `except`, and tells the reason in no other way.
        self._events.put(Down(failure_sentence(sys.exc_info()[1], self.address)))

    @_quiet
    def _on_disconnect(
        self,
        client: Client,
        userdata: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        at = f"{self.address.host}:{self.address.port}"
        code = int(reason.value)
        if code == 0x8E:
            sentence = (
                f"Another client at {at} uses our client id {self.address.client_id}: is a second "
                f"daemon running? Give one of them its own `client_id` in {self.address.section}."
            )
        elif not self._answered:
            sentence = f"The broker at {at} closed the connection without an answer."
        elif flags.is_disconnect_packet_from_server:
            sentence = f"The broker at {at} ended the connection: {reason}."
        else:
            sentence = f"The connection to the broker at {at} was lost."
        self._events.put(Down(sentence, answered=self._answered))

    @_quiet
    def _on_publish(
        self,
        client: Client,
        userdata: object,
        mid: int,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        self._events.put(Acknowledged(mid, int(reason.value)))
        # The broker's next PUBACK may wait until TCP has acknowledged this one, for the reason in
        # `_on_socket_open`. The kernel forgets this option by itself (tcp(7)).
        with contextlib.suppress(OSError):
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)

    @_quiet
    def _on_subscribe(
        self,
        client: Client,
        userdata: object,
        mid: int,
        reasons: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        with self._arriving:
            topic = self._asked.pop(mid, "")
        code = max((int(reason.value) for reason in reasons), default=0x80)
        self._events.put(Listening(topic, code))

    @_quiet
    def _on_message(self, client: Client, userdata: object, message: MQTTMessage) -> None:
        topic = message.topic
        with self._arriving:
            full = len(self._arrived) >= MOST_WAITING
            if full or self._of_topic[topic] >= MOST_OF_A_TOPIC:
                self._dropped += 1
                return
            self._of_topic[topic] += 1
        properties = message.properties
        correlation = getattr(properties, "CorrelationData", None)
        arrived = Arrived(
            topic,
            bytes(message.payload[:LARGEST_BYTES]),
            bool(message.retain),
            str(getattr(properties, "ResponseTopic", "")),
            bytes(correlation) if correlation is not None else None,
        )
        with self._arriving:
            self._arrived.append(arrived)
