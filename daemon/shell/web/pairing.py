"""How a phone gets to the page: the address it can reach, and the code it scans at the terminal."""

from __future__ import annotations

import io
import socket
from collections.abc import Sequence
from ipaddress import IPv6Address, ip_address
from urllib.parse import quote

ELSEWHERE = ("192.0.2.1", 9)
"""An address of nobody (RFC 5737): asking for the way there sends nothing and tells which of ours the network sees."""
WHITE_ON_BLACK, AS_BEFORE = "\x1b[97;40m", "\x1b[0m"
"""Said outright: in a light terminal the code would else be a negative, which not every phone reads."""


def reachable_host(listen: str, hosts: Sequence[str] = ()) -> str | None:
    """Host part of an address under which another device finds the page; None when only this machine can."""
    try:
        address = ip_address(listen)
    except ValueError:
        return None if listen == "localhost" else listen
    if address.is_loopback:
        return None
    if hosts:
        return hosts[0]
    if address.is_unspecified:
        return _own_address()
    return f"[{address}]" if isinstance(address, IPv6Address) else str(address)


def _own_address() -> str:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        try:
            way.connect(ELSEWHERE)
            return str(way.getsockname()[0])
        except OSError:
            return f"{socket.gethostname()}.local"


def login_url(host: str, port: int, token: str, tls: bool = False) -> str:
    """What the QR code in the terminal says."""
    return login_link(f"{host}:{port}", token, tls)


def login_link(authority: str, token: str, tls: bool = False) -> str:
    """authority: host and port as a browser names them."""
    return f"{'https' if tls else 'http'}://{authority}/login?token={quote(token, safe='')}"


def code_rows(url: str) -> list[str]:
    """The QR code of a link as rows of 0 and 1, without its quiet zone."""
    import segno  # not for a watch that invites nobody

    return ["".join("1" if dark else "0" for dark in row) for row in segno.make_qr(url, error="l").matrix]


def pairing_code(url: str) -> list[str]:
    """The QR code (ISO/IEC 18004) of a link, as lines for a terminal."""
    import segno  # not for a watch without a terminal

    drawn = io.StringIO()
    segno.make_qr(url, error="l").terminal(out=drawn, compact=True)
    return [f"{WHITE_ON_BLACK}{line}{AS_BEFORE}" for line in drawn.getvalue().splitlines()]
