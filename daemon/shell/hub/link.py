"""The link to the MQTT broker: connect for ever, keep only what is worth keeping while it is away.

The newest value of every retained topic and a bounded list of events wait in memory. Each connection gets a client of
its own that begins empty, so what an old connection had not delivered can never overtake what is newer. The client
library runs a thread; everything here belongs to the loop's.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import functools
import logging
import os
import random
import socket
import ssl
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daemon.shell.background import in_background
from daemon.shell.hub.link_settings import BrokerSettings
from daemon.texts.composer import PLAIN

log = logging.getLogger(__name__)

KEEPALIVE = 20
"""s: a silent death is noticed by the broker after 1.5 times this (MQTT 5.0, 3.1.2.10), and by us after twice:
whoever is woken over it must be found out of reach within two minutes, one of which is the alarm's delay."""
FIRST_PAUSE, LONGEST_PAUSE = 1.0, 30.0
"""s between attempts; doubled from the first to the longest."""
TAKEOVER_PAUSE = 30.0
"""s to stand back after another client with our name pushed us out: two that do not would push each other for ever."""
DROPS_IN_A_ROW = 3
"""Short connections after which we believe the same of a broker that drops us without a word (mosquitto 2.0 does)."""
ANSWER_WITHIN = 10.0
"""s the broker may take to answer a connection."""
STEADY_AFTER = 60.0
"""s a connection must have lasted before the pauses begin small again."""
EVENTS_WAITING = 500
"""Events kept for a broker that is away; the oldest go first."""
IN_FLIGHT_LIMIT = 2000
"""Messages the broker may owe an acknowledgement for; beyond that values are skipped, for a newer one will come."""
OWED_TOO_LONG, OWED_LOOKED_AT_EVERY = 40.0, 5.0
"""s a broker may owe an acknowledgement before it is called ill and connected to anew, and s between looks: together well
below two minutes, for the hub shows old temperatures meanwhile."""
TRIAL = 45.0
"""s that a connection must last before it counts as working, where the one before it was short: else one that is cut again and
again would be well at every look between. Shorter than the delay of the alarm, so that a broker restarted twice rings nobody."""
LARGEST_PACKET = 4096
"""Bytes that may come to us: an order is far smaller, and what is larger the broker need not send (MQTT 5 only)."""
FAREWELL = 2.0
"""s to wait for the last message to be acknowledged on the way out."""
DELIVERY = 5.0
"""s to wait for the acknowledgement of a message to a person."""
RESET = struct.pack("ii", 1, 0)
"""SO_LINGER of no time (socket(7)): a connection closed so leaves nothing behind on its port."""

# MQTT 5.0 reason codes, 2.4
NO_MATCHING_SUBSCRIBERS = 16
FAILURES_FROM = 128
UNSUPPORTED_VERSION = 132
NOT_AUTHORISED = 135
SESSION_TAKEN_OVER = 142
ENDED = {128: "broker.broke-off", 139: "broker.closing", 141: "broker.not-heard"}
"""Texts for the ends that say most often nothing to people. Reason codes of MQTT 5.0, 3.14.2.1; the library gives 128 to a socket
that closed and 141 to pings without an answer."""
OLD_BROKER_REFUSES = 1
"""MQTT 3.1.1 return code "unacceptable protocol version", 3.2.2.3."""


@dataclass(frozen=True, slots=True)
class Incoming:
    topic: str
    payload: bytes
    retained: bool


@dataclass(frozen=True, slots=True)
class LinkTopics:
    """The topic that says whether we live, its four words, and what to listen to: (topic, QoS)."""

    state: str
    connecting: str
    online: str
    offline: str
    lost: str
    heard: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class _Value:
    payload: str
    expires: int | None


CLEARED = _Value("", None)


@dataclass(slots=True)
class _Owed:
    """A message whose acknowledgement is due: `event` names it in the waiting list, `done` is somebody who waits."""

    topic: str
    event: int | None = None
    done: asyncio.Future[int | None] | None = None
    since: float = 0.0
    """Event-loop time, s."""


