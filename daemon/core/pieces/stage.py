"""A piece's stage, from its readings and from the cook's marks. The whole machine is the table `NEXT`.

Marks are believed. Readings alone move a piece where they can mean only one thing; where they could mean two
(a core that falls in a hot pit: off, or a moved probe?) the piece stays and a question is asked.
A `StageChanged` whose `before` equals its `after` carries such a question.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from math import isnan
from typing import Any

from daemon.core.events import StageChanged
from daemon.core.orders import Mark, MarkKind
from daemon.core.pieces.seat import FASTEST_CORE
from daemon.core.said import Said, Text, plain, said, say
from daemon.core.settings import PieceSettings

# Every number below: common practice, no source.
HOT_PIT = 80.0
"""°C: a pit that cooks."""
COLD_PIT = 60.0
"""°C: a pit that does not cook."""
RISING = 0.08
"""°C/min (5 °C/h): faster than meat warms on a table for long."""
RISEN = 2.0
"""°C above where it was put on: the core answers."""
ANSWERS_IN = 60
"""Minutes over a pit in its band within which a core answers (all of 120 simulated pieces of up to 0.15 m: 48 at most)."""
NO_ANSWER = 3.0
"""°C about where it was put on: no answer. Further down, a warm probe has only taken on the cold of its meat."""
WARM_CORE = 40.0
"""°C: a core this warm in a hot pit has been cooking."""
HOLDS_FOR = 10
"""Minutes a sign from readings must hold before a piece is believed to be on."""
TENDER_FOR = 3
"""Minutes at the tender range or the target."""
SLIPPED = 3.0
"""°C under the tender range, for HOLDS_FOR minutes: it was not there yet (a probe was moved)."""
FALLS = -0.15
"""°C/min (9 °C/h) in a pit hotter than the core: off the pit, or a moved probe."""
FALLEN = 2.0
"""°C of such a fall before asking."""
WRAP_DIP = 30 * 60.0
"""s after wrapping during which a fall of the core is the probe put back in."""
REST_AFTER = 10 * 60.0
"""s off the pit after which a piece is resting, unless marked otherwise."""
STILL_HEATING = 10.0
"""°C above the core at the off mark: more than carry-over explains."""
COOLER = 5.0
"""°C under the core at the off mark: it is off, for no stall loses as much. Common practice, no source."""
AS_HOT = 1.0
"""°C under the core at the off mark: meat that is off has lost more once its carry-over is done."""
CARRIES_OVER = 60 * 60.0
"""s off the pit after which carry-over is done; a second such time without a fall is no rest, not even in a box."""
EARLY_TENDER = 6.0
"""°C under the tender range at which a tender mark is questioned."""
SPOT_QUESTION, COOLS_QUESTION, COLD_PIT_QUESTION = "question.spot", "question.cools", "question.cold-pit"
HEATS_QUESTION = "question.still-heats"
"""Key of the question whether a piece that is marked off is off."""
WRAP_QUESTION, SLID_QUESTION = "question.wrap-unsaid", "question.slid-out"
"""Keys of the question that a spot reading leads to, of those that end by themselves, and of the forecaster's."""
CLIMB_QUESTION = "question.climbs-again"
EARLY_WRAP = 15.0
"""°C under the wrap target at which a wrap mark is questioned."""


def is_question(question: Text, key: str) -> bool:
    """It is this question."""
    return isinstance(question, Said) and question.key == key


def asks_about_spot(question: Text) -> bool:
    return is_question(question, SPOT_QUESTION)


def asks_about_wrap(question: Text) -> bool:
    """By the readings or by the forecast: to the cook it is one question."""
    return is_question(question, WRAP_QUESTION) or is_question(question, CLIMB_QUESTION)


class PiecePhase(StrEnum):
    WAITING = "waiting"
    ON = "on"
    COOKING = "cooking"
    STALL = "stall"
    PAST_STALL = "past-stall"
    WRAPPED = "wrapped"
    TENDER_RANGE = "tender-range"
    OFF = "off"
    REST = "rest"
    HOLD = "hold"
    CHILL = "chill"
    DONE = "done"


