"""The crew's file for its centre: how it is told that a pit has fallen silent."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from config.delivery import AppriseReach, CommandReach, GpioReach, SmtpReach, WebhookReach
from config.devices import Strict

CrewDelivery = Annotated[
    WebhookReach | SmtpReach | CommandReach | GpioReach | AppriseReach, Field(discriminator="kind")
]
"""As in a rig file, but for the broker's topics: a centre's broker takes nothing but what pits write. All of them are told,
whatever their audience."""


class Crew(Strict):
    """state_directory: where it is noted who was told of what, so that a service that starts again tells nothing twice."""

    delivery: tuple[CrewDelivery, ...] = Field(min_length=1)
    state_directory: str = "/var/lib/pitvigil-crew"
