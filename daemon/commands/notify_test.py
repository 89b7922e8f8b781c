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
from daemon.shell.report.drawer import Drawer, NotDrawn
from daemon.shell.report.sheet import example_sheet
from daemon.shell.state.secrets import SecretRefused
from daemon.shell.wording import rfc3339
from daemon.wiring.composers import reader_of
from daemon.wiring.deliveries import Deliveries

BROKER_PATIENCE = 5.0
"""s to wait for the broker before the first message."""


async def notify_test(rig: Rig, say: Callable[[str], None]) -> int:
    """0 when every channel took the message."""
    if not rig.delivery:
        say("the rig has no [[delivery]]: nobody can be told anything")
        return 1
    deliveries = Deliveries(rig)
    failed = 0
    try:
        await deliveries.connect(BROKER_PATIENCE, say)
        for delivery in rig.delivery:
            say(f"{delivery.name} ({delivery.kind}, for {', '.join(delivery.audience)}): sending ...")
            asked = isinstance(delivery, ReachWithChart) and delivery.chart
            picture = await _test_picture(rig, delivery.name, say) if asked else None
            failed += not await _one(deliveries, delivery.name, picture, say)
    finally:
        await deliveries.close()
    say("every channel took it; did you hear it?" if not failed else f"{failed} channels failed")
    say("before the night the running watch wants a test wake of its own, acknowledged: on the page, at 'May I sleep?'")
    return 1 if failed else 0


async def _test_picture(rig: Rig, name: str, say: Callable[[str], None]) -> bytes | None:
    try:
        picture = await Drawer().draw(example_sheet(wall_seconds(), reader_of(rig)))
    except (NotDrawn, OSError) as error:
        say(f"  {name}: without the picture that chart = true asks for: {error}")
        return None
    say(f"  {name}: with a test picture of {len(picture) / 1000:.0f} kB; it shows made curves")
    return picture


async def _one(deliveries: Deliveries, name: str, picture: bytes | None, say: Callable[[str], None]) -> bool:
    now = wall_seconds()
    text = "Answer this test: the watch can reach you"
    message = Message(
        f"notify-test#{int(now)}.0", "wake", deliveries.title, text, time=rfc3339(now), attachment=picture
    )
    try:
        await _send(deliveries.channel(name), message, say)
    except SecretRefused as error:
        say(f"  {name}: {error}")
    except PermanentFailure as error:
        say(f"  {name}: refused, trying again will not help: {error}")
    except (TemporaryFailure, TimeoutError, OSError) as error:
        say(f"  {name}: not now, the watch would try again: {error or 'no answer in time'}")
    else:
        say(f"  {name}: taken by the receiver")
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
        say(f"  {channel.name}: refused with its picture ({error}); without it ...")
        async with asyncio.timeout(ATTEMPT_LIMIT):
            await channel.send(replace(message, attachment=None))
