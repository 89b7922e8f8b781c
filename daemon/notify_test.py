"""`pitvigil notify-test`: one test message by every delivery channel, each step said aloud."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from config.rig import Rig
from daemon.deliveries import Deliveries
from daemon.shell.clock import wall_seconds
from daemon.shell.notify.base import Message, PermanentFailure, TemporaryFailure
from daemon.shell.outbox import ATTEMPT_LIMIT
from daemon.shell.secrets import SecretRefused
from daemon.shell.wording import rfc3339

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
            failed += not await _one(deliveries, delivery.name, say)
    finally:
        await deliveries.close()
    say("every channel took it; did you hear it?" if not failed else f"{failed} channels failed")
    return 1 if failed else 0


async def _one(deliveries: Deliveries, name: str, say: Callable[[str], None]) -> bool:
    now = wall_seconds()
    text = "Answer this test: the watch can reach you"
    message = Message(f"notify-test#{int(now)}.0", "wake", deliveries.title, text, time=rfc3339(now))
    try:
        async with asyncio.timeout(ATTEMPT_LIMIT):
            await deliveries.channel(name).send(message)
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
