"""From the rig's [[delivery]] and [broker] sections to delivery channels and a broker link."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable
from typing import TYPE_CHECKING

from config.delivery import Delivery, ReachWithChart
from config.rig import Rig
from daemon.shell.hub.link_settings import BrokerSettings, tls_context
from daemon.shell.notify.base import DeliveryChannel, PermanentFailure
from daemon.shell.state.secrets import read_secret
from daemon.texts.composer import PLAIN

if TYPE_CHECKING:
    from daemon.shell.hub.link import BrokerLink

POLL = 0.1
"""s between looks at a connection that is being made."""


def broker_settings(rig: Rig, client_suffix: str = "") -> BrokerSettings | None:
    """None when the rig has no broker. Raises SecretRefused, ssl.SSLError, OSError for unusable files."""
    broker = rig.broker
    if broker is None:
        return None
    tls = None
    if broker.tls is not None:
        tls = tls_context(broker.tls.ca_file, broker.tls.certificate_file, broker.tls.key_file)
    return BrokerSettings(
        host=broker.host,
        port=broker.port,
        client_id=(broker.client_id or f"pitvigil-{rig.pit.id}") + client_suffix,
        user=broker.user,
        password=read_secret(broker.password_file) if broker.password_file else None,
        tls=tls,
    )


def delivery_channel(
    delivery: Delivery, link: BrokerLink | None, pit: str, picture: Callable[[str], bytes | None] | None = None
) -> DeliveryChannel:
    """picture: gives the newest PNG to go with the message of an alarm, for channels that ask for it. Raises SecretRefused;
    PermanentFailure when the channel cannot be used at all."""
    channel = _plain_channel(delivery, link, pit)
    asked = isinstance(delivery, ReachWithChart) and delivery.chart
    if not asked or picture is None:
        return channel
    from daemon.shell.notify.chart import Illustrated

    return Illustrated(channel, picture)


def _plain_channel(delivery: Delivery, link: BrokerLink | None, pit: str) -> DeliveryChannel:
    """Only what the rig uses is imported."""
    match delivery.kind:
        case "mqtt":
            if link is None:
                raise PermanentFailure(PLAIN.words("reach.no-broker"))
            from daemon.shell.notify.mqtt_topic import MqttTopic

            return MqttTopic(delivery.name, link, pit)
        case "webhook":
            from daemon.shell.notify.webhook import Webhook

            secret = read_secret(delivery.secret_file) if delivery.secret_file else None
            tls = ssl.create_default_context(cafile=delivery.ca_file) if delivery.ca_file else None
            return Webhook(delivery.name, delivery.url, secret, tls)
        case "smtp":
            from daemon.shell.notify.smtp import MailRoute, Smtp

            password = read_secret(delivery.password_file) if delivery.password_file else None
            tls = ssl.create_default_context(cafile=delivery.ca_file) if delivery.ca_file else None
            server = (delivery.host, delivery.port, delivery.security)
            route = MailRoute(*server, delivery.sender, delivery.to, delivery.user, password)
            return Smtp(delivery.name, route, tls)
        case "command":
            from daemon.shell.notify.sounder import Sounder

            return Sounder(delivery.name, delivery.command, delivery.seconds)
        case "gpio":
            from daemon.shell.notify.sounder import gpio_sounder

            return gpio_sounder(delivery.name, delivery.chip, delivery.line, delivery.seconds)
        case "apprise":
            from daemon.shell.notify.push import Push

            return Push(delivery.name, read_secret(delivery.url_file))


class Deliveries:
    """The delivery channels by themselves, without a watch: for trying them."""

    def __init__(self, rig: Rig) -> None:
        self.title = rig.pit.name
        self._rig = rig
        settings = broker_settings(rig, "-notify-test")
        self._link: BrokerLink | None = None
        if settings is not None and any(d.kind == "mqtt" for d in rig.delivery):
            from daemon.shell.hub.link import BrokerLink, LinkTopics

            topic = f"pitvigil/{rig.pit.id}/notify-test"
            self._link = BrokerLink(settings, LinkTopics(topic, "coming", "here", "gone", "gone"))
        self._made: dict[str, DeliveryChannel] = {}

    async def connect(self, patience: float, say: Callable[[str], None]) -> None:
        """Start the broker link, if one is used, and give it a while."""
        if self._link is None:
            return
        self._link.start()
        for _ in range(round(patience / POLL)):
            if self._link.connected:
                say(PLAIN.words("broker.answers"))
                return
            await asyncio.sleep(POLL)
        say(PLAIN.words("broker.silent"))

    def channel(self, name: str) -> DeliveryChannel:
        """Raises SecretRefused, PermanentFailure."""
        if name not in self._made:
            delivery = next(d for d in self._rig.delivery if d.name == name)
            self._made[name] = delivery_channel(delivery, self._link, self._rig.pit.id)
        return self._made[name]

    async def close(self) -> None:
        for channel in self._made.values():
            await channel.close()
        if self._link is not None:
            await self._link.stop()
