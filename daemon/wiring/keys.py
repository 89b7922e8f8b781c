"""The page's key: where it is kept, and how whoever may have it gets it to a phone."""

from __future__ import annotations

import logging
from pathlib import Path

from config.rig import PageSection
from daemon.shell.state.secrets import SecretRefused, read_secret
from daemon.shell.state.whole_file import write_whole
from daemon.shell.web.access import long_enough, new_token
from daemon.shell.web.pairing import login_url, pairing_code, reachable_host
from daemon.texts.composer import PLAIN

log = logging.getLogger(__name__)

KEY_FILE = "page-token"


def page_key(section: PageSection, state: Path) -> str:
    """From the file the rig names, else from the state directory, where a watch that runs has put it. Raises SecretRefused."""
    if section.token_file:
        return read_secret(section.token_file)
    try:
        (state / KEY_FILE).stat()
    except (FileNotFoundError, NotADirectoryError):
        raise SecretRefused(PLAIN.words("command.key.no-watch", state=str(state))) from None
    except OSError:
        pass  # there, and not for us: read_secret says so
    return read_secret(str(state / KEY_FILE))


def page_key_made(section: PageSection, state: Path) -> str:
    """The same; made where the rig names no file and there is none, or one that a power cut or a full disk left empty or
    short, that others may have read or that cannot be read. A key that cannot be kept is good until the watch ends: no disk
    may keep it from starting. Raises SecretRefused for a file named in the rig."""
    path = state / KEY_FILE
    if section.token_file:
        return page_key(section, state)
    if path.exists():
        try:
            key = read_secret(str(path))
        except SecretRefused as error:
            log.warning("%s; a new key is made, so every phone must be paired again", error)
        else:
            if long_enough(key):
                return key
            log.warning("%s: cut short; a new key is made, so every phone must be paired again", path)
    key = new_token()
    try:
        write_whole(path, key + "\n")
    except OSError as error:
        log.error("the page's key cannot be kept (%s): it is good until the watch ends", error.strerror)
    return key


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
    lines = [*(pairing_code(link) if host else []), PLAIN.words("command.key.page", link=link)]
    if host is None:
        lines.append(PLAIN.words("command.key.unreachable"))
    return lines