class PieceSign(StrEnum):
    """What one minute shows, in the order in which it is heeded. The value is the key of the reason given to the cook."""

    AT_TENDER = "seen.piece.at-tender"
    SLIPPED_WRAPPED = "seen.piece.slipped-wrapped"
    SLIPPED = "seen.piece.slipped"
    STALLED = "seen.piece.stalled"
    CLIMBS_AGAIN = "seen.piece.climbs-again"
    ANSWERS = "seen.piece.answers"
    WARM_IN_HOT_PIT = "seen.piece.warm-in-hot-pit"
    RISES_IN_HOT_PIT = "seen.piece.rises-in-hot-pit"
    RESTED = "seen.piece.rested"


_P, _S, _M = PiecePhase, PieceSign, MarkKind
_LEAVES: dict[PieceSign | MarkKind, PiecePhase] = {
    _M.OFF: _P.OFF,
    _M.REST: _P.REST,
    _M.HOLD: _P.HOLD,
    _M.CHILL: _P.CHILL,
    _M.SERVE: _P.DONE,
}
_COOKS: dict[PieceSign | MarkKind, PiecePhase] = {
    **_LEAVES,
    _M.WRAPPED: _P.WRAPPED,
    _M.PROBED_TENDER: _P.TENDER_RANGE,
    _S.AT_TENDER: _P.TENDER_RANGE,
}

NEXT: dict[PiecePhase, dict[PieceSign | MarkKind, PiecePhase]] = {
    _P.WAITING: {_M.MEAT_ON: _P.ON, _S.WARM_IN_HOT_PIT: _P.ON, _S.RISES_IN_HOT_PIT: _P.ON, _M.WRAPPED: _P.WRAPPED},
    _P.ON: {**_COOKS, _S.ANSWERS: _P.COOKING},
    _P.COOKING: {**_COOKS, _S.STALLED: _P.STALL},
    _P.STALL: {**_COOKS, _S.CLIMBS_AGAIN: _P.PAST_STALL},
    _P.PAST_STALL: {**_COOKS, _S.STALLED: _P.STALL},
    _P.WRAPPED: {k: v for k, v in _COOKS.items() if k is not _M.WRAPPED},
    _P.TENDER_RANGE: {
        **_LEAVES,
        _M.WRAPPED: _P.WRAPPED,
        _S.SLIPPED_WRAPPED: _P.WRAPPED,
        _S.SLIPPED: _P.COOKING,
    },
    _P.OFF: {
        _M.MEAT_ON: _P.COOKING,
        _M.REST: _P.REST,
        _M.HOLD: _P.HOLD,
        _M.CHILL: _P.CHILL,
        _M.SERVE: _P.DONE,
        _S.RESTED: _P.REST,
    },
    _P.REST: {_M.MEAT_ON: _P.COOKING, _M.HOLD: _P.HOLD, _M.CHILL: _P.CHILL, _M.SERVE: _P.DONE},
    _P.HOLD: {_M.MEAT_ON: _P.COOKING, _M.REST: _P.REST, _M.CHILL: _P.CHILL, _M.SERVE: _P.DONE},
    _P.CHILL: {_M.MEAT_ON: _P.COOKING, _M.HOLD: _P.HOLD, _M.SERVE: _P.DONE},
    _P.DONE: {_M.MEAT_ON: _P.COOKING, _M.HOLD: _P.HOLD, _M.CHILL: _P.CHILL},
}
"""stage -> mark or sign -> next stage. What has no row is ignored in that stage."""

ON_THE_PIT = frozenset({_P.ON, _P.COOKING, _P.STALL, _P.PAST_STALL, _P.WRAPPED, _P.TENDER_RANGE})
AFTER_THE_PIT = frozenset({_P.OFF, _P.REST, _P.HOLD, _P.CHILL, _P.DONE})


