"""The call that an outside address misses when the watch is dead. Imported only where the rig names such an address."""

from __future__ import annotations

import logging
from collections.abc import Callable

import aiohttp

log = logging.getLogger(__name__)

DEAD_MAN_TIMEOUT = 10.0
"""s for the whole call."""


class DeadMan:
    """Calls an outside address while the watch lives; that side raises the alarm when the calls stop. why_not: in words,
    what keeps the watch from waking anybody, "" if nothing does; while there is something, no call is made."""

    def __init__(self, url: str, why_not: Callable[[], str] = lambda: "") -> None:
        self._url, self._why_not, self._failing, self._withheld = url, why_not, False, ""

    async def call(self) -> None:
        why = self._why_not()
        if why:
            if why != self._withheld:
                log.warning("the dead-man address is not called: %s", why)
            self._withheld = why
            return
        self._withheld = ""
        try:
            timeout = aiohttp.ClientTimeout(total=DEAD_MAN_TIMEOUT)
            async with (
                aiohttp.ClientSession(timeout=timeout) as session,
                session.get(self._url, allow_redirects=False) as answer,  # a portal's page is not the other side
            ):
                if not 200 <= answer.status < 300:
                    raise OSError(f"HTTP {answer.status}")
        except (aiohttp.ClientError, TimeoutError, OSError) as error:
            if not self._failing:
                log.warning("the dead-man address does not answer (%s)", str(error) or type(error).__name__)
            self._failing = True
        else:
            if self._failing:
                log.warning("the dead-man address answers again")
            self._failing = False
