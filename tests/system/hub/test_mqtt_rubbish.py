"""What anybody may leave on a broker: rubbish on every topic that the watch hears or speaks on, retained and not."""

from __future__ import annotations

import asyncio

import pytest

from config.rig import Rig
from daemon.core.inputs import Health
from daemon.core.orders import Mark, MarkKind
from daemon.core.snapshot import Snapshot
from tests.patience import PATIENCE
from tests.system.hub.mqtt_broker import NEEDS_MOSQUITTO, Ear, PrivateBroker
from tests.system.hub.mqtt_watch import BASE, Watch, at, watching

pytestmark = [pytest.mark.usefixtures("quick"), NEEDS_MOSQUITTO]

LOG = Mark(MarkKind.LOG, None, "hub")
RUBBISH: tuple[bytes, ...] = (
    b"\xff\xfe\x00\x80",  # no UTF-8
    b"\xed\xa0\x80",  # a lone surrogate, written as if it were UTF-8
    b"\x00" * 64,
    "\ufeff\u202elog".encode(),  # a byte order mark, and right to left
    b"[" * 3000,  # deeper than a parser goes
    b'{"command": "mark", "kind": "log", "id": {}, "expires": 1e999}',
    b'{"command": "\\ud800", "id": "x", "expires": "never"}',
    b"x" * 200_000,  # larger than what we take
)
HEARD = (
    f"{BASE}/pit/mark/set",
    f"{BASE}/watch/order/set",
    f"{BASE}/watch/acknowledge/set",
    f"{BASE}/no-such-node/\u00e9\u4e2d\U0001f525/set",
    "pitvigil/pit/orders/stranger",
    "pitvigil/pit/orders/\u202eann",
    "homeassistant/status",
)
SPOKEN = (
    f"{BASE}/$state",
    f"{BASE}/$description",
    f"{BASE}/channel-pit-left/temperature",
    "homeassistant/device/pitvigil_pit/config",
    "homeassistant/device/somebody_else/config",
)


class RawEar(Ear):
    """Hears bytes that are no UTF-8, too."""

    def _on_message(self, client, data, message) -> None:  # type: ignore[no-untyped-def]
        message.payload = message.payload.decode(errors="replace").encode()
        super()._on_message(client, data, message)


async def works(watch: Watch, ear: Ear, celsius: float) -> None:
    """It tells, and it takes an order that is meant for it, once rubbish has not used up what it takes in a while."""
    before = watch.posted.count(LOG)
    await watch.until(lambda: watch.feed.link.connected)
    watch.tell(watch.read(celsius), later=60.0)
    await ear.hears(f"{BASE}/channel-pit-left/temperature", f"{celsius:.1f}")
    async with asyncio.timeout(PATIENCE):
        while watch.posted.count(LOG) == before:
            ear.say(f"{BASE}/pit/mark/set", "log")
            await asyncio.sleep(0.5)


@pytest.mark.parametrize("retained", [True, False])
async def test_rubbish_on_the_broker_orders_nothing_and_ends_nothing(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker, retained: bool
) -> None:
    async with RawEar(mosquitto.port, ("#",)) as stranger:

        async def litter() -> None:
            for number, payload in enumerate(RUBBISH):
                for topic in (*HEARD, *SPOKEN):
                    stranger.say(topic, payload, retain=retained)
                stranger.say("litter", str(number))
                await stranger.hears("litter", str(number))
            stranger.heard.clear()

        if retained:
            await litter()  # found at the first subscription
        async with watching(evening, at(mosquitto.port)) as watch:
            await works(watch, stranger, 121.0)
            await litter()
            await works(watch, stranger, 122.0)
            ready = await stranger.hears(f"{BASE}/$state", "ready") if retained else None
            assert ready is not None or not retained
            assert all(item == LOG for item in watch.posted if not isinstance(item, Health))
            assert {item.ok for item in watch.posted if isinstance(item, Health)} == {True}
