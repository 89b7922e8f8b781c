"""Whose connections are kept when there are too many: whoever has shown the key keeps theirs, and guests share the rest.

A page on somebody else's phone, or a program that opens connections for fun, must never keep the cook out. So a newcomer,
who may be the cook, always gets in: for it goes the oldest connection of the address that has most without the key.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from aiohttp import web


class Connections:
    """limit: how many there may be before guests' are closed."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._known: set[web.RequestHandler] = set()

    def known(self, connection: web.RequestHandler) -> None:
        """It has shown the key."""
        self._known.add(connection)

    def is_known(self, connection: web.RequestHandler) -> bool:
        return connection in self._known

    def make_room(self, connections: Sequence[web.RequestHandler]) -> None:
        """connections: those that are open, the oldest first."""
        self._known.intersection_update(connections)
        if len(connections) < self._limit:
            return
        guests = [c for c in connections if c.transport is not None and c not in self._known]
        if not guests:
            return
        by_address = Counter(map(_address, guests))
        worst = max(by_address, key=by_address.__getitem__)
        oldest = next(c for c in guests if _address(c) == worst)
        assert oldest.transport is not None
        oldest.transport.abort()


def _address(connection: web.RequestHandler) -> str:
    peer = connection.transport.get_extra_info("peername") if connection.transport is not None else None
    return str(peer[0]) if peer else ""
