"""The food-safety record of one piece. Informs and names the rule; never certifies.

Everything is taken on the safe side: the probe's tolerance is subtracted where heat is wanted and added where cold is,
and minutes without a believed reading count against the cook in every clock and for nothing in the lethality.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from math import isnan
from typing import Any

from daemon.core.food_safety.cooling import SLOWEST_COOLING, cooling_takes, falls_within, noted
from daemon.core.food_safety.lethality import celsius, lethality_table
from daemon.core.food_safety.stood_still import StoodStill
from daemon.core.said import Text, say
from daemon.core.settings import HoldSettings, MeatKind, PieceSettings

COME_UP_FROM, COME_UP_TO = celsius(50.0), celsius(130.0)
COME_UP_LIMIT = 6 * 3600.0
"""FSIS-GD-2021-14 pp. 23-25: 6 h or less in all between 50 and 130 °F; after the lethality it starts anew."""
COME_UP_RULE = say("safety.rule.come-up", limit=COME_UP_LIMIT, span=(COME_UP_FROM, COME_UP_TO))
HOT_HOLD, ROAST_HOLD = celsius(135.0), celsius(130.0)
"""Food Code 3-501.16: hot holding at 135 °F; roasts cooked by the roast rule at 130 °F. Home guidance says 140 °F."""
ROUNDING = 0.1
"""°C by which a floor written in round figures may lie under its rule (57.2 for 57.22)."""
TIME_CONTROL = say("safety.rule.time-control")
"""Food Code 3-501.19, time in place of temperature, 4 h by default in the hold settings: from memory, section not read."""
FIRST_COOLING, WHOLE_COOLING = 2 * 3600.0, 6 * 3600.0
COOL_FROM, COOL_HALF, COOL_TO = celsius(135.0), celsius(70.0), celsius(41.0)
COOLING_RULE = say(
    "safety.rule.cooling", span=(COOL_FROM, COOL_HALF), first=FIRST_COOLING, cold=COOL_TO, whole=WHOLE_COOLING
)
"""Food Code 3-501.14: 135 to 70 °F within 2 h and to 41 °F within 6 h in all."""
ROAST_REST = 180.0
"""s. USDA home guidance: roasts 145 °F and 3 min rest."""
HOME_MINIMUM: dict[MeatKind, float] = {
    MeatKind.WHOLE_ROAST: celsius(145.0),
    MeatKind.GROUND: celsius(160.0),
    MeatKind.POULTRY: celsius(165.0),
    MeatKind.CURED: celsius(140.0),
    MeatKind.OTHER: celsius(145.0),
}
"""USDA home guidance by kind (ham: the figure for one fully cooked at an inspected plant)."""
COMPLETE = 1.0 - 1e-9
"""Shares of a minute do not add up to 1 to the last bit."""
LONGEST_STEP = 150.0
"""s: two minutes further apart than this have a gap between them that nobody watched."""

NOT_YET_ON = "waiting"
CHILL = "chill"
OVER = "done"
NO_HOLDING = (NOT_YET_ON, CHILL, OVER)
CLOSING = say("safety.closing")
STILL_HOT, COOLED = say("safety.still-hot"), say("safety.cooled")


@dataclass(frozen=True, slots=True)
class SafetyView:
    """What is known. Times in s, temperatures in °C, None = not reached or not known. Every line in `notes` but the
    closing caution names its rule."""

    safe_minimum_reached_at: float | None = None
    lethality_fraction: float = 0.0
    """Integrated lethality / required lethality, 1.0 = the table's time-temperature reached, tolerance subtracted."""
    lethality_rule: Text = ""
    come_up_seconds: float = 0.0
    come_up_limit: float = COME_UP_LIMIT
    below_floor_seconds: float = 0.0
    """Below the floor, or not seen to be above it."""
    below_unseen_seconds: float = 0.0
    """Of these, without a believed reading."""
    hold_left_seconds: float | None = None
    """Until the time limit below the floor is used up, at the present state; None = above the floor."""
    cooling_stage: Text = ""
    cooling_left_seconds: float | None = None
    cooling_takes_seconds: float | None = None
    """Until the stage's end temperature at the present pace; more than `cooling_left_seconds` = it will be missed."""
    notes: tuple[Text, ...] = ()


