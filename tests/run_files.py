"""Files that many tests of a run need, made by the first who asks, whichever worker that is.

folder = made_once("kept-4.0", lambda folder: ...)   # the others wait, and copy what they change
"""

from __future__ import annotations

import atexit
import fcntl
import os
import shutil
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

FOLDER = "PITVIGIL_TEST_RUN"
"""Where the run keeps them: set by the process that starts the workers, and inherited by them."""


def begin_run() -> Callable[[], None]:
    """Make the run's folder, if an outer process has not. Gives what removes it at the end."""
    if FOLDER in os.environ:
        return lambda: None
    folder = tempfile.mkdtemp(prefix="pitvigil-run-")
    os.environ[FOLDER] = folder

    def end() -> None:
        os.environ.pop(FOLDER, None)
        shutil.rmtree(folder, ignore_errors=True)

    return end


@cache
def _folder() -> Path:
    """Of the run; outside pytest, of this process."""
    atexit.register(begin_run())
    return Path(os.environ[FOLDER])


def made_once(name: str, make: Callable[[Path], object]) -> Path:
    """The folder of that name, filled by `make`: whole or not there, for it is renamed when it is done, and the lock of whoever
    dies over it falls to the next."""
    done = _folder() / name
    with (_folder() / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not done.exists():
            part = Path(tempfile.mkdtemp(prefix=f"{name}.", dir=_folder()))
            make(part)
            part.rename(done)
    return done
