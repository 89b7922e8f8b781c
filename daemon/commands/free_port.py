"""A TCP port for what is started a moment later."""

from __future__ import annotations

import contextlib
import errno
import random
import socket
from pathlib import Path

LENT = Path("/proc/sys/net/ipv4/ip_local_port_range")
"""The ports the system lends to outgoing connections (Linux, ip-sysctl)."""
LENT_ELSEWHERE = 32768, 65535
"""Where that file is missing: Linux's own 32768 to 60999 and what RFC 6335 calls dynamic, 49152 to 65535."""
FROM = 10_000
"""Below live the services that a home really runs."""
TRIES = 200


def free_port() -> int:
    """A loopback port that nobody listens on and that the system lends to nobody.

    A lent one would not do: until the service listens, a client that tries it may be given the very same port for its own
    end. TCP then connects it to itself (RFC 9293, 3.5, simultaneous open), and the service finds its port taken.
    Raises OSError (EADDRINUSE) when every port that was tried is taken."""
    ports = candidates()
    for port in random.SystemRandom().sample(ports, min(TRIES, len(ports))):
        with contextlib.suppress(OSError), socket.create_server(("127.0.0.1", port)):
            return port
    raise OSError(errno.EADDRINUSE, "no free port")


def candidates(lent: Path = LENT) -> list[int]:
    """Every port from FROM on that is not lent; all of them where a system lends all."""
    try:
        low, high = (int(word) for word in lent.read_text().split())
    except (OSError, ValueError):
        low, high = LENT_ELSEWHERE
    return [port for port in range(FROM, 65536) if not low <= port <= high] or list(range(FROM, 65536))
