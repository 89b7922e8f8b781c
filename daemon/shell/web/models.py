"""What the page may be told and what it answers. Unknown keys are errors. All of it is in the OpenAPI document."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from config.cook import Cook
from config.cuts import Cut
from config.rig import BandSection
from daemon.core.inputs import MarkKind
from daemon.shell.web.contract import CookCurve, CookRow, WakeRow

Who = Annotated[str, Field(min_length=1, max_length=40)]
Key = Annotated[str, Field(min_length=1, max_length=80)]
PAUSE_LIMIT = 15 * 60.0
"""s. The core caps it again by its own settings."""
SHELVE_LIMIT = 2 * 3600.0
"""s. The core caps it again by its own settings."""


class Body(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class By(Body):
    """by: who says so."""

    by: Who = "page"


class Login(Body):
    token: str = Field(max_length=200)


class AcknowledgeOrder(By):
    """alarm: alarm key, or "*" for all."""

    alarm: Key


class PauseOrder(By):
    seconds: float = Field(default=PAUSE_LIMIT, gt=0, le=PAUSE_LIMIT)


class ShelveOrder(By):
    alarm: Key
    seconds: float = Field(gt=0, le=SHELVE_LIMIT)
    reason: str = Field(min_length=1, max_length=120)


class UnshelveOrder(By):
    alarm: Key


class MarkOrder(By):
    """piece: piece id; absent for the pit or for all pieces."""

    kind: MarkKind
    piece: str | None = Field(default=None, max_length=40)
    note: str = Field(default="", max_length=200)


class JudgeOrder(By):
    notification: Key
    needed: bool


class BandOrder(By):
    band: BandSection


class CookOrder(By):
    """The same cook file as `pitvigil` reads, as JSON."""

    cook: Cook


class Taken(Body):
    """The command was put in the queue; the next snapshot shows what came of it."""

    taken: bool = True


class Problem(Body):
    """What was wrong and, where there is one, the remedy."""

    problem: str
    where: str = ""


class PageFacts(Body):
    """What a page must know before it may see anything. chart: the chart library was installed."""

    paired: bool
    open_view: bool
    fahrenheit: bool
    chart: bool


class Cuts(Body):
    cuts: dict[str, Cut]


class Cooks(Body):
    cooks: tuple[CookRow, ...]


class Comparison(Body):
    curves: tuple[CookCurve, ...]


class Wakes(Body):
    wakes: tuple[WakeRow, ...]
