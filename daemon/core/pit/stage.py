"""The pit's stage, from minute values and from the cook's marks. The whole machine is the table `NEXT`.

A minute is turned into signs, each with its own deadband and persistence; the first sign (in the order of
`PitSign`) that has a row for the present stage moves the pit. Minutes under an open lid and blind minutes
are left out, so neither can move anything.
"""

from __future__ import annotations

from enum import StrEnum
from itertools import pairwise
from math import inf, isnan
from typing import Any

from daemon.core.events import StageChanged
from daemon.core.orders import Mark, MarkKind
from daemon.core.pit.signs import COLD, LID_SHUT, slope
from daemon.core.said import Text, plain, said, say
from daemon.core.settings import Band

# Every number below: common practice, no source.
DEADBAND = 1.0
"""°C beyond a band edge before it counts as crossed, and back inside before it counts as returned."""
HOLDS_FOR = 3
"""Minutes a sign about the band must hold."""
WARM_ABOVE_START = 10.0
"""°C of warming that says a fire has been lit."""
HOT = 60.0
"""°C: hotter than any sun makes a cold pit."""
SINKING = -0.2
"""°C/min: this fast downwards in the lower third of the band is falling."""
STEADY = 0.0
"""°C/min: no longer falling."""
OUT_BELOW = 15.0
"""°C under the band: well below it."""
SEEN_AGAIN = 10
"""Minutes from which on an unseen pit is no longer taken to have gone straight from one reading to the next: of a contact that
flaps one minute in four is read, and what it tells has lasted all four. Ours, no source."""
OUT_FOR = 20
"""Minutes well below the band, never rising, before the fire counts as out."""
RECOVERY = 3.0
"""°C of climb within `OUT_FOR` minutes that says the fire lives."""
RUNAWAY_ABOVE = 25.0
"""°C over the band: above it by more than a log that catches well; tried on simulated pits."""
RUNAWAY_SPAN, RUNAWAY_RISE = 5, 4.0
"""Minutes, and °C of climb within them: still rising. A fire of fat leaps up first and then goes on climbing more slowly,
so what tells it from a log is the height."""
CALM_RISE = 0.5
"""°C from one minute to the next: no longer rising fast."""
LID_AT_MOST = 20
"""Minutes an open lid excuses; after that the pit is judged as it reads."""
LIGHTING_TAKES = 45 * 60.0
"""s for which meat may lie on a pit on its way to the band that does not climb; then the fire is taken to have died or never
to have caught, and what was held back for the lighting is held back no more. Common practice, no source."""
CATCHES_IN = 30
"""Minutes after the mark by which a fire has warmed the pit."""
CLIMBS = WARM_ABOVE_START
"""°C that a pit with a burning fire gains again and again while it is on its way to the band."""


TAKEN_BACK = say("seen.taken-back")
"""The reason of a change that a mark taken back leads to."""


class PitPhase(StrEnum):
    UNLIT = "unlit"
    LIGHTING = "lighting"
    HEATING = "heating"
    IN_BAND = "in-band"
    FALLING = "falling"
    LOW = "low"
    OUT = "out"
    HIGH = "high"
    RUNAWAY = "runaway"
    COOLING = "cooling"


class PitSign(StrEnum):
    """What one minute shows, in the order in which it is heeded. The value is the key of the reason given to the cook."""

    MARKED_LIT = "mark"
    ALL_OFF = "seen.pit.all-off"
    MEAT_ON = "seen.pit.meat-on"
    GONE_COLD = "seen.pit.gone-cold"
    RUNS_AWAY = "seen.pit.runs-away"
    NO_RECOVERY = "seen.pit.no-recovery"
    RELIT = "seen.pit.relit"
    BAND_RAISED = "seen.pit.band-raised"
    ABOVE = "seen.pit.above"
    BELOW = "seen.pit.below"
    INSIDE = "seen.pit.inside"
    CALMED = "seen.pit.calmed"
    SINKS = "seen.pit.sinks"
    HOLDS = "seen.pit.holds"
    HOT = "seen.pit.hot"
    WARMS = "seen.pit.warms"


_S, _P = PitSign, PitPhase
_FROM_LIT = {_S.RUNS_AWAY: _P.RUNAWAY, _S.ABOVE: _P.HIGH, _S.INSIDE: _P.IN_BAND}
_END = {_S.ALL_OFF: _P.COOLING}

