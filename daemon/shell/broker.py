"""The link to the MQTT broker: connect for ever, keep only what is worth keeping while it is away.

The newest value of every retained topic and a bounded list of events wait in memory; the client library's own queue
stays empty, so an outage of hours costs kilobytes. paho runs its own thread; everything here is called from the loop's.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

log = logging.getLogger(__name__)

KEEPALIVE = 30
"""s: a silent death is noticed by the broker after 1.5 times this (MQTT 3.1.2.10)."""
RECONNECT = (1, 30)
"""s, shortest and longest pause between attempts."""
EVENTS_WAITING = 500
"""Events kept for a broker that is away; the oldest go first."""
NOT_AUTHORISED = 135
"""MQTT 5 reason code "Not authorized"."""
UNSUPPORTED_VERSION = 132
"""MQTT 5 reason code "Unsupported Protocol Version"."""
FAREWELL = 2.0
"""s to wait for the last message to be acknowledged on the way out."""


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """Where and as whom. Files are paths; the password has been read already and is shown nowhere."""

    host: str
    port: int
    client_id: str
    user: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None


@dataclass(frozen=True, slots=True)
class Incoming:
    topic: str
    payload: bytes
    retained: bool


def tls_context(ca_file: str | None, certificate: str | None, key: str | None) -> ssl.SSLContext:
    """TLS 1.2 or later, always verified, by the system's authorities or the one given. There is no insecure switch."""
    context = ssl.create_default_context(cafile=ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if certificate:
        context.load_cert_chain(certificate, key)
    return context


class BrokerLink:
    """One connection. `heard` is called in the loop's thread for every message of `topics`."""

    def __init__(
        self,
        settings: BrokerSettings,
        state_topic: str,
        online: str,
        offline: str,
        lost: str,
        topics: tuple[str, ...] = (),
        heard: Callable[[Incoming], None] = lambda message: None,
        changed: Callable[[bool, str], None] = lambda up, detail: None,
    ) -> None:
        self.settings, self.connected = settings, False
        self._state_topic, self._online, self._offline, self._lost = state_topic, online, offline, lost
        self._topics, self._heard, self._changed = topics, heard, changed
        self._retained: dict[str, str] = {}
        self._unsent: set[str] = set()
        self._events: deque[tuple[str, str]] = deque(maxlen=EVENTS_WAITING)
        self._denied: set[str] = set()
        self._in_flight: dict[int, str] = {}
        self._protocol = MQTTProtocolVersion.MQTTv5
        self._loop: asyncio.AbstractEventLoop | None = None
        self._client: mqtt.Client | None = None

    # --- life ------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect; returns at once and never gives up."""
        self._loop = asyncio.get_running_loop()
        self._connect()

    def _connect(self) -> None:
        settings = self.settings
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            protocol=self._protocol,
            reconnect_on_failure=True,
        )
        client.max_queued_messages_set(EVENTS_WAITING)
        client.reconnect_delay_set(*RECONNECT)
        if settings.user is not None:
            client.username_pw_set(settings.user, settings.password)
        if settings.tls is not None:
            client.tls_set_context(settings.tls)
        client.will_set(self._state_topic, self._lost, qos=1, retain=True)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_connect_fail = self._on_connect_fail
        client.on_message, client.on_publish = self._on_message, self._on_publish
        client.on_socket_open = _no_delay
        client.connect_async(settings.host, settings.port, KEEPALIVE)
        client.loop_start()
        self._client = client

    async def stop(self) -> None:
        """Say goodbye, wait for it to be acknowledged, and leave without the will being sent."""
        client = self._client
        if client is None:
            return
        if self.connected:
            info = client.publish(self._state_topic, self._offline, qos=1, retain=True)
            await asyncio.to_thread(self._wait, info)
        client.disconnect()
        await asyncio.to_thread(client.loop_stop)
        self._client = None

    @staticmethod
    def _wait(info: mqtt.MQTTMessageInfo) -> None:
        try:
            info.wait_for_publish(FAREWELL)
        except (RuntimeError, ValueError):
            log.debug("the broker left before the farewell")

    # --- sending ---------------------------------------------------------------------------------------------

    def retain(self, topic: str, payload: str, qos: int = 0) -> None:
        """The newest value of a topic; an empty payload clears it. Sent now, or when the broker is back."""
        self._retained[topic] = payload
        if self.connected and self._client is not None:
            self._send(topic, payload, qos, retain=True)
        else:
            self._unsent.add(topic)

    def tell(self, topic: str, payload: str) -> None:
        """Something that happened: not retained, at least once, kept in order through an outage."""
        if self.connected and self._client is not None:
            self._send(topic, payload, 1, retain=False)
        else:
            self._events.append((topic, payload))

    def forget(self, topic: str) -> None:
        """Clear a retained topic and stop re-sending it."""
        self.retain(topic, "")
        self._retained.pop(topic, None)

    async def deliver(self, topic: str, payload: str) -> bool:
        """Send now and wait for the broker's acknowledgement. False when it is away or refuses."""
        client = self._client
        if not self.connected or client is None:
            return False
        info = client.publish(topic, payload, qos=1)
        try:
            await asyncio.to_thread(info.wait_for_publish, 5.0)
        except (RuntimeError, ValueError):
            return False
        return info.is_published() and topic not in self._denied

    def _send(self, topic: str, payload: str, qos: int, retain: bool) -> None:
        assert self._client is not None
        info = self._client.publish(topic, payload, qos=qos, retain=retain)
        if qos:
            self._in_flight[info.mid] = topic

    def resend(self) -> None:
        """Everything retained, once more."""
        for topic, payload in self._retained.items():
            self._send(topic, payload, 1, retain=True)

    # --- paho's thread: hand everything over ---------------------------------------------------------------

    def _call(self, function: Callable[..., None], *arguments: Any) -> None:
        assert self._loop is not None
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(function, *arguments)

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, reason: ReasonCode, properties: Any) -> None:
        self._call(self._connection, client, not reason.is_failure, str(reason), reason.value)

    def _on_connect_fail(self, client: mqtt.Client, data: Any) -> None:
        self._call(self._lost_it, client, "no connection")

    def _on_disconnect(self, client: mqtt.Client, data: Any, flags: Any, reason: ReasonCode, properties: Any) -> None:
        self._call(self._lost_it, client, str(reason))

    def _on_message(self, client: mqtt.Client, data: Any, message: mqtt.MQTTMessage) -> None:
        self._call(self._heard, Incoming(message.topic, bytes(message.payload), message.retain))

    def _on_publish(self, client: mqtt.Client, data: Any, mid: int, reason: ReasonCode, properties: Any) -> None:
        self._call(self._published, mid, reason.value)

    # --- back in the loop ------------------------------------------------------------------------------------

    def _connection(self, client: mqtt.Client, up: bool, words: str, code: int) -> None:
        if client is not self._client:
            return
        if not up:
            if code in (1, UNSUPPORTED_VERSION) and self._protocol is MQTTProtocolVersion.MQTTv5:
                self._fall_back(client)
            else:
                self._changed(False, words)
            return
        self.connected = True
        self._send(self._state_topic, self._online, 1, retain=True)
        for topic in self._topics:
            client.subscribe(topic, qos=1)
        unsent, self._unsent = self._unsent, set()
        for topic in unsent:
            self._send(topic, self._retained.get(topic, ""), 1, retain=True)
        while self._events:
            topic, payload = self._events.popleft()
            self._send(topic, payload, 1, retain=False)
        self._changed(True, "")

    def _fall_back(self, client: mqtt.Client) -> None:
        log.warning("the broker does not speak MQTT 5; using 3.1.1")
        self._protocol = MQTTProtocolVersion.MQTTv311
        client.disconnect()
        client.loop_stop()
        self._connect()

    def _lost_it(self, client: mqtt.Client, words: str) -> None:
        if client is self._client:
            self.connected = False
            self._changed(False, words)

    def _published(self, mid: int, code: int) -> None:
        topic = self._in_flight.pop(mid, None)
        if code == NOT_AUTHORISED and topic is not None and topic not in self._denied:
            self._denied.add(topic)
            log.warning("the broker does not let us publish to %s; check its access list", topic)
            self._changed(True, f"not allowed to publish to {topic}")


def _no_delay(client: mqtt.Client, data: Any, sock: Any) -> None:
    """Without this, small messages wait 40 ms for the acknowledgement of the one before (Nagle with delayed ACK)."""
    if isinstance(sock, socket.socket):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
