"""Secrets come from files only: a systemd credential or a 0600 file. A looser file is refused; none is ever shown."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from daemon.shell.state.regular_file import kind_of_other, read_regular
from daemon.texts.composer import PLAIN

CREDENTIALS_VARIABLE = "CREDENTIALS_DIRECTORY"
"""Set by systemd for LoadCredential=; readable by the service alone."""


class SecretRefused(Exception):
    """The file is missing or others may read it. The text names the file and the remedy, never the secret."""


class SecretDamaged(SecretRefused):
    """The file is there and private, and no secret is in it."""


def read_secret(name: str) -> str:
    """First line of the file `name`: a credential of that name if systemd gave one, else a path with mode 0600."""
    directory = os.environ.get(CREDENTIALS_VARIABLE)
    if directory and "/" not in name and (Path(directory) / name).is_file():
        return _first_line(Path(directory) / name)
    path = Path(name)
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
    except OSError as error:
        raise SecretRefused(PLAIN.words("secret.missing", path=name, why=error.strerror or "")) from None
    if kind := kind_of_other(path):
        raise SecretDamaged(PLAIN.words("secret.no-file", path=str(path), kind=kind))
    if mode & 0o077:
        raise SecretRefused(PLAIN.words("secret.open", path=name))
    return _first_line(path)


def _first_line(path: Path) -> str:
    try:
        lines = read_regular(path).decode("utf-8").splitlines()
    except UnicodeDecodeError:
        raise SecretDamaged(PLAIN.words("secret.no-text", path=str(path))) from None
    except OSError as error:
        raise SecretRefused(PLAIN.words("secret.unread", path=str(path), why=error.strerror or "")) from None
    if not lines or not lines[0].strip():
        raise SecretDamaged(PLAIN.words("secret.empty", path=str(path)))
    return lines[0].strip()
