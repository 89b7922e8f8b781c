"""A private mosquitto on a free loopback port, and an ear that hears everything on it."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import socket
import ssl
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.patience import PATIENCE
from tests.ports import free_port

NEEDS_MOSQUITTO = pytest.mark.skipif(shutil.which("mosquitto") is None, reason="needs the package mosquitto")
ROOT = Path(__file__).parents[3]
MAKE_BROKER = ROOT / "deploy" / "hub" / "make-broker.sh"


class PrivateBroker:
    """Started with a configuration file of its own; `kill` is kill -9."""

    def __init__(self, configuration: Path, port: int) -> None:
        self.configuration, self.port = configuration, port
        self._process: subprocess.Popen[bytes] | None = None

    async def start(self) -> None:
        self._process = subprocess.Popen(
            ["mosquitto", "-c", str(self.configuration)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        async with asyncio.timeout(PATIENCE):
            while True:
                assert self._process.poll() is None, "mosquitto did not start"
                with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
                    return
                await asyncio.sleep(0.02)

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait()
            self._process = None


def plain_broker(directory: Path, more: str = "allow_anonymous true\n") -> PrivateBroker:
    """Anybody may do anything on it, unless `more` says otherwise."""
    port = free_port()
    file = directory / f"mosquitto-{port}.conf"
    file.write_text(f"{as_us()}listener {port} 127.0.0.1\n{more}", encoding="utf-8")
    return PrivateBroker(file, port)


def as_us() -> str:
    """A broker started as root becomes another user, who may not read a test's directory."""
    return "user root\n" if os.getuid() == 0 else ""


@dataclass(frozen=True)
class Heard:
    topic: str
    payload: str
    retained: bool
    qos: int


class Ear:
    """An MQTT client of its own that remembers all it hears, in order."""

    def __init__(
        self, port: int, topics: tuple[str, ...] = ("#",), user: str | None = None, password: str | None = None,
        ca_file: Path | None = None, client_id: str = "",
    ) -> None:  # fmt: skip
        self.heard: list[Heard] = []
        self._port, self._topics = port, topics
        self._news = asyncio.Event()
        self._subscribed = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )  # fmt: skip
        if user is not None:
            self.client.username_pw_set(user, password)
        if ca_file is not None:
            self.client.tls_set_context(ssl.create_default_context(cafile=str(ca_file)))
        self.client.on_message = self._on_message
        self.client.on_subscribe = self._on_subscribe

    async def __aenter__(self) -> Ear:
        await asyncio.to_thread(self.client.connect, "127.0.0.1", self._port)
        self.client.loop_start()
        self.client.subscribe([(topic, 1) for topic in self._topics])
        async with asyncio.timeout(PATIENCE):
            await self._subscribed.wait()
        return self

    async def __aexit__(self, *error: object) -> None:
        self.client.disconnect()
        await asyncio.to_thread(self.client.loop_stop)
        self.client.on_message = self.client.on_subscribe = None  # no cycle: its sockets close with it

    def _on_message(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        heard = Heard(message.topic, message.payload.decode(), message.retain, message.qos)
        self._loop.call_soon_threadsafe(self._take, heard)

    def _take(self, heard: Heard) -> None:
        self.heard.append(heard)
        self._news.set()

    def _on_subscribe(self, *arguments: object) -> None:
        self._loop.call_soon_threadsafe(self._subscribed.set)

    async def until(self, holds: Callable[[], bool], within: float = PATIENCE) -> None:
        async with asyncio.timeout(within):
            while not holds():
                self._news.clear()
                await self._news.wait()

    async def hears(self, topic: str, payload: str | None = None, within: float = PATIENCE) -> Heard:
        await self.until(lambda: any(h.topic == topic and payload in (None, h.payload) for h in self.heard), within)
        return next(h for h in reversed(self.heard) if h.topic == topic and payload in (None, h.payload))

    def of(self, topic: str) -> list[str]:
        return [h.payload for h in self.heard if h.topic == topic]

    def say(self, topic: str, payload: str | bytes, retain: bool = False) -> None:
        self.client.publish(topic, payload, qos=1, retain=retain)


async def retained_on(port: int, topic: str = "#") -> dict[str, str]:
    """What a newcomer finds. The marker published after the subscription comes after everything retained."""
    async with Ear(port, (topic, "marker")) as ear:
        ear.say("marker", "now")
        await ear.hears("marker", "now")
        return {h.topic: h.payload for h in ear.heard if h.retained}
