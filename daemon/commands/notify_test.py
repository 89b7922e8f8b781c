"""`pitvigil notify-test`: one test message by every delivery channel, with a test picture where one is asked for, each
step said aloud."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

from config.delivery import ReachWithChart
from config.rig import Rig
from daemon.shell.clock import wall_seconds
from daemon.shell.notify.base import DeliveryChannel, Message, PermanentFailure, TemporaryFailure
from daemon.shell.notify.outbox import ATTEMPT_LIMIT
from daemon.shell.report.picture.drawer import Drawer, NotDrawn
from daemon.shell.report.picture.sheet import example_sheet
from daemon.shell.state.secrets import SecretRefused
from daemon.shell.wording import rfc3339
from daemon.texts.composer import PLAIN
from daemon.wiring.composers import reader_of
from daemon.wiring.deliveries import Deliveries

BROKER_PATIENCE = 5.0
"""s to wait for the broker before the first message."""


async def notify_test(rig: Rig, say: Callable[[str], None]) -> int:
    """0 when every channel took the message."""
    if not rig.delivery:
        say(PLAIN.words("command.notify.nobody"))
        return 1
    deliveries = Deliveries(rig)
    failed = 0
    try:
        await deliveries.connect(BROKER_PATIENCE, say)
        for delivery in rig.delivery:
            audience = tuple(delivery.audience)
            say(PLAIN.words("command.notify.sending", name=delivery.name, kind=delivery.kind, audience=audience))
            asked = isinstance(delivery, ReachWithChart) and delivery.chart
            picture = await _test_picture(rig, delivery.name, say) if asked else None
            failed += not await _one(deliveries, delivery.name, picture, say)
    finally:
        await deliveries.close()
    if not failed:
        say(PLAIN.words("command.notify.all-taken"))
    elif failed == 1:
        say(PLAIN.words("command.notify.failed-one"))
    else:
        say(PLAIN.words("command.notify.failed", failed=failed))
    say(PLAIN.words("command.notify.before-night"))
    return 1 if failed else 0


async def _test_picture(rig: Rig, name: str, say: Callable[[str], None]) -> bytes | None:
    try:
        picture = await Drawer().draw(example_sheet(wall_seconds(), reader_of(rig)))
    except (NotDrawn, OSError) as error:
        say(PLAIN.words("command.notify.no-picture", name=name, why=str(error)))
        return None
    say(PLAIN.words("command.notify.picture", name=name, size=len(picture) / 1000))
    return picture


async def _one(deliveries: Deliveries, name: str, picture: bytes | None, say: Callable[[str], None]) -> bool:
    now = wall_seconds()
    text = PLAIN.words("command.notify.message")
    message = Message(
        f"notify-test#{int(now)}.0", "wake", deliveries.title, text, time=rfc3339(now), attachment=picture
    )
    try:
        await _send(deliveries.channel(name), message, say)
    except SecretRefused as error:
        say(PLAIN.words("command.notify.refused", name=name, why=str(error)))
    except PermanentFailure as error:
        say(PLAIN.words("command.notify.never", name=name, why=str(error)))
    except (TemporaryFailure, TimeoutError, OSError) as error:
        why = str(error) or PLAIN.words("command.notify.no-answer")
        say(PLAIN.words("command.notify.later", name=name, why=why))
    else:
        say(PLAIN.words("command.notify.taken", name=name))
        return True
    return False


async def _send(channel: DeliveryChannel, message: Message, say: Callable[[str], None]) -> None:
    """As the watch does it: what is refused for good with its picture goes without."""
    try:
        async with asyncio.timeout(ATTEMPT_LIMIT):
            await channel.send(message)
    except PermanentFailure as error:
        if message.attachment is None:
            raise
        say(PLAIN.words("command.notify.without-picture", name=channel.name, why=str(error)))
        async with asyncio.timeout(ATTEMPT_LIMIT):
            await channel.send(replace(message, attachment=None))
