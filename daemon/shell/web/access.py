"""Who may ask: token, cookie, host, origin and how often. No request is judged anywhere else."""

from __future__ import annotations

import hmac
import secrets
from collections import deque
from dataclasses import dataclass, field
from hashlib import sha256
from ipaddress import ip_address
from urllib.parse import urlsplit

TOKEN_BYTES = 32
"""256 bits."""
COOKIE = "pitvigil"
LOGIN_TRIES = 10
"""Wrong tokens a minute and address."""
COMMANDS = 120
"""Changing requests a minute and address: more than fingers can send."""
MINUTE = 60.0
BACK_OFF_LIMIT = 3600.0
"""Longest back-off, s."""
ADDRESSES = 256
"""Addresses remembered by a limit; the one quiet longest is forgotten first."""


def new_token() -> str:
    return secrets.token_urlsafe(TOKEN_BYTES)


def long_enough(token: str) -> bool:
    """It can hold 256 bits."""
    return len(token.encode()) >= TOKEN_BYTES


@dataclass(slots=True)
class _Tally:
    times: deque[float] = field(default_factory=deque)
    blocked_until: float = 0.0
    back_off: float = MINUTE


class Limit:
    """At most `count` a minute and address. Whoever goes over waits a minute; then, unless patient, twice as long each
    further time, which is for guessers and never for whoever holds the key."""

    def __init__(self, count: int, patient: bool = False) -> None:
        self._count, self._patient = count, patient
        self._tallies: dict[str, _Tally] = {}

    def wait(self, address: str, now: float) -> float:
        """Seconds this address still has to wait; 0 if it may go on."""
        tally = self._tallies.get(address)
        return 0.0 if tally is None else max(0.0, tally.blocked_until - now)

    def note(self, address: str, now: float) -> None:
        """One more from this address."""
        tally = self._tallies.pop(address, None) or _Tally()
        self._tallies[address] = tally
        if len(self._tallies) > ADDRESSES:
            del self._tallies[next(iter(self._tallies))]
        while tally.times and tally.times[0] <= now - MINUTE:
            tally.times.popleft()
        tally.times.append(now)
        if len(tally.times) >= self._count:
            tally.times.clear()
            tally.blocked_until = now + tally.back_off
            if not self._patient:
                tally.back_off = min(2 * tally.back_off, BACK_OFF_LIMIT)


class KeyStore:
    """Compares in constant time. The cookie is derived from the token: a new token ends every old pairing."""

    def __init__(self, token: str) -> None:
        if not long_enough(token):
            raise ValueError("the page's token must hold at least 256 bits: make one with new_token()")
        self._token = token.encode()
        self.cookie = hmac.new(self._token, b"pitvigil page cookie", sha256).hexdigest()

    def is_token(self, offered: str) -> bool:
        return hmac.compare_digest(offered.encode("utf-8", "surrogatepass"), self._token)

    def is_cookie(self, offered: str) -> bool:
        return hmac.compare_digest(offered.encode("utf-8", "surrogatepass"), self.cookie.encode())


def host_allowed(host: str, names: frozenset[str], reached_at: str) -> bool:
    """Is this Host header one of ours: an allowed name, or the very address the connection came in at?
    A rebound name is neither, whatever it resolves to."""
    try:
        parts = urlsplit(f"//{host}")
        name, _ = parts.hostname, parts.port
    except ValueError:
        return False
    if not name or parts.path or parts.query or parts.fragment or parts.username is not None:
        return False
    if name in names:
        return True
    try:
        return ip_address(name) == ip_address(reached_at.partition("%")[0])
    except ValueError:
        return False


def origin_allowed(origin: str | None, fetch_site: str | None, host: str) -> bool:
    """A browser names where a request was born; only our own page counts. None = the header is absent."""
    if fetch_site not in (None, "same-origin", "none"):
        return False
    return origin is None or (origin.startswith(("http://", "https://")) and origin.partition("://")[2] == host)
