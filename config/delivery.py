"""Ways to reach a person: one frozen model a kind. `audience` says what it is used for."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from config.devices import Strict
from config.hosts import Host

Audience = Literal["phone", "louder", "sounder", "second", "notice"]


class Reach(Strict):
    """name: how the rig and the journal call it. audience: who hears it: "phone" (the cook), "louder" (a repeat that
    must be heard), "sounder" (in the house), "second" (another person), "notice" (silent)."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,31}$")
    audience: tuple[Audience, ...] = Field(min_length=1)


class ReachWithChart(Reach):
    """chart: a small picture of the last six hours goes along, when the optional `matplotlib` is installed
    (pip install 'pitvigil[report]'). No message waits for it."""

    chart: bool = False


class MqttReach(Reach):
    """Alarm messages on the broker of [broker], topic pitvigil/<pit>/announce/<name>."""

    kind: Literal["mqtt"]


class WebhookReach(ReachWithChart):
    """POST of JSON, signed: header X-Pitvigil-Signature = hex HMAC-SHA256 of the body under the secret. The body's
    `picture` is a PNG in base64, or null: one body, one signature."""

    kind: Literal["webhook"]
    url: str = Field(pattern=r"^https?://")
    secret_file: str | None = None
    ca_file: str | None = None


class SmtpReach(ReachWithChart):
    kind: Literal["smtp"]
    host: Host
    port: int = Field(default=587, ge=1, le=65535)
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str | None = None
    password_file: str | None = None
    sender: str
    to: tuple[str, ...] = Field(min_length=1)
    ca_file: str | None = None


class CommandReach(Reach):
    """A local sounder: a program started without a shell, and ended after `seconds`. The message's text is its standard input and
    `PITVIGIL_TEXT` (its level `PITVIGIL_LEVEL`), and stands for `{text}` in an argument, its level for `{level}`."""

    kind: Literal["command"]
    command: tuple[str, ...] = Field(min_length=1)
    seconds: float = Field(default=15.0, gt=0, le=15)


class GpioReach(Reach):
    """A buzzer on a GPIO line, driven through the kernel's character device by the `gpioset` program."""

    kind: Literal["gpio"]
    chip: str = "gpiochip0"
    line: int = Field(ge=0, le=255)
    seconds: float = Field(default=10.0, gt=0, le=15)


class AppriseReach(ReachWithChart):
    """Any service the optional `apprise` library knows (pip install 'pitvigil[push]'). The URL holds secrets: 0600 file."""

    kind: Literal["apprise"]
    url_file: str


Delivery = Annotated[
    MqttReach | WebhookReach | SmtpReach | CommandReach | GpioReach | AppriseReach, Field(discriminator="kind")
]
