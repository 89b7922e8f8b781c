"""Has sheets drawn as PNG by a short-lived process: the watch itself never loads the drawing library.

Loaded in the daemon, it would stay there for good; a process gives everything back. Measured figures stand in the tests.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from dataclasses import asdict
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.texts.composer import PLAIN

if TYPE_CHECKING:  # the watch asks only whether there is something to draw with
    from daemon.shell.report.picture.sheet import Sheet

TIME_LIMIT = 60.0
"""s. A small board takes some seconds, and once, while fonts are listed, much longer."""
PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
PROGRAM = Path(__file__).with_name("draw.py")
REMEDY = "pip install 'pitvigil[report]'"


class NotDrawn(Exception):
    """No picture; the text says why."""


def can_draw() -> bool:
    """The optional drawing library is installed."""
    return find_spec("matplotlib") is not None


class Drawer:
    """cache: where the drawing library may keep its list of fonts; None = its own place. time_limit: s; None = `TIME_LIMIT`."""

    def __init__(self, cache: Path | None = None, time_limit: float | None = None) -> None:
        self._cache, self._time_limit = cache, TIME_LIMIT if time_limit is None else time_limit

    async def draw(self, sheet: Sheet) -> bytes:
        """PNG. Raises NotDrawn when the library is missing, fails or takes too long."""
        if not can_draw():
            raise NotDrawn(PLAIN.words("report.picture.missing", remedy=REMEDY))
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
        if self._cache is not None:
            environment["MPLCONFIGDIR"] = str(self._cache)
        # -I: neither the directory of the program nor the user's own packages are looked in
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-I", str(PROGRAM), env=environment,
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        try:
            async with asyncio.timeout(self._time_limit):
                png, complaint = await process.communicate(json.dumps(asdict(sheet)).encode())
        except TimeoutError:
            raise NotDrawn(PLAIN.words("report.picture.too-slow", limit=self._time_limit)) from None
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        if process.returncode != 0 or not png.startswith(PNG_SIGNATURE):
            last = complaint.decode(errors="replace").strip().rpartition("\n")[2]
            raise NotDrawn(PLAIN.words("report.picture.failed", why=last or str(process.returncode)))
        return png
