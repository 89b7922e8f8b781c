"""The page's key: where it is kept, and how whoever may have it gets it to a phone."""

from __future__ import annotations

import os
from pathlib import Path

from config.rig import PageSection
from daemon.shell.secrets import read_secret
from daemon.shell.web.access import new_token
from daemon.shell.web.pairing import pairing_code, reachable_host
from daemon.shell.web.server import login_url

KEY_FILE = "page-token"


def page_key(section: PageSection, state: Path) -> str:
    """From the file the rig names, else from the state directory. Raises SecretRefused."""
    return read_secret(section.token_file or str(state / KEY_FILE))


def page_key_made(section: PageSection, state: Path) -> str:
    """The same; made once, with mode 0600, where the rig names no file. Raises SecretRefused."""
    path = state / KEY_FILE
    if not section.token_file and not path.exists():
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(new_token() + "\n")
    return page_key(section, state)


def address_of(section: PageSection) -> str:
    """Where the page is, without its key: for a log."""
    return f"http://{reachable_host(section.listen, section.hosts) or section.listen}:{section.port}"


def shown_address(section: PageSection) -> str:
    """The page for others in the house to click on; "" where nobody but this machine can reach it."""
    host = reachable_host(section.listen, section.hosts)
    return f"http://{host}:{section.port}" if host and section.port else ""


def invitation(section: PageSection, key: str) -> list[str]:
    """The page with its key, as lines for a terminal: a code to scan where a phone can reach the page, and the link."""
    host = reachable_host(section.listen, section.hosts)
    link = login_url(host or section.listen, section.port, key)
    lines = [*(pairing_code(link) if host else []), f"page: {link}"]
    if host is None:
        lines.append('a phone cannot reach it there: set listen = "0.0.0.0" under [page] to let it')
    return lines
