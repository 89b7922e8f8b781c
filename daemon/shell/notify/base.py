"""What a delivery channel is: it tries once to send one message and says how it went. Retry is the outbox's."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Message:
    """One message as a person gets it. id: for receivers that de-duplicate. level: "wake", "notice" or "log".
    loud: the "louder" step of an escalation. attachment: PNG bytes, or None. alarm: key, "" if none."""

    id: str
    level: str
    title: str
    text: str
    alarm: str = ""
    loud: bool = False
    time: str = ""
    """RFC 3339 UTC of the event"""
    attachment: bytes | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        """No line ends and no control characters: a program's argument cannot hold a NUL, nor a mail's subject a line feed,
        and a message with a strange name in it must arrive all the same."""
        object.__setattr__(self, "title", _one_line(self.title))
        object.__setattr__(self, "text", _one_line(self.text))

    def told(self) -> dict[str, str | bool]:
        """What a program that receives it as JSON is told, without the picture."""
        return {
            "id": self.id,
            "level": self.level,
            "title": self.title,
            "text": self.text,
            "alarm": self.alarm,
            "loud": self.loud,
            "time": self.time,
        }


def _one_line(text: str) -> str:
    return "".join(one if one.isprintable() else " " for one in text)


class TemporaryFailure(Exception):
    """Time-out, refused connection, 5xx, 429: worth another try. `retry_after` in s when the receiver said so."""

    def __init__(self, text: str, retry_after: float | None = None) -> None:
        super().__init__(text)
        self.retry_after = retry_after


class PermanentFailure(Exception):
    """Bad credentials, certificate not trusted, 4xx: the same message will fail again. Never bypassed."""


class DeliveryChannel(Protocol):
    """One configured way to reach a person. `name` is the rig's name for it."""

    name: str

    async def send(self, message: Message) -> None:
        """Try once, within 15 s. Raises TemporaryFailure or PermanentFailure; returns when accepted by the receiver."""
        ...

    async def close(self) -> None: ...