@dataclass(frozen=True, slots=True)
class Limit:
    """seconds: until a rule's limit is reached. below: cooked meat has left the hot-holding floor, and its time runs."""

    seconds: float
    rule: Text
    below: bool


@dataclass(slots=True)
class _State:
    """All that a checkpoint needs. at/core: the last minute (None = not believed). Times in engine s, the rest in s."""

    at: float | None = None
    core: float | None = None
    stage: str = NOT_YET_ON
    fraction: float = 0.0
    lethal_at: float | None = None
    minimum_since: float | None = None
    minimum_at: float | None = None
    come_up: float = 0.0
    longest_come_up: float = 0.0
    hot: bool = False
    below: bool = False
    below_floor: float = 0.0
    below_unseen: float = 0.0
    left_hot_at: float | None = None
    half_cooled_at: float | None = None
    cooled_at: float | None = None
    seen: tuple[float, float] | None = None
    """(engine s, °C) of the last believed core."""
    gap_below: float = 0.0
    """s since then that count as below the floor because nobody saw them."""
    still: StoodStill = field(default_factory=StoodStill)
    unseen: float = 0.0
    unfollowed: float = 0.0
    spots: int = 0
    hottest_spot: float | None = None
    """°C, tolerance taken off."""
    pace: list[list[float]] = field(default_factory=list)
    """[engine s, core °C] of chilling, as `noted` keeps them."""


def below_words(whole: float, unseen: float) -> Text:
    """The time below the floor; what was merely unseen is told apart. whole, of it unseen: s."""
    if unseen == 0.0:
        return say("safety.below", time=whole)
    return say("safety.below-or-unseen", time=whole, below=whole - unseen, unseen=unseen)


