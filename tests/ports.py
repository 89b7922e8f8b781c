"""Ports for the tests: for what has to know its port before it listens. Whatever can listen on port 0 does that instead."""

from __future__ import annotations

import contextlib
import socket

from daemon.commands import free_port as product

TRIES = 200


def free_port() -> int:
    """Outside the ports that are lent to outgoing connections, and nobody's until this process ends.

    Two workers who ask at the same moment are told apart by an abstract Unix address named after the port (unix(7)): the
    kernel gives it to one and takes it back when that one ends. Raises OSError when there is none."""
    for _ in range(TRIES):
        port = product.free_port()
        claim = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        with contextlib.suppress(OSError):
            claim.bind(f"\0pitvigil-test-port-{port}")
            claim.detach()  # open for as long as this process lives
            return port
        claim.close()
    raise OSError("every free port is claimed")


def free_ports(count: int) -> list[int]:
    return [free_port() for _ in range(count)]