NEXT: dict[PitPhase, dict[PitSign, PitPhase]] = {
    _P.UNLIT: {_S.MARKED_LIT: _P.LIGHTING, _S.HOT: _P.HEATING, _S.WARMS: _P.LIGHTING},
    _P.LIGHTING: {**_FROM_LIT, **_END, _S.HOT: _P.HEATING},
    _P.HEATING: {**_FROM_LIT, **_END, _S.NO_RECOVERY: _P.OUT, _S.GONE_COLD: _P.OUT},
    _P.IN_BAND: {
        **_END,
        _S.GONE_COLD: _P.OUT,
        _S.RUNS_AWAY: _P.RUNAWAY,
        _S.ABOVE: _P.HIGH,
        _S.BAND_RAISED: _P.HEATING,
        _S.BELOW: _P.LOW,
        _S.SINKS: _P.FALLING,
    },
    _P.FALLING: {
        **_END,
        _S.GONE_COLD: _P.OUT,
        _S.RUNS_AWAY: _P.RUNAWAY,
        _S.ABOVE: _P.HIGH,
        _S.BAND_RAISED: _P.HEATING,
        _S.BELOW: _P.LOW,
        _S.HOLDS: _P.IN_BAND,
    },
    _P.LOW: {**_FROM_LIT, **_END, _S.BAND_RAISED: _P.HEATING, _S.NO_RECOVERY: _P.OUT, _S.GONE_COLD: _P.OUT},
    _P.OUT: {**_FROM_LIT, **_END, _S.MARKED_LIT: _P.LIGHTING, _S.RELIT: _P.HEATING},
    _P.HIGH: {**_END, _S.RUNS_AWAY: _P.RUNAWAY, _S.BAND_RAISED: _P.HEATING, _S.BELOW: _P.LOW, _S.INSIDE: _P.IN_BAND},
    _P.RUNAWAY: {**_END, _S.BELOW: _P.LOW, _S.INSIDE: _P.IN_BAND, _S.CALMED: _P.HIGH},
    _P.COOLING: {_S.MARKED_LIT: _P.LIGHTING, _S.MEAT_ON: _P.HEATING, _S.GONE_COLD: _P.UNLIT},
}
"""stage -> sign -> next stage. A sign without a row is ignored in that stage."""

QUESTIONS: dict[tuple[PitPhase, PitSign], Text] = {
    (_P.UNLIT, _S.WARMS): say("question.pit-warms"),
    (_P.UNLIT, _S.HOT): say("question.pit-hot"),
    (_P.LOW, _S.NO_RECOVERY): say("question.fire-out"),
    (_P.HEATING, _S.NO_RECOVERY): say("question.fire-out"),
    (_P.HEATING, _S.GONE_COLD): say("question.fire-out"),
}
"""What to ask when readings moved the pit and no mark says so. At most 80 characters."""
NOT_CAUGHT = say("question.not-caught")
"""What to ask when the mark moved the pit and no reading says so."""


