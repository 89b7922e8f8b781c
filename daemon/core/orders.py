"""What a person says or asks: marks, readings by hand, commands. Each is an input of the core, and is journalled as one.

All are frozen and made of plain values, as every input is (`daemon.core.inputs`). by: who said so.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from daemon.core.planned import KeptPlan, ReminderSettings
from daemon.core.settings import Band, CookSettings, PieceSettings

BACK_DATED_AT_MOST = 12 * 3600.0
"""s before now at which something may have been done: an older mark is a slip. Our choice."""
SPOT_COLDEST, SPOT_HOTTEST = -20.0, 120.0
"""°C between which a core read by hand can be: frozen through, and hotter than any wet meat gets."""


class MarkKind(StrEnum):
    """What the cook did. The values are the words of the CSV `mark` column."""

    FIRE_LIT = "fire-lit"
    MEAT_ON = "meat-on"
    LOG = "log"
    LID_OPEN = "lid-open"
    LID_CLOSED = "lid-closed"
    DAMPER = "damper"
    WRAPPED = "wrapped"
    PROBED_TENDER = "probed-tender"
    OFF = "off"
    REST = "rest"
    HOLD = "hold"
    CHILL = "chill"
    SERVE = "serve"


@dataclass(frozen=True, slots=True)
class Mark:
    """The cook says what was done. piece: piece id, or None for the pit or for all pieces. by: who said so. at: engine time at
    which it was done, for a mark that was forgotten; None = now."""

    kind: MarkKind
    piece: str | None = None
    by: str = "cook"
    note: str = ""
    at: float | None = None
    pit: str = ""
    """Which pit, of a mark that speaks of no piece; "": the first, or the only one."""


SPOT = "spot"
"""What a spot reading is called where a mark is named."""


@dataclass(frozen=True, slots=True)
class TakeBack:
    """What was said was wrong: from now on as if it had not been said, as far as that can be known. what: a MarkKind value, or
    SPOT for a spot reading. said_at: engine time at which it was said; None = the newest of its kind. A mark at a wrong time
    is taken back and made anew."""

    what: str
    piece: str | None = None
    said_at: float | None = None
    by: str = "cook"
    pit: str = ""


@dataclass(frozen=True, slots=True)
class SpotReading:
    """A core temperature taken by hand, °C. where: in the piece; thermometer: with what; tolerance: ± °C of it.
    at: engine time at which it was taken, None = now."""

    piece: str
    celsius: float
    where: str = ""
    thermometer: str = ""
    tolerance: float = 1.0
    by: str = "cook"
    at: float | None = None


@dataclass(frozen=True, slots=True)
class ChooseSpot:
    """The handheld probe reads this piece: the reading that waits for its piece, or else the next that settles."""

    piece: str
    by: str


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """A person has seen the alarm. alarm: alarm key, or "*" for every unacknowledged one. Silences, never solves."""

    alarm: str
    by: str


@dataclass(frozen=True, slots=True)
class Shelve:
    """Take an alarm away for a while, by name and with a reason. seconds is capped by settings (2 h)."""

    alarm: str
    seconds: float
    reason: str
    by: str


@dataclass(frozen=True, slots=True)
class Unshelve:
    alarm: str
    by: str


@dataclass(frozen=True, slots=True)
class OutOfService:
    """Take an alarm out of service (day only, banner shown) or put it back."""

    alarm: str
    out: bool
    reason: str
    by: str


@dataclass(frozen=True, slots=True)
class PauseSound:
    """Silence repeats of what is already announced for at most 15 min. Never mutes a new or worse alarm."""

    seconds: float
    by: str


@dataclass(frozen=True, slots=True)
class SetBand:
    """pit: "" is the first, or the only one."""

    band: Band
    by: str
    pit: str = ""


@dataclass(frozen=True, slots=True)
class AskWrap:
    """What if this piece were wrapped at a core of so many °C? Answered in every forecast from now on; None: no longer."""

    piece: str
    celsius: float | None
    by: str


@dataclass(frozen=True, slots=True)
class StartCook:
    cook: CookSettings
    by: str


@dataclass(frozen=True, slots=True)
class AddPiece:
    """Another piece joins the running cook."""

    piece: PieceSettings
    by: str


@dataclass(frozen=True, slots=True)
class RemovePiece:
    """A piece leaves the cook: served, given away, or named by mistake."""

    piece: str
    by: str


@dataclass(frozen=True, slots=True)
class MoveProbe:
    """From now on this piece is read by another channel; None: by none, and it goes on without. A piece that had that
    probe takes the other."""

    piece: str
    channel: str | None
    by: str


@dataclass(frozen=True, slots=True)
class MovePiece:
    """From now on this piece is cooked on another pit, with its probe."""

    piece: str
    pit: str
    by: str


@dataclass(frozen=True, slots=True)
class ChangePiece:
    """A piece of the running cook as it is meant from now on, told by its id: what it went through stays."""

    piece: PieceSettings
    by: str


@dataclass(frozen=True, slots=True)
class ChangeCook:
    """The running cook as it is meant from now on. Pieces are told apart by id: what one went through stays."""

    cook: CookSettings
    by: str


@dataclass(frozen=True, slots=True)
class KeepPlan:
    """The cook agrees to a plan: its times become prompts, until another is kept. None: no plan any more."""

    plan: KeptPlan | None
    by: str


@dataclass(frozen=True, slots=True)
class AddReminder:
    """A reminder of the cook's own; one of the same id is replaced and counts anew."""

    reminder: ReminderSettings
    by: str


