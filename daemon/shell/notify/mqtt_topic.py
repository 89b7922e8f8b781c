"""An announcement on the broker: topic pitvigil/<pit>/announce/<name>, JSON, QoS 1, never retained."""

from __future__ import annotations

import json

from daemon.shell.hub.link import BrokerLink
from daemon.shell.notify.base import Message, TemporaryFailure


class MqttTopic:
    def __init__(self, name: str, link: BrokerLink, pit: str) -> None:
        self.name, self._link = name, link
        self.topic = f"pitvigil/{pit}/announce/{name}"

    async def send(self, message: Message) -> None:
        body = {"event_type": message.level, **message.told()}  # event_type: what a hub tells events by
        problem = await self._link.deliver(self.topic, json.dumps(body, ensure_ascii=False))
        if problem:
            raise TemporaryFailure(problem)

    async def close(self) -> None:
        return None
