"""Word to systemd that the watch is up, alive and going, by its datagram protocol (sd_notify)."""

from __future__ import annotations

import os
import socket

SOCKET_VARIABLE = "NOTIFY_SOCKET"
WATCHDOG_VARIABLE = "WATCHDOG_USEC"


def tell_systemd(state: str) -> bool:
    """Send one state line, such as "READY=1". False when not run by systemd."""
    address = os.environ.get(SOCKET_VARIABLE)
    if not address:
        return False
    if address.startswith("@"):  # an abstract socket is written with a leading @
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
            sender.connect(address)
            sender.sendall(state.encode())
    except OSError:
        return False
    return True


def watchdog_period() -> float | None:
    """s within which systemd wants a ping, or None. Pinging at half of it is the custom."""
    micros = os.environ.get(WATCHDOG_VARIABLE, "")
    return int(micros) / 1e6 if micros.isdigit() and int(micros) > 0 else None
