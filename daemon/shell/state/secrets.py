"""Secrets come from files only: a systemd credential or a 0600 file. A looser file is refused; none is ever shown."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from daemon.shell.state.regular_file import kind_of_other, read_regular

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
        raise SecretRefused(f"{name}: {error.strerror}; create it with mode 0600") from None
    if kind := kind_of_other(path):
        raise SecretDamaged(f"{path}: a {kind}; the secret belongs in a file")
    if mode & 0o077:
        raise SecretRefused(f"{name}: others may read it (mode {mode:04o}); run: chmod 600 {name}")
    return _first_line(path)


def _first_line(path: Path) -> str:
    try:
        lines = read_regular(path).decode("utf-8").splitlines()
    except UnicodeDecodeError:
        raise SecretDamaged(f"{path}: not text; the secret belongs on its first line") from None
    except OSError as error:
        raise SecretRefused(f"{path}: {error.strerror}") from None
    if not lines or not lines[0].strip():
        raise SecretDamaged(f"{path}: empty; the secret belongs on its first line")
    return lines[0].strip()