@dataclass(frozen=True, slots=True)
class PieceSigns:
    """What is known about a piece this minute. °C, NaN = unknown; slope °C per minute over 10 min."""

    core: float
    slope: float
    pit: float
    stalled: bool
    in_band: bool = False
    """The pit is in its band."""


class PieceStage:
    """`stage` since `since` (engine time, s). `question`: what the cook has not yet answered, or "".
    on_at by readings alone is when the core was seen to rise, which is later than when it was put on: a mark puts it right."""

    stage: PiecePhase = PiecePhase.WAITING
    since: float = 0.0
    on_at: float | None = None
    off_at: float | None = None
    wrapped_at: float | None = None
    question: Text = ""

    def __init__(self, piece: PieceSettings) -> None:
        self.piece = piece
        self._goal = piece.tender_low if piece.tender_low is not None else piece.target
        self._cores: list[float] = []
        """The last known cores, °C, oldest first, at most HOLDS_FOR + 1."""
        self._pit = float("nan")
        self._core_on: float | None = None
        self._core_off: float | None = None
        self._stays_hot: tuple[float, float] | None = None
        """(since when, from which core) it has not cooled over a pit that cooks, though it is marked off."""
        self._in_band = 0
        """Minutes that the pit was in its band since the piece went on."""
        self._asked: list[Text] = []
        """Questions already put in this stage, so that none is asked twice."""

    def minute(self, now: float, signs: PieceSigns) -> list[StageChanged]:
        """Take what one minute shows. A minute without a core (NaN) moves only what the clock moves."""
        self._pit = signs.pit if not isnan(signs.pit) else self._pit
        if not isnan(signs.core):
            self._cores = [*self._cores[-HOLDS_FOR:], signs.core]
            if self.stage == PiecePhase.ON and self._core_on is None:
                self._core_on = signs.core
        seen = self._seen(now, signs)
        for sign in PieceSign:
            after = NEXT[self.stage].get(sign) if sign in seen else None
            if after is not None:
                return [self._move(after, now, say(sign.value), self._question_on(sign))]
        return self._ask(self._doubt(now, signs), now)

    def mark(self, mark: Mark, now: float) -> list[StageChanged]:
        """A mark of the cook, for this piece or (piece None) for all. Believed; if readings say otherwise it asks."""
        if mark.piece not in (None, self.piece.id):
            return []
        after = NEXT[self.stage].get(mark.kind)
        if mark.kind is MarkKind.MEAT_ON and self.stage in AFTER_THE_PIT and mark.piece is None:
            return []  # "all meat on" speaks of what is still waiting, not of what has been off
        if after is None:
            if self.stage == PiecePhase.WAITING and mark.kind in (MarkKind.OFF, MarkKind.PROBED_TENDER):
                return self._ask(say("question.never-on", name=self.piece.name, mark=mark.kind.value), now)
            return self._confirm(mark, now)
        question = self._question_on(mark.kind)
        return [self._move(after, now, "mark", question)]

    def spot(self, now: float, celsius: float, beside: float, tolerance: float) -> list[StageChanged]:
        """A core temperature taken by hand. beside: what the piece's own probe read then, °C, NaN where none is believed.
        tolerance: ± °C of both together."""
        if not isnan(beside):
            apart = abs(celsius - beside) > tolerance
            asks = say("question.spot", name=self.piece.name, probe=beside, spot=celsius)
            return self._ask(asks, now) if apart else self._agreed(now)
        signs = {PieceSign.ANSWERS} if celsius >= WARM_CORE else set()
        if self._goal is not None and celsius >= self._goal:
            signs.add(PieceSign.AT_TENDER)
        for sign in PieceSign:
            after = NEXT[self.stage].get(sign) if sign in signs else None
            if after is not None:
                return [self._move(after, now, say(sign.value), "")]
        return []

    def ask_about_wrap(self, matters: bool, now: float) -> list[StageChanged]:
        """matters: the forecast hangs on whether it was wrapped though nobody said so. Asked once until it is off, and no longer
        than it matters; another question goes before."""
        asks = say(WRAP_QUESTION, name=self.piece.name)
        if self.question == asks and not (matters and self.wrapped_at is None):
            return self._ask("", now)
        bare = self.stage in ON_THE_PIT and self.stage is not PiecePhase.TENDER_RANGE and self.wrapped_at is None
        return self._ask(asks, now) if matters and bare and not self.question and not self._wrap_asked() else []

    def _wrap_asked(self) -> bool:
        return any(asks_about_wrap(question) for question in self._asked)

    def ask_about_probe(self, slid: bool, now: float) -> list[StageChanged]:
        """slid: by the forecaster's bodies the probe has left the meat. Asked once a stage, and no longer than it seems so."""
        asks = say(SLID_QUESTION, name=self.piece.name)
        if self.question == asks and not slid:
            return self._ask("", now)
        return self._ask(asks, now) if slid and self.stage in ON_THE_PIT and asks not in self._asked else []

    def ask_whether_off(self, cools: bool, now: float) -> list[StageChanged]:
        """cools: it has fallen slowly for long, as nothing does in a hot pit. Asked once a stage, where nothing else is."""
        asks = say(COOLS_QUESTION, name=self.piece.name)
        watched = self.stage in ON_THE_PIT and self.stage is not PiecePhase.ON
        return self._ask(asks, now) if cools and watched and not self.question and asks not in self._asked else []

    def fed(self, now: float) -> list[StageChanged]:
        """A log was laid on a pit on which no meat is said to be: asks whether this is, while its core is as hot as it was."""
        if self.stage not in AFTER_THE_PIT or self._core_off is None or not self._cores:
            return []
        as_hot = self._cores[-1] >= max(WARM_CORE, self._core_off - AS_HOT)
        return self._ask(say(HEATS_QUESTION, name=self.piece.name), now) if as_hot else []

    def probe_moved(self) -> None:
        """Another probe reads it, or none: what was asked about the old one is asked no more, and what it read tells nothing of
        how the core moves from now on."""
        if asks_about_spot(self.question) or is_question(self.question, COOLS_QUESTION):
            self.question = ""
        self._cores = []
        self.reseated()

    def reseated(self) -> None:
        """The probe reads another place: from what it reads there an answer of the core is told."""
        if self.stage is PiecePhase.ON:
            self._core_on = None

    def _agreed(self, now: float) -> list[StageChanged]:
        return self._ask("", now) if asks_about_spot(self.question) else []

    def _move(self, after: PiecePhase, now: float, because: Text, question: Text) -> StageChanged:
        before = self.stage
        core = self._cores[-1] if self._cores else None
        if before is PiecePhase.WAITING:
            self.on_at, self._core_on, self._in_band = now, core, 0
        if after in ON_THE_PIT:
            self.off_at = self._core_off = self._stays_hot = None
        elif self.off_at is None:
            self.off_at, self._core_off = now, core
        if after is PiecePhase.WRAPPED and because == "mark":
            self.wrapped_at = now
        # back on the pit: COOKING in the table stands for "where it was", and what is wrapped stays wrapped
        if before in AFTER_THE_PIT and after is PiecePhase.COOKING and self.wrapped_at is not None:
            after = PiecePhase.WRAPPED
        self.stage, self.since = after, now
        # a bare piece stalls and climbs more than once, and its wrap is asked for once
        bare = after in ON_THE_PIT and after is not PiecePhase.TENDER_RANGE and self.wrapped_at is None
        asked = [one for one in self._asked if bare and asks_about_wrap(one)]
        self._asked = [*asked, question] if question else asked
        # its probe is doubted in every stage, and rest comes of itself
        stays = asks_about_spot(self.question) or (because == say(PieceSign.RESTED.value))
        kept = self.question if stays or (bare and asks_about_wrap(self.question)) else ""
        self.question = question or kept
        asks = question if asks_about_wrap(kept) else self.question
        return StageChanged(now, self.piece.id, before, after, because, asks)

    def _confirm(self, mark: Mark, now: float) -> list[StageChanged]:
        """The mark says what readings had already said: the question is answered."""
        agrees = (mark.kind is MarkKind.MEAT_ON and self.stage in ON_THE_PIT) or (
            mark.kind is MarkKind.WRAPPED and self.stage == PiecePhase.WRAPPED
        )
        if agrees:
            self.question = ""
        if agrees and mark.kind is MarkKind.MEAT_ON and self.on_at is not None and now < self.on_at:
            self.on_at = now  # readings show it late
            self.since = now if self.stage is PiecePhase.ON else self.since
        if mark.kind is MarkKind.WRAPPED and self.stage == PiecePhase.WRAPPED:
            self.wrapped_at = now
        return []

    def _seen(self, now: float, signs: PieceSigns) -> set[PieceSign]:
        found: set[PieceSign] = set()
        if self.off_at is not None and now - self.off_at >= REST_AFTER:
            found.add(PieceSign.RESTED)
        if self.stage == PiecePhase.STALL and not signs.stalled:
            found.add(PieceSign.CLIMBS_AGAIN)
        if isnan(signs.core):
            return found
        if signs.stalled:
            found.add(PieceSign.STALLED)
        cores, low = self._cores, self._goal
        full = len(cores) > HOLDS_FOR
        steps = [b - a for a, b in pairwise(cores)]
        calm = not steps or max(abs(s) for s in steps) <= FASTEST_CORE
        if low is not None and calm and len(cores) >= TENDER_FOR and min(cores[-TENDER_FOR:]) >= low:
            found.add(PieceSign.AT_TENDER)
        if low is not None and full and max(cores) < low - SLIPPED and abs(cores[-1] - cores[0]) < FALLEN:
            found.add(PieceSign.SLIPPED_WRAPPED if self.wrapped_at is not None else PieceSign.SLIPPED)
        risen = self._core_on is not None and cores[-1] - self._core_on >= RISEN
        if risen or cores[-1] >= WARM_CORE:
            found.add(PieceSign.ANSWERS)
        if full and calm and signs.pit >= HOT_PIT:
            if min(cores) >= WARM_CORE and cores[-1] >= cores[0] - 0.5 and signs.pit > cores[-1] + 10:
                found.add(PieceSign.WARM_IN_HOT_PIT)
            if signs.slope >= RISING and cores[-1] - cores[0] >= RISING * HOLDS_FOR:
                found.add(PieceSign.RISES_IN_HOT_PIT)
        return found

    def _question_on(self, sign: PieceSign | MarkKind) -> Text:
        """What to ask although the piece moves: mark and readings differ, or only readings say so."""
        name, core = self.piece.name, self._cores[-1] if self._cores else None
        wrap_at, low = self.piece.wrap_at, self._goal
        match sign:
            case PieceSign.WARM_IN_HOT_PIT | PieceSign.RISES_IN_HOT_PIT:
                return say("question.seems-on", name=name)
            case MarkKind.MEAT_ON if self._pit < COLD_PIT:
                return say(COLD_PIT_QUESTION, name=name, pit=self._pit)
            case MarkKind.WRAPPED if core is not None and wrap_at is not None and core < wrap_at - EARLY_WRAP:
                return say("question.early-wrap", name=name, core=core, planned=wrap_at)
            case MarkKind.PROBED_TENDER if core is not None and low is not None and core < low - EARLY_TENDER:
                return say("question.early-tender", name=name, core=core, expected=low)
            case PieceSign.CLIMBS_AGAIN if self.piece.wrap and self.wrapped_at is None and not self._wrap_asked():
                return say(CLIMB_QUESTION, name=name)
            case _:
                return ""

    def _doubt(self, now: float, signs: PieceSigns) -> Text:
        """What to ask while the piece stays where it is."""
        if is_question(self.question, COLD_PIT_QUESTION) and signs.pit >= COLD_PIT:
            return ""
        if isnan(signs.core) or isnan(signs.pit):
            return self.question
        cores, name = self._cores, self.piece.name
        if self.stage in ON_THE_PIT:
            dip = self.wrapped_at is not None and now - self.wrapped_at < WRAP_DIP
            fallen = len(cores) > HOLDS_FOR and cores[0] - cores[-1] >= FALLEN and not signs.slope > FALLS
            settling = self.stage == PiecePhase.ON  # a cold probe in cold meat: it has nowhere to fall from
            if fallen and not dip and not settling and signs.pit >= max(HOT_PIT, cores[-1] + 10):
                return say("question.cools", name=name)
            if len(cores) > HOLDS_FOR and cores[-1] - cores[0] > 0 and is_question(self.question, COOLS_QUESTION):
                return ""
            if self._no_answer(signs):
                return say("question.no-answer", name=name)
        if self.stage in AFTER_THE_PIT and self._core_off is not None:
            risen = signs.core - self._core_off >= STILL_HEATING and signs.pit >= HOT_PIT
            if risen or self._does_not_cool(now, signs, self._core_off):
                return say(HEATS_QUESTION, name=name)
            if is_question(self.question, HEATS_QUESTION) and signs.core < self._core_off - COOLER:
                return ""
        return self.question

    def _does_not_cool(self, now: float, signs: PieceSigns, core_off: float) -> bool:
        """Marked off, and an hour after the carry-over as hot as at the mark, with a pit that cooks all the while."""
        if signs.pit < HOT_PIT or signs.core < max(WARM_CORE, core_off - AS_HOT):
            self._stays_hot = None
        elif self.off_at is not None and now - self.off_at >= CARRIES_OVER:
            since, core = self._stays_hot or (now, signs.core)
            self._stays_hot = (now, signs.core) if signs.core < core - AS_HOT else (since, core)
            return now - self._stays_hot[0] >= CARRIES_OVER
        return False

    def _no_answer(self, signs: PieceSigns) -> bool:
        """Just now the core has not answered for ANSWERS_IN."""
        if self.stage != PiecePhase.ON or not signs.in_band:
            return False
        self._in_band += 1
        start = signs.core if self._core_on is None else self._core_on
        return self._in_band == ANSWERS_IN and abs(signs.core - start) <= NO_ANSWER

    def _ask(self, question: Text, now: float) -> list[StageChanged]:
        if question == self.question:
            return []
        self.question = question
        if not question or question in self._asked:
            return []
        self._asked.append(question)
        return [StageChanged(now, self.piece.id, self.stage, self.stage, "readings", question)]

    def dump(self) -> dict[str, object]:
        return {
            "stage": str(self.stage),
            "since": self.since,
            "on_at": self.on_at,
            "off_at": self.off_at,
            "wrapped_at": self.wrapped_at,
            "question": plain(self.question),
            "cores": list(self._cores),
            "pit": None if isnan(self._pit) else self._pit,
            "core_on": self._core_on,
            "core_off": self._core_off,
            "stays_hot": self._stays_hot,
            "in_band": self._in_band,
            "asked": [plain(one) for one in self._asked],
        }

    def load(self, dumped: dict[str, object]) -> None:
        state: Any = dumped
        self.stage, self.since = PiecePhase(state["stage"]), state["since"]
        self.on_at, self.off_at, self.wrapped_at = state["on_at"], state["off_at"], state["wrapped_at"]
        self.question, self._cores = said(state["question"]), list(state["cores"])
        self._pit = float("nan") if state["pit"] is None else state["pit"]
        self._core_on, self._core_off, self._asked = (
            state["core_on"],
            state["core_off"],
            [said(one) for one in state["asked"]],
        )
        self._in_band = state.get("in_band", 0)  # this and the next: not in the checkpoints of earlier versions
        hot = state.get("stays_hot")
        self._stays_hot = None if hot is None else (hot[0], hot[1])
