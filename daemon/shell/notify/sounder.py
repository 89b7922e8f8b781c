"""A sounder in the house: any program, started without a shell, ended after a while. Works without a network."""

from __future__ import annotations

import asyncio
import contextlib

from daemon.shell.notify.base import Message, PermanentFailure, TemporaryFailure


class Sounder:
    """command: program and arguments; the message's text is added as the last argument when `speaks`.
    A program that still runs after `seconds` has sounded long enough: it is ended, and that is success."""

    def __init__(self, name: str, command: tuple[str, ...], seconds: float, speaks: bool = True) -> None:
        self.name, self._command, self._seconds, self._speaks = name, command, seconds, speaks

    async def send(self, message: Message) -> None:
        arguments = [*self._command, message.text] if self._speaks else list(self._command)
        try:
            process = await asyncio.create_subprocess_exec(
                *arguments, stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
            )  # fmt: skip
        except OSError as error:
            raise PermanentFailure(f"{self._command[0]}: {error.strerror}") from None
        try:
            async with asyncio.timeout(self._seconds):
                code = await process.wait()
        except TimeoutError:
            return
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        if code != 0:
            raise TemporaryFailure(f"{self._command[0]} ended with {code}")

    async def close(self) -> None:
        return None


def gpio_sounder(name: str, chip: str, line: int, seconds: float) -> Sounder:
    """A buzzer on a GPIO line, by libgpiod's own tool: it holds the line high while it runs."""
    command = ("gpioset", "--mode=time", f"--sec={max(1, round(seconds) - 1)}", chip, f"{line}=1")
    return Sounder(name, command, seconds + 1, speaks=False)