@dataclass(frozen=True, slots=True)
class RemoveReminder:
    reminder: str
    by: str


@dataclass(frozen=True, slots=True)
class ReminderDone:
    """What a reminder asks for was done, called or not: it counts anew from here. reminder: its id, or "grease-tray",
    with several pits "grease-tray/drum"."""

    reminder: str
    by: str


@dataclass(frozen=True, slots=True)
class CountWood:
    """So many splits are at hand now."""

    splits: int
    by: str


@dataclass(frozen=True, slots=True)
class EndCook:
    by: str


@dataclass(frozen=True, slots=True)
class GoToSleep:
    """ "I am going to sleep": asks for the green list and the nap window."""

    by: str


@dataclass(frozen=True, slots=True)
class GoodMorning:
    """Ends the nap and asks for the morning account."""

    by: str


@dataclass(frozen=True, slots=True)
class TestWake:
    """Send a test wake to every wake channel now. It counts for the green list once acknowledged."""

    __test__ = False  # not a test class, whatever pytest thinks of the name

    by: str


@dataclass(frozen=True, slots=True)
class JudgeWake:
    """One tap in the morning: was that wake needed?"""

    notification: str
    needed: bool
    by: str


@dataclass(frozen=True, slots=True)
class HandOver:
    """From now on another person has the watch. to: the name; note: what whoever takes over must know."""

    to: str
    by: str
    note: str = ""


class SafetyDeed(StrEnum):
    """What was done with a piece that a safety alarm spoke of."""

    REHEATED = "reheated"
    CHILLED = "chilled"
    SERVED = "served"
    THROWN_AWAY = "thrown-away"
    IN_ORDER = "in-order"
    """Checked, and nothing was wrong with the meat."""


@dataclass(frozen=True, slots=True)
class TellDeed:
    """The answer to what was done about a safety alarm of a piece. piece: piece id."""

    piece: str
    deed: SafetyDeed
    by: str
    note: str = ""


Order = (
    Acknowledge
    | Shelve
    | Unshelve
    | OutOfService
    | PauseSound
    | SetBand
    | AskWrap
    | StartCook
    | AddPiece
    | RemovePiece
    | MoveProbe
    | MovePiece
    | ChangePiece
    | ChangeCook
    | KeepPlan
    | AddReminder
    | RemoveReminder
    | ReminderDone
    | CountWood
    | EndCook
    | GoToSleep
    | GoodMorning
    | TestWake
    | JudgeWake
    | HandOver
    | TellDeed
    | Mark
    | TakeBack
    | SpotReading
    | ChooseSpot
)
"""What a person says or asks."""