class SafetyRecord:
    """One per piece, fed every minute with the core median as read; the probe's tolerance is applied here."""

    def __init__(self, piece: PieceSettings, hold: HoldSettings, tolerance: float) -> None:
        self.piece = piece
        self.hold = hold
        self.tolerance = abs(tolerance)
        """± °C of what reads it."""
        self.table = lethality_table(piece.kind, piece.cut, piece.fat_percent)
        self._state = _State()
        self.view = self._seen(0.0)

    def minute(self, now: float, core: float, stage: str, stuck_for: float = 0.0) -> None:
        """One minute: engine time, core median (°C, NaN = nothing believed), the piece's stage word. stuck_for: s since its probe
        stood still, once that is found; else 0."""
        state = self._state
        seconds = 0.0 if state.at is None else max(0.0, now - state.at)
        unseen_before = self._take_back(stuck_for - seconds)
        before, here = state.core, None if isnan(core) else core
        watched = before is not None and here is not None and seconds <= LONGEST_STEP
        low = min(before, here) if watched and before is not None and here is not None else None
        high = max(before, here) if watched and before is not None and here is not None else None
        if stage not in (NOT_YET_ON, OVER) and state.stage != NOT_YET_ON:
            if self.piece.channel is None:
                state.unfollowed += seconds
            elif low is None:
                state.unseen += seconds
            self._heat(low, high, seconds)
            self._hold(low, here, seconds, stage)
            self._leave_hot(low, now - seconds - unseen_before)
        if stage != NOT_YET_ON and here is not None:
            self._reach(now, self.surely(here))
            self._cool(now, here, self.surely(here), here + self.tolerance, stage)
            state.pace = noted(state.pace, now, here) if stage == CHILL else []
        if here is not None:
            self._close_gap(now, here)
        state.at, state.core, state.stage = now, here, stage
        self.view = self._seen(now)

    def spot(self, now: float, core: float, tolerance: float, beside: float) -> None:
        """A core read by hand, °C ± tolerance. beside: what the piece's own probe read then, °C, NaN where none is believed:
        where the two cannot both be right, the lower one counts."""
        state, surely = self._state, core - abs(tolerance)
        if not isnan(beside):
            surely = min(surely, beside + self.tolerance)
        if state.stage == NOT_YET_ON:
            return
        state.spots += 1
        state.hottest_spot = surely if state.hottest_spot is None else max(state.hottest_spot, surely)
        self._reach(now, surely)
        self._cool(now, core, surely, core + abs(tolerance), state.stage)
        self.view = self._seen(now)

    # --- the clocks -------------------------------------------------------------------------------

    def _heat(self, low: float | None, high: float | None, seconds: float) -> None:
        """Come-up time until the lethality is reached, and the lethality itself."""
        state = self._state
        if state.lethal_at is not None:
            return
        if low is None or high is None or (self.surely(low) < COME_UP_TO and high + self.tolerance > COME_UP_FROM):
            state.come_up += seconds
            state.longest_come_up = state.come_up
        if low is not None:
            state.fraction = min(1.0, state.fraction + self.table.gained(self.surely(low), seconds))

    def _reach(self, now: float, surely: float) -> None:
        """Safe minimum with its dwell, lethality complete, and the first time hot enough to hold."""
        state = self._state
        if surely >= self.table.instant_at:
            state.fraction = 1.0
        if state.fraction >= COMPLETE and state.lethal_at is None:
            state.fraction = 1.0
            state.lethal_at, state.come_up = now, 0.0
        if surely < self.piece.safe_minimum:
            state.minimum_since = None
        elif state.minimum_since is None:
            state.minimum_since = now
        dwell = ROAST_REST if self.piece.kind is MeatKind.WHOLE_ROAST else 0.0
        if state.minimum_at is None and state.minimum_since is not None and now - state.minimum_since >= dwell:
            state.minimum_at = now
        state.hot = state.hot or (self._cooked() and surely >= self.floor())

    def _take_back(self, stuck_for: float) -> float:
        """s that counted as seen above the floor while the probe was stuck, and are found to be unseen."""
        state = self._state
        seconds = state.still.taken_back(stuck_for)
        state.below_floor += seconds
        state.below_unseen += seconds
        state.gap_below += seconds
        if state.seen is not None:
            state.seen = state.seen[0] - seconds, state.seen[1]
        return seconds

    def _hold(self, low: float | None, here: float | None, seconds: float, stage: str) -> None:
        """Time below the holding floor, once the piece was cooked and hot. Reheating does not give it back."""
        state = self._state
        unsure = low is None or self.surely(low) < self.floor()
        state.below = state.hot and stage not in NO_HOLDING and unsure
        if state.below:
            state.below_floor += seconds
            state.below_unseen += seconds if low is None else 0.0
            state.gap_below += seconds if low is None else 0.0
        elif state.hot and here is not None:
            state.still.minute(here, seconds if stage not in NO_HOLDING else 0.0)

    def _close_gap(self, now: float, here: float) -> None:
        """A gap between two cores above the floor that was too short for any body to cool through it was no time below it."""
        state, before = self._state, self._state.seen
        if before is not None and state.gap_below > 0.0 and self.surely(here) >= self.floor():
            at, core = before
            if now - at <= falls_within(self.surely(core), self.floor(), self.piece.thickness):
                state.below_floor = max(0.0, state.below_floor - state.gap_below)
                state.below_unseen = max(0.0, state.below_unseen - state.gap_below)
        state.seen, state.gap_below = (now, here), 0.0

    def _leave_hot(self, low: float | None, since: float) -> None:
        """The cooling clock starts where the core may first have left 135 °F, whatever the stage then was."""
        state = self._state
        if low is None and self.piece.channel is not None:  # two spot readings above it have nothing between them
            state.minimum_since = None
        if self._cooked() and state.left_hot_at is None and (low is None or self.surely(low) < COOL_FROM):
            state.left_hot_at = since

    def _cool(self, now: float, core: float, surely: float, at_most: float, stage: str) -> None:
        state = self._state
        if surely >= COOL_FROM:
            state.left_hot_at = state.half_cooled_at = state.cooled_at = None
        if stage != CHILL or state.left_hot_at is None:
            return
        if state.half_cooled_at is None and at_most <= COOL_HALF:
            state.half_cooled_at = now
        if state.cooled_at is None and core <= COOL_TO:
            state.half_cooled_at = state.half_cooled_at or now
            state.cooled_at = now

    def _cooked(self) -> bool:
        return self._state.lethal_at is not None or self._state.minimum_at is not None

    def surely(self, core: float) -> float:
        """°C that a core read as `core` has at least: less the tolerance of its probe."""
        return core - self.tolerance

    def floor(self, once_lethal: bool = False) -> float:
        """The hot-holding floor of this piece, °C: the setting's, but none lower than a rule allows: 130 °F for a roast
        once lethal, else 135 °F. once_lethal: as it will be when the lethality is reached."""
        lethal = once_lethal or self._state.lethal_at is not None
        roast = self.piece.kind is MeatKind.WHOLE_ROAST and lethal
        lowest = ROAST_HOLD if roast else HOT_HOLD
        return self.hold.floor if self.hold.floor >= lowest - ROUNDING else lowest

    def fire_lost(self, core: float, fall: float) -> Limit | None:
        """What runs out for a piece on a pit that heats it no more. core: as read, °C; fall: °C per s it loses. None: nothing
        does, for it is too cold to have begun or has all its heat still."""
        state, surely = self._state, self.surely(core)
        if surely > self.floor():
            return Limit((surely - self.floor()) / fall, self.hold_rule(), below=False) if fall > 0 else None
        if self._cooked():
            left = max(0.0, self.hold.time_limit - state.below_floor)
            return Limit(left, say("safety.rule.both", rule=self.hold_rule(), other=TIME_CONTROL), below=True)
        if core + self.tolerance > COME_UP_FROM:
            return Limit(max(0.0, COME_UP_LIMIT - state.come_up), COME_UP_RULE, below=False)
        return None

    # --- what is shown ----------------------------------------------------------------------------

    def _seen(self, now: float) -> SafetyView:
        state = self._state
        stage, left = self._cooling(now)
        return SafetyView(
            safe_minimum_reached_at=state.minimum_at,
            lethality_fraction=state.fraction,
            lethality_rule=self.table.rule,
            come_up_seconds=state.come_up,
            below_floor_seconds=state.below_floor,
            below_unseen_seconds=state.below_unseen,
            hold_left_seconds=max(0.0, self.hold.time_limit - state.below_floor) if state.below else None,
            cooling_stage=stage,
            cooling_left_seconds=None if left is None else max(0.0, left),
            cooling_takes_seconds=None if left is None else self._takes(now),
            notes=tuple(self._notes(now)),
        )

    def _cooling(self, now: float) -> tuple[Text, float | None]:
        """Cooling stage and s left in it (negative = late)."""
        state = self._state
        if state.stage != CHILL or not self._cooked():
            return "", None
        if state.left_hot_at is None:
            return STILL_HOT, None
        if state.half_cooled_at is None:
            return say("safety.cooling", span=(COOL_FROM, COOL_HALF)), state.left_hot_at + FIRST_COOLING - now
        if state.cooled_at is None:
            return say("safety.cooling", span=(COOL_HALF, COOL_TO)), state.left_hot_at + WHOLE_COOLING - now
        return COOLED, None

    def _takes(self, now: float) -> float | None:
        """s until the end of the present cooling stage at the present pace; None while there is no pace."""
        goal = COOL_HALF - self.tolerance if self._state.half_cooled_at is None else COOL_TO
        return None if self._state.core is None else cooling_takes(self._state.pace, now, goal)

    def _notes(self, now: float) -> list[Text]:
        state, piece = self._state, self.piece
        if state.stage == NOT_YET_ON:
            return [CLOSING]
        margin = say("safety.probe-margin", tolerance=self.tolerance)
        if piece.channel is None:
            margin = say("safety.hand-margin")
        own_rule = piece.safe_rule or say("safety.rule.cook")
        notes: list[Text] = [
            say("safety.minimum-not-read", rule=own_rule, minimum=piece.safe_minimum, margin=margin)
            if state.minimum_at is None
            else say("safety.minimum-read", rule=own_rule, minimum=piece.safe_minimum, margin=margin)
        ]
        home = HOME_MINIMUM[piece.kind]
        if piece.safe_minimum < home - ROUNDING:
            notes.append(say("safety.set-lower", kind=piece.kind.replace("-", " "), home=home))
        so_far = int(100 * state.fraction) / 100  # rounded down: nobody is told 100 % that are not there
        notes.append(
            say("safety.lethality-so-far", rule=self.table.rule, margin=margin, share=so_far)
            if state.lethal_at is None
            else say("safety.lethality-reached", rule=self.table.rule, margin=margin)
        )
        notes += [self._come_up_note(), *self._hold_notes(), *self._cooling_notes(now), *self._spot_notes()]
        if state.unseen > 0.0:
            notes.append(say("safety.unseen", unseen=state.unseen, rule=COME_UP_RULE, other=self.hold_rule()))
        return [*notes, CLOSING]

    def _come_up_note(self) -> Text:
        state = self._state
        if state.longest_come_up > COME_UP_LIMIT:
            return say("safety.come-up-over", rule=COME_UP_RULE, took=state.longest_come_up)
        if state.lethal_at is None:
            return say("safety.come-up-so-far", rule=COME_UP_RULE, took=state.come_up)
        return say("safety.come-up-took", rule=COME_UP_RULE, took=state.longest_come_up)

    def hold_rule(self) -> Text:
        """The name of the rule that `floor` is from."""
        if self.floor() == self.hold.floor:
            return self.hold.rule
        return say("safety.rule.hold-roast") if self.floor() == ROAST_HOLD else say("safety.rule.hold")

    def below_in_words(self) -> Text:
        """The time below the floor; what was merely unseen is told apart."""
        return below_words(self._state.below_floor, self._state.below_unseen)

    def _hold_notes(self) -> list[Text]:
        state, rule, floor = self._state, self.hold_rule(), self.floor()
        if not state.hot:
            return []
        lifted = [] if floor == self.hold.floor else [say("safety.floor-lifted", set=self.hold.floor, rule=rule)]
        if state.below_floor == 0.0:
            return [say("safety.hold-never-below", rule=rule, floor=floor), *lifted]
        below, limit = self.below_in_words(), self.hold.time_limit
        if state.below_floor >= limit:
            note = say("safety.hold-used-up", rule=rule, floor=floor, below=below, limit=limit, other=TIME_CONTROL)
        else:
            note = say("safety.hold-running", rule=rule, floor=floor, below=below, limit=limit, other=TIME_CONTROL)
        return [note, *lifted]

    def _spot_notes(self) -> list[Text]:
        state, notes = self._state, list[Text]()
        if state.unfollowed > 0.0:
            notes.append(say("safety.unfollowed", time=state.unfollowed, rule=COME_UP_RULE, other=self.hold_rule()))
        if state.hottest_spot is not None:
            notes.append(
                say("safety.spots", number=state.spots, hottest=state.hottest_spot, minimum=self.piece.safe_minimum)
            )
        return notes

    def _cooling_notes(self, now: float) -> list[Text]:
        state, rule = self._state, COOLING_RULE
        if state.stage != CHILL:
            return []
        if not self._cooked():
            return [say("safety.counts-as-raw", rule=self.table.rule)]
        if state.left_hot_at is None:
            return [say("safety.cooling-not-begun", rule=rule, hot=COOL_FROM)]
        half_by, whole_by = state.left_hot_at + FIRST_COOLING, state.left_hot_at + WHOLE_COOLING
        if (state.half_cooled_at or now) > half_by:
            return [say("safety.cooling-missed", rule=rule, goal=COOL_HALF)]
        if (state.cooled_at or now) > whole_by:
            return [say("safety.cooling-missed", rule=rule, goal=COOL_TO)]
        if state.cooled_at is not None:
            return [say("safety.cooled-in-time", rule=rule, goal=COOL_TO, took=state.cooled_at - state.left_hot_at)]
        since, goal = now - state.left_hot_at, COOL_HALF if state.half_cooled_at is None else COOL_TO
        _, left = self._cooling(now)
        takes = self._takes(now)
        if left is None or takes is None:
            return [say("safety.cooling-since", rule=rule, since=since, hot=COOL_FROM)]
        if takes <= left:
            return [say("safety.cooling-in-time", rule=rule, since=since, hot=COOL_FROM, goal=goal, early=left - takes)]
        if takes >= SLOWEST_COOLING:
            return [say("safety.cooling-far-too-late", rule=rule, since=since, hot=COOL_FROM, goal=goal)]
        return [say("safety.cooling-too-late", rule=rule, since=since, hot=COOL_FROM, goal=goal, late=takes - left)]

    # --- checkpoint -------------------------------------------------------------------------------

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return asdict(self._state)

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        seen = dumped.get("seen")  # not in the checkpoints of earlier versions
        still = StoodStill(**dumped.get("still", {}))  # the same
        self._state = _State(**{**dumped, "seen": None if seen is None else (seen[0], seen[1]), "still": still})
        self.view = self._seen(self._state.at or 0.0)