class PitStage:
    """`stage` since `since` (engine time, s). `question`: what the cook has not yet answered, or ""; a mark of a lit fire or
    the pit's next stage answers it. A `StageChanged` whose `before` equals its `after` carries a question only."""

    stage: PitPhase = PitPhase.UNLIT
    since: float = 0.0
    question: Text = ""
    relit: bool = False
    """It stands at the mark of a fire that was lit anew in place of one that had gone out."""
    climbed_at: float = 0.0
    """When the pit had last gained CLIMBS, or came to its stage if that was later: engine time, s."""

    def __init__(self) -> None:
        self._recent: list[float] = []
        """The last minutes that count, °C, oldest first, at most OUT_FOR + 1."""
        self._start: float | None = None
        """The coldest the pit was while unlit, or since the fire was lit, °C."""
        self._foot: float | None = None
        """The coldest the pit was since `climbed_at`, °C."""
        self._top: float | None = None
        """The hottest the pit was since then and since it last came back from an open lid, °C."""
        self._under_lid: float | None = None
        """The coldest under the lid that is open, °C."""
        self._band: tuple[float, float] | None = None
        self._raised = False
        self._lid_minutes = 0
        self._unseen = 0
        """Minutes in a row in which nothing was read, 0 once the lid was opened in them."""
        self._before_lit: dict[str, object] | None = None
        """What it was before the mark of a lit fire that it stands at."""
        self._since_lit: int | None = None
        """Minutes that count since a fire was marked lit and the pit does not show it; None: nothing to wait for."""

    def minute(self, now: float, pit: float, slope: float, band: Band, lid_open: bool) -> list[StageChanged]:
        """Take one minute's value (°C, NaN = unknown) and its slope (°C/min over 10 min)."""
        edges = (band.low, band.high)
        if self._band is not None and band.low > self._band[0]:
            self._raised = True
        self._band = edges
        self._lid_minutes = self._lid_minutes + 1 if lid_open else 0
        if isnan(pit) or 0 < self._lid_minutes <= LID_AT_MOST:
            self._unseen = self._unseen + 1 if self._lid_minutes == 0 else 0
            if self._lid_minutes and not isnan(pit):
                self._under_lid = pit if self._under_lid is None else min(self._under_lid, pit)
            return []
        self._lid_over(pit)
        self._recent = [*self._recent, *self._between(pit), pit][-OUT_FOR - 1 :]
        self._unseen = 0
        if self.stage in (PitPhase.UNLIT, PitPhase.LIGHTING):
            self._start = pit if self._start is None else min(self._start, pit)
        self._foot = pit if self._foot is None else min(self._foot, pit)
        if pit >= self._foot + CLIMBS:
            self._foot, self._top, self.climbed_at = pit, pit, now
        self._top = pit if self._top is None else max(self._top, pit)
        signs = self._signs(slope, band)
        return self._heed(signs, now) or self._doubt(signs, now)

    @property
    def falls_back(self) -> bool:
        """On its way to the band it has lost what a burning fire gains again and again, and not regained it. A pit that was hot
        has had a fire, though nobody said so: one that is said to be lit may flare and sink before it takes."""
        if self._top is None or not self._recent or self._recent[-1] > self._top - CLIMBS:
            return False
        return self.stage is PitPhase.HEATING or (self.stage is PitPhase.UNLIT and self._top >= HOT)

    def _lid_over(self, pit: float) -> None:
        """What the lid and cold meat have cost is no fire that dies, if the pit comes back from it."""
        lowest, self._under_lid = self._under_lid, None
        if lowest is not None and (self._top is None or pit - lowest >= LID_SHUT * (self._top - lowest)):
            self._top = None

    def _between(self, pit: float) -> list[float]:
        """The minutes since it was last seen, °C."""
        if not self._recent or self._unseen >= SEEN_AGAIN:
            return []
        last, steps = self._recent[-1], self._unseen + 1
        return [last + (pit - last) * step / steps for step in range(1, steps)]

    def mark(self, mark: Mark, now: float) -> list[StageChanged]:
        """A mark of the cook. Only "fire-lit" moves the pit, and only where no fire was known to burn."""
        if mark.kind is not MarkKind.FIRE_LIT:
            return []
        before = self.dump()
        self.question = ""
        changes = self._heed({PitSign.MARKED_LIT}, now)
        self._before_lit = before if changes else None
        if self.stage == PitPhase.LIGHTING:
            self._since_lit, self._start = 0, None
        return changes

    def take_back(self, done: float, minutes: list[tuple[float, float]], band: Band, now: float) -> list[StageChanged]:
        """No fire was lit at `done`. A pit that stands where the mark put it goes back, and takes the `minutes` since (engine
        time, °C) without it; where readings have moved it on they speak for themselves."""
        stage, question, before = self.stage, self.question, self._before_lit
        if before is None or self.since != done:
            self._since_lit = None
            return []
        self.load(before)
        self._before_lit = None
        seen: list[float] = []
        for at, pit in minutes:
            seen = [*seen[-9:], pit]
            self.minute(at, pit, slope(seen), band, lid_open=False)
        if (self.stage, self.question) == (stage, question):
            return []
        return [StageChanged(now, "pit", stage, self.stage, TAKEN_BACK, self.question)]

    def finish(self, now: float) -> list[StageChanged]:
        """All meat is off: whatever the fire does from here on is cooling. Harmless when repeated."""
        return self._heed({PitSign.ALL_OFF}, now)

    def meat_on(self, now: float) -> list[StageChanged]:
        """Meat is on the fire: a pit left to cool burns again, for the next cook. Harmless when repeated."""
        return self._heed({PitSign.MEAT_ON}, now)

    def _signs(self, slope: float, band: Band) -> set[PitSign]:
        recent, pit = self._recent, self._recent[-1]
        held = recent[-HOLDS_FOR:] if len(recent) >= HOLDS_FOR else []
        rises = [b - a for a, b in pairwise(recent)]
        lower_third = band.low + (band.high - band.low) / 3
        below = bool(held) and all(v < band.low - DEADBAND for v in held)
        inside_low, inside_high = band.low + DEADBAND, band.high - DEADBAND
        if self.stage in (PitPhase.LIGHTING, PitPhase.HEATING):
            # coming up from below there is no edge to flap at, and what wavers about the top has reached its band
            inside_low, inside_high = band.low, inf if pit <= band.high + DEADBAND else band.high
        # a band may lie so low that a pit in it is cold
        cold = COLD if self.stage is PitPhase.COOLING else min(COLD, band.low - OUT_BELOW)
        deep = recent if len(recent) > OUT_FOR and all(v < band.low - OUT_BELOW for v in recent) else []
        seen = {
            PitSign.GONE_COLD: bool(held) and max(held) < cold,
            PitSign.RUNS_AWAY: min(held[-2:], default=0.0) > band.high + RUNAWAY_ABOVE
            and pit - recent[-1 - RUNAWAY_SPAN :][0] >= RUNAWAY_RISE,
            PitSign.NO_RECOVERY: bool(deep) and deep[-1] - min(deep) < RECOVERY and deep[-1] <= deep[0] + RECOVERY,
            PitSign.RELIT: bool(held) and min(held) >= COLD and slope > 0 and pit - min(recent) >= 2 * RECOVERY,
            PitSign.BAND_RAISED: self._raised and below,
            PitSign.ABOVE: bool(held) and all(v > band.high + DEADBAND for v in held),
            PitSign.BELOW: below and not self._raised,
            PitSign.INSIDE: bool(held) and all(inside_low <= v <= inside_high for v in held),
            PitSign.CALMED: len(rises) >= HOLDS_FOR and max(rises[-HOLDS_FOR:]) < CALM_RISE,
            PitSign.SINKS: bool(held) and slope <= SINKING and max(held) < lower_third and pit < held[0],
            PitSign.HOLDS: bool(held) and slope >= STEADY and min(held) >= band.low + DEADBAND,
            PitSign.HOT: bool(held) and min(held) >= HOT,
            PitSign.WARMS: self._start is not None and bool(held) and min(held) >= self._start + WARM_ABOVE_START,
        }
        return {sign for sign, holds in seen.items() if holds}

    def _heed(self, signs: set[PitSign], now: float) -> list[StageChanged]:
        before = self.stage
        for sign in PitSign:
            after = NEXT[before].get(sign) if sign in signs else None
            if after is not None:
                self.stage, self.since, self._raised = after, now, False
                self._foot, self.climbed_at = None, now
                self._top = self._recent[-1] if after is PitPhase.HEATING and self._recent else None
                self.question, self._since_lit = QUESTIONS.get((before, sign), ""), None
                self._before_lit = None
                self.relit = sign is PitSign.MARKED_LIT and before is PitPhase.OUT
                if after in (PitPhase.UNLIT, PitPhase.LIGHTING):
                    self._start, self._recent = None, self._in_band_of_late()
                because = sign.value if sign is PitSign.MARKED_LIT else say(sign.value)
                return [StageChanged(now, "pit", before, after, because, self.question)]
        return []

    def _in_band_of_late(self) -> list[float]:
        """The last minutes, if they are in the band: a fire that is marked late has been seen already."""
        held = self._recent[-HOLDS_FOR:]
        low = inf if self._band is None else self._band[0]
        return held if len(held) == HOLDS_FOR and min(held) >= low else []

    def _doubt(self, signs: set[PitSign], now: float) -> list[StageChanged]:
        """A fire that was marked lit and does not warm the pit is asked about, once a mark."""
        if self._since_lit is None:
            return []
        self._since_lit += 1
        if PitSign.WARMS in signs:
            self.question, self._since_lit = "", None
        elif self._since_lit == CATCHES_IN:
            self.question = NOT_CAUGHT
            return [StageChanged(now, "pit", self.stage, self.stage, "readings", self.question)]
        return []

    def dump(self) -> dict[str, object]:
        return {
            "stage": str(self.stage),
            "since": self.since,
            "recent": list(self._recent),
            "start": self._start,
            "band": None if self._band is None else list(self._band),
            "raised": self._raised,
            "lid_minutes": self._lid_minutes,
            "unseen": self._unseen,
            "question": plain(self.question),
            "since_lit": self._since_lit,
            "foot": self._foot,
            "top": self._top,
            "under_lid": self._under_lid,
            "climbed_at": self.climbed_at,
            "before_lit": self._before_lit,
            "relit": self.relit,
        }

    def load(self, dumped: dict[str, object]) -> None:
        state: Any = dumped
        self.stage, self.since = PitPhase(state["stage"]), state["since"]
        self._recent, self._start = list(state["recent"]), state["start"]
        self._band = tuple(state["band"]) if state["band"] is not None else None
        self._raised, self._lid_minutes = state["raised"], state["lid_minutes"]
        self.question, self._since_lit = said(state["question"]), state["since_lit"]
        # not in the checkpoints of earlier versions
        self._foot, self.climbed_at = state.get("foot"), state.get("climbed_at", self.since)
        self._top, self._unseen = state.get("top"), state.get("unseen", 0)
        self._under_lid = state.get("under_lid")
        self._before_lit, self.relit = state.get("before_lit"), state.get("relit", False)
