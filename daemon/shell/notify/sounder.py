"""A sounder in the house: any program, started without a shell, ended after a while. Works without a network.

The message comes three ways, for a program takes what it understands: its text as one line of standard input; text, title, level
and alarm in the environment (`PITVIGIL_TEXT` and so on); and in the place of `{text}` or `{level}` in an argument.
"""

from __future__ import annotations

import asyncio
import contextlib
import os

from daemon.shell.notify.base import Message, PermanentFailure, TemporaryFailure
from daemon.texts.composer import PLAIN


class Sounder:
    """command: program and arguments, in which `{text}` and `{level}` stand for those of the message.
    A program that still runs after `seconds` has sounded long enough: it is ended, and that is success."""

    def __init__(self, name: str, command: tuple[str, ...], seconds: float) -> None:
        self.name, self._command, self._seconds = name, command, seconds

    async def send(self, message: Message) -> None:
        program, *arguments = self._command
        try:
            process = await asyncio.create_subprocess_exec(
                program, *(_filled(argument, message) for argument in arguments), env=os.environ | _environment(message),
                stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
            )  # fmt: skip
        except OSError as error:
            raise PermanentFailure(f"{program}: {error.strerror}") from None
        try:
            async with asyncio.timeout(self._seconds):
                await process.communicate(f"{message.text}\n".encode())  # one that does not read it is no failure
        except TimeoutError:
            return
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        if process.returncode != 0:
            raise TemporaryFailure(PLAIN.words("reach.program", program=program, code=process.returncode))

    async def close(self) -> None:
        return None


def _filled(argument: str, message: Message) -> str:
    """A text that fills the whole argument begins with no hyphen: no program takes a message for an option."""
    level = argument.replace("{level}", message.level)
    filled = level.replace("{text}", message.text)
    return filled.lstrip("-") if level.startswith("{text}") else filled


def _environment(message: Message) -> dict[str, str]:
    return {
        "PITVIGIL_TEXT": message.text,
        "PITVIGIL_TITLE": message.title,
        "PITVIGIL_LEVEL": message.level,
        "PITVIGIL_ALARM": message.alarm,
        "PITVIGIL_LOUD": "1" if message.loud else "0",
    }


def gpio_sounder(name: str, chip: str, line: int, seconds: float) -> Sounder:
    """A buzzer on a GPIO line, by libgpiod's own tool: it holds the line high while it runs."""
    command = ("gpioset", "--mode=time", f"--sec={max(1, round(seconds) - 1)}", chip, f"{line}=1")
    return Sounder(name, command, seconds + 1)
