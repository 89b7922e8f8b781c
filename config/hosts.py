"""A host as it stands in a file: its name or address alone, without a port or a scheme."""

from __future__ import annotations

import re
from contextlib import suppress
from ipaddress import ip_address
from typing import Annotated

from pydantic import AfterValidator

from config.problems import Unfit

_WITH_PORT = re.compile(r"(?:\w+://)?(?:\[([^\]]*)\]|([^:/\s]*)):(\d+)/?")
_NAME = re.compile(r"[\w.-]*")
"""Empty: every address of this machine."""


def _alone(host: str) -> str:
    """Raises Unfit."""
    if _NAME.fullmatch(host):
        return host
    with suppress(ValueError):  # an address of version 6, perhaps with the name of its interface
        ip_address(host)
        return host
    if match := _WITH_PORT.fullmatch(host):
        raise Unfit("file.host-and-port", host=match[1] or match[2] or "", port=match[3])
    raise Unfit("file.host")


Host = Annotated[str, AfterValidator(_alone)]