class BrokerLink:
    """One device on the broker. heard: called for every message of `topics.heard`. changed: (works, words) when that
    changes. Not ready before `ready(True)`: until then the state topic says `connecting`."""

    def __init__(
        self,
        settings: BrokerSettings,
        topics: LinkTopics,
        heard: Callable[[Incoming], None] = lambda message: None,
        changed: Callable[[bool, str], None] = lambda works, words: None,
    ) -> None:
        self.settings, self.topics, self.connected = settings, topics, False
        self._heard, self._changed = heard, changed
        self._ready = False
        self._values: dict[str, _Value] = {}
        self._cleared: set[str] = set()
        self._events: dict[int, tuple[str, str]] = {}
        self._event_number = 0
        self._owed: dict[int, _Owed] = {}
        """The oldest first."""
        self._answers = False
        """It has acknowledged something on the last connection: connecting alone does not count as working."""
        self._on_trial = False
        """The last connection was short."""
        self._since = 0.0
        """Event-loop time at which this connection was made, s."""
        self._denied: set[str] = set()
        self._told: tuple[bool, str] | None = None
        self._protocol = MQTTProtocolVersion.MQTTv5
        self._loop: asyncio.AbstractEventLoop | None = None
        self._client: mqtt.Client | None = None
        self._answered: asyncio.Future[None] | None = None
        self._down: asyncio.Future[tuple[int, str]] | None = None
        self._task: asyncio.Task[None] | None = None

    # --- life ------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect; returns at once and never gives up."""
        self._loop = asyncio.get_running_loop()
        self._task = asyncio.create_task(self._run(), name="broker link")

    async def stop(self) -> None:
        """Say goodbye, wait for it to be acknowledged, and leave without the will being sent."""
        if self.connected:
            await self._acknowledged(self.topics.state, self.topics.offline, FAREWELL, retain=True)
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
            self._task = None

    async def _run(self) -> None:
        loop, pause, drops = asyncio.get_running_loop(), FIRST_PAUSE, 0
        while True:
            began = loop.time()
            client = self._new_client()
            try:
                code, words = await self._connection(client)
            except Exception as error:  # whatever it is, the next attempt is the remedy
                code, words = (
                    0,
                    PLAIN.words("broker.away", host=self.settings.host, port=self.settings.port, why=_words(error)),
                )
            finally:
                self.connected = False
                self._give_up_owed()
                client.disconnect()
                # Joining is quick: the socket is closed. A shield, so that a cancelled link still leaves no thread.
                await asyncio.shield(in_background(client.loop_stop))
                # Without a cycle the client goes, and closes its sockets, as soon as nobody holds it.
                client.on_connect = client.on_disconnect = client.on_message = client.on_publish = None
                self._client = None
            if code in (OLD_BROKER_REFUSES, UNSUPPORTED_VERSION) and self._protocol is MQTTProtocolVersion.MQTTv5:
                log.warning("the broker does not speak MQTT 5; using 3.1.1")
                self._protocol = MQTTProtocolVersion.MQTTv311
                continue
            steady, answered = loop.time() - began > STEADY_AFTER, self._answered is not None and self._answered.done()
            if steady:
                pause, drops = FIRST_PAUSE, 0
            drops += answered and self._down is not None and self._down.done()
            self._on_trial = not steady if self._answers else self._on_trial
            wait, pause = pause, min(2 * pause, LONGEST_PAUSE)
            if code == SESSION_TAKEN_OVER or drops >= DROPS_IN_A_ROW:
                wait, drops = TAKEOVER_PAUSE, 0
                words = PLAIN.words("broker.taken-over", name=self.settings.client_id, why=words)
            self._say(False, words)
            await asyncio.sleep(wait * random.uniform(0.8, 1.2))  # nosec B311  # a pause, no secret

    async def _connection(self, client: mqtt.Client) -> tuple[int, str]:
        """One connection from its beginning to its end; why it ended."""
        settings = self.settings
        self._client, self._down = client, asyncio.get_running_loop().create_future()
        self._answered = asyncio.get_running_loop().create_future()
        await in_background(
            client.connect, settings.host, settings.port, KEEPALIVE, properties=self._connect_properties()
        )
        client.loop_start()
        done, _ = await asyncio.wait(
            (self._answered, self._down), timeout=ANSWER_WITHIN, return_when=asyncio.FIRST_COMPLETED
        )
        if not done:
            return 0, PLAIN.words("broker.silent")
        while not self._down.done():
            await asyncio.wait((self._down,), timeout=OWED_LOOKED_AT_EVERY)
            if not self._down.done() and self._owes_too_long():
                return 0, PLAIN.words("broker.no-acknowledgement")
            self._works()
        return self._down.result()

    def _owes_too_long(self) -> bool:
        """The oldest message it has not acknowledged."""
        oldest = next(iter(self._owed.values()), None)
        return oldest is not None and asyncio.get_running_loop().time() - oldest.since > OWED_TOO_LONG

    def _connect_properties(self) -> Properties | None:
        if self._protocol is not MQTTProtocolVersion.MQTTv5:
            return None
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = LARGEST_PACKET
        return properties

    def _new_client(self) -> mqtt.Client:
        settings = self.settings
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            protocol=self._protocol,
            reconnect_on_failure=False,
        )
        client.max_queued_messages_set(0)  # bounded here instead, by IN_FLIGHT_LIMIT and by what is retained
        if settings.user is not None:
            client.username_pw_set(settings.user, settings.password)
        if settings.tls is not None:
            client.tls_set_context(settings.tls)
        client.will_set(self.topics.state, self.topics.lost, qos=1, retain=True)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_message, client.on_publish = self._on_message, self._on_publish
        client.on_socket_open = _opened
        return client

    # --- sending ---------------------------------------------------------------------------------------------

    def ready(self, ready: bool) -> None:
        """Everything that describes us has been handed over (or is about to change). Said on the state topic."""
        if ready != self._ready:
            self._ready = ready
            self._send_state()

    def retain(self, topic: str, payload: str, expires: int | None = None) -> None:
        """The newest value of a topic; an empty payload clears it. Unchanged ones are not sent again.

        expires: s after which the broker itself drops it (MQTT 5 only), so that a dead watch leaves no fresh-looking
        value behind; `resend` renews it.
        """
        value = _Value(payload, expires)
        if self._values.get(topic) != value:
            self._values[topic] = value
            if self.connected and len(self._owed) < IN_FLIGHT_LIMIT:
                self._send_value(topic, value)

    def forget(self, topic: str) -> None:
        """Clear a retained topic for good. While the broker is away the clearing waits for it."""
        self._values.pop(topic, None)
        if self.connected:
            self._send_value(topic, CLEARED)
        else:
            self._cleared.add(topic)

    def tell(self, topic: str, payload: str, keep: bool = False) -> None:
        """Something that happened, not retained. keep: at least once and in order through an outage; else now or never."""
        if keep:
            self._event_number += 1
            while len(self._events) >= EVENTS_WAITING:
                del self._events[next(iter(self._events))]
            self._events[self._event_number] = (topic, payload)
            if self.connected:
                self._send(topic, payload, _Owed(topic, event=self._event_number))
        elif self.connected and len(self._owed) < IN_FLIGHT_LIMIT:
            assert self._client is not None
            self._client.publish(topic, payload, qos=0)

    async def deliver(self, topic: str, payload: str) -> str:
        """Send now and wait for the broker's acknowledgement. Why nobody has it: it is away, refuses, or has nobody who
        listens to that topic, which a broker may say in MQTT 5 alone. "" when somebody has."""
        code = await self._acknowledged(topic, payload, DELIVERY) if self.connected else None
        if code == NO_MATCHING_SUBSCRIBERS:
            return PLAIN.words("broker.nobody-listens", topic=topic)
        return "" if code is not None and code < FAILURES_FROM else PLAIN.words("broker.not-taken")

    def resend(self, prefixes: tuple[str, ...] = ("",)) -> None:
        """Every value retained under one of these beginnings, once more, and whether we live. Empty ones too: whoever
        listens must be able to tell "not known" from "not heard"."""
        if self.connected:
            for topic, value in self._values.items():
                if topic.startswith(prefixes):
                    self._send_value(topic, value)
            self._send_state()

    @property
    def waiting(self) -> int:
        """Events that the broker has not acknowledged yet."""
        return len(self._events)

    async def _acknowledged(self, topic: str, payload: str, within: float, retain: bool = False) -> int | None:
        """The reason code of its acknowledgement (MQTT 5.0, 3.4.2.1), None for none."""
        done: asyncio.Future[int | None] = asyncio.get_running_loop().create_future()
        self._send(topic, payload, _Owed(topic, done=done), retain=retain)
        try:
            async with asyncio.timeout(within):
                return await done
        except TimeoutError:
            return None

    def _send_state(self) -> None:
        if self.connected:
            word = self.topics.online if self._ready else self.topics.connecting
            self._send(self.topics.state, word, _Owed(self.topics.state), retain=True)

    def _send_value(self, topic: str, value: _Value) -> None:
        self._send(topic, value.payload, _Owed(topic), retain=True, expires=value.expires)

    def _send(self, topic: str, payload: str, owed: _Owed, retain: bool = False, expires: int | None = None) -> None:
        """QoS 1 for all that must arrive: its acknowledgement is the only way to learn of a refusal."""
        assert self._client is not None
        properties = None
        if expires is not None and payload and self._protocol is MQTTProtocolVersion.MQTTv5:
            properties = _expiring(expires)
        info = self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        # The acknowledgement comes through the loop, so it cannot be handled before this line.
        owed.since = asyncio.get_running_loop().time()
        self._owed[info.mid] = owed

    # --- the library's thread: hand everything over --------------------------------------------------------

    def _call(self, function: Callable[..., None], *arguments: Any) -> None:
        assert self._loop is not None
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is left to be told
            self._loop.call_soon_threadsafe(function, *arguments)

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, reason: ReasonCode, properties: Any) -> None:
        self._call(self._connected, client, reason.is_failure, reason.value, str(reason))

    def _on_disconnect(self, client: mqtt.Client, data: Any, flags: Any, reason: ReasonCode, properties: Any) -> None:
        ended = ENDED.get(reason.value)
        self._call(self._ended, client, reason.value, str(reason) if ended is None else PLAIN.words(ended))

    def _on_message(self, client: mqtt.Client, data: Any, message: mqtt.MQTTMessage) -> None:
        self._call(self._heard, Incoming(message.topic, bytes(message.payload), message.retain))

    def _on_publish(self, client: mqtt.Client, data: Any, mid: int, reason: ReasonCode, properties: Any) -> None:
        self._call(self._published, client, mid, reason.value)

    # --- back in the loop ------------------------------------------------------------------------------------

    def _connected(self, client: mqtt.Client, refused: bool, code: int, words: str) -> None:
        if client is not self._client:
            return
        if refused:
            self._ended(client, code, PLAIN.words("broker.refuses", why=words))
            return
        assert self._answered is not None
        self._answered.set_result(None)
        self.connected, self._answers, self._since = True, False, asyncio.get_running_loop().time()
        self._denied.clear()
        self._send(self.topics.state, self.topics.connecting, _Owed(self.topics.state), retain=True)
        for topic in self._cleared - self._values.keys():
            self._send_value(topic, CLEARED)
        self._cleared.clear()
        for topic, value in list(self._values.items()):
            self._send_value(topic, value)
        if self.topics.heard:
            client.subscribe(list(self.topics.heard))
        if self._ready:
            self._send_state()
        for number, (topic, payload) in self._events.items():
            self._send(topic, payload, _Owed(topic, event=number))

    def _works(self) -> None:
        """Say so, once it is shown; a broker that takes not all of ours has been said to be ill."""
        proven = not self._on_trial or asyncio.get_running_loop().time() - self._since >= TRIAL
        if self.connected and self._answers and proven and not self._denied:
            self._say(True, "")

    def _ended(self, client: mqtt.Client, code: int, words: str) -> None:
        if client is self._client and self._down is not None and not self._down.done():
            self.connected = False
            self._down.set_result((code, words))

    def _published(self, client: mqtt.Client, mid: int, code: int) -> None:
        owed = self._owed.pop(mid, None) if client is self._client else None
        if owed is None:
            return
        if owed.event is not None:
            self._events.pop(owed.event, None)
        if owed.done is not None and not owed.done.done():
            owed.done.set_result(code)
        if code == NOT_AUTHORISED and owed.topic not in self._denied:
            if not self._denied:
                log.warning("the broker does not let us publish to %s; check its access list", owed.topic)
                self._say(False, PLAIN.words("broker.not-allowed", topic=owed.topic))
            self._denied.add(owed.topic)
        self._answers = True
        self._works()

    def _give_up_owed(self) -> None:
        owed, self._owed = self._owed, {}
        for message in owed.values():
            if message.done is not None and not message.done.done():
                message.done.set_result(None)

    def _say(self, works: bool, words: str) -> None:
        """Once for each change: an outage of hours is one line, not one an attempt."""
        if self._told != (works, words):
            self._told = (works, words)
            if words:
                log.warning("broker: %s", words)
            self._changed(works, words)


def _words(error: Exception) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return PLAIN.words("broker.certificate", why=error.verify_message)
    return error.strerror if isinstance(error, OSError) and error.strerror else str(error)


@functools.cache
def _expiring(seconds: int) -> Properties:
    """Kept, since making them takes the library longer than all else of a message. It only reads them."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = seconds
    return properties


def _opened(client: mqtt.Client, data: Any, sock: Any) -> None:
    """Refuses a connection to itself: while no broker listens on this machine, an attempt whose own end is given the very
    port it tries succeeds (RFC 9293, 3.5, simultaneous open). It goes by a reset, so that the broker finds its port free.
    """
    if not isinstance(sock, socket.socket):
        return
    if sock.getsockname() == sock.getpeername():
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
        sock.close()
        raise ConnectionRefusedError(errno.ECONNREFUSED, os.strerror(errno.ECONNREFUSED))
    # Without this, small messages wait 40 ms for the acknowledgement of the one before (Nagle with delayed ACK).
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
