"""All that a watch remembers, what can be read from it, and its checkpoint. What moves it is the `Engine`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import astuple, replace
from functools import partial
from math import isnan, nan
from typing import Any

from daemon.core import inputs
from daemon.core.alarms.conditions.pit import SETTLED_STAGES
from daemon.core.alarms.conditions.process import ProcessSnapshot
from daemon.core.alarms.conditions.watch import PART_RULES
from daemon.core.alarms.names import told_by
from daemon.core.alarms.rules import ALARM_RULES, AlarmRule
from daemon.core.alarms.table import AlarmTable
from daemon.core.annunciation.annunciator import Annunciator
from daemon.core.annunciation.nap import Readiness, Wood, earliest, green_list, plan_nap, rung_within
from daemon.core.annunciation.test_call import TestCallState
from daemon.core.events import AlarmState, NapPlanned
from daemon.core.forecast.standing import Standing
from daemon.core.forecast_request import ForecastRequest
from daemon.core.grace import Grace
from daemon.core.health import HealthTable
from daemon.core.marks import Marks
from daemon.core.pieces.changes import at_home
from daemon.core.pieces.piece import Circumstances, PieceWatch
from daemon.core.pieces.pieces import Pieces
from daemon.core.pit.fire import BELOW
from daemon.core.pit_watch import PitWatch, renamed_pit
from daemon.core.plan.duties import Duties
from daemon.core.plan.steps import NO_FIRE
from daemon.core.readings.conditioning import Conditioner
from daemon.core.readings.handheld import Handheld
from daemon.core.readings.trace import MINUTE, Trace
from daemon.core.said import Text, say
from daemon.core.settings import Role, WatchSettings, cook_from_plain, cook_to_plain
from daemon.core.shift import Shift
from daemon.core.snapshot import Snapshot
from daemon.core.snapshot_maker import SnapshotParts, make_snapshot

SOON = 3 * MINUTE
"""s before an on-delay ends from which what is heard should be on disk at once."""
PARTS_KEPT = (
    "conditioner", "trace", "alarms", "annunciator", "pieces", "health", "grace", "marks", "handheld",
)  # fmt: skip
"""Parts of the engine that write their own state into a checkpoint and read it back."""
AWAKE_FOR = 45 * MINUTE
"""s after a word of a person in which somebody is up by night. Ours, no source."""
CHECKPOINT_VERSION = 3
"""Counted up whenever a checkpoint can no longer be read by what came before. What cannot be read is passed over: then the
journal's inputs are replayed from the start of the running cook (`daemon.shell.resume`), so that no cook is lost."""


class WatchState:
    """The parts of one watch. Changed by the engine only."""

    def __init__(self, settings: WatchSettings, rules: tuple[AlarmRule, ...] = ALARM_RULES) -> None:
        """rules: others than the watch's own only to ask what they would have done."""
        self.settings = settings
        self.wall = inputs.WallClock(0.0, trusted=True)
        self.conditioner = Conditioner(settings)
        self.trace = Trace()
        self.pits = {pit: PitWatch(pit, settings, self.conditioner, self.trace) for pit in settings.pit_names}
        """By id; the first is called "" here."""
        self.other_first = False
        """The checkpoint is of a rig with another first pit: what was raised of that one ends with the next life."""
        self.pit = self.pits[""]
        """The first, most often the only one."""
        self.readout = self.pit.readout
        self._rules = {rule.id: rule for rule in rules}
        self.alarms = AlarmTable(rules, settings.announcing.shelve_limit)
        self.annunciator = Annunciator(rules, settings.announcing)
        self.pieces = Pieces()
        self.duties = Duties()
        self.health = HealthTable()
        self.links: dict[str, inputs.LinkCounts] = {}
        self.marks = Marks()
        self.handheld = Handheld()
        self._spot_tolerances = {c.id: c.tolerance for c in settings.with_role(Role.SPOT)}
        self._asleep_since: float | None = None
        """When the cook went to sleep."""
        self._acted_at: float | None = None
        """When a person last said or asked something."""
        self._next_scan: float | None = None
        self._closed: int | None = None
        """The last minute (engine time // 60) that was closed."""
        self.grace = Grace()
        self.good_at: dict[str, float] = {}
        """When each channel last gave a value to believe."""
        self.shift = Shift()
        self._begin_cook()

    def _begin_cook(self) -> None:
        self.marks.begin_cook()
        self.conditioner.settings = self.settings
        for pit in self.pits.values():
            pit.band = self.settings.band_of(pit.id)
        self.pieces.begin(self.settings)
        self.duties.begin(self.settings.cook)
        self._tell_pits()

    def _tell_pits(self) -> None:
        """Whose calls are told apart by pit: nobody's where there is only one."""
        if len(self.pits) > 1:
            whole = self.settings.pit_names
            names = {pit: told_by(name, whole.values()) for pit, name in whole.items()}
            pieces = {piece.id: names[piece.pit] for piece in self.settings.cook.pieces}
            self.annunciator.tell_apart(pieces | {pit.subject: names[pit.id] for pit in self.pits.values()})

    # --- what is known -----------------------------------------------------------------------------------

    def good(self, channel: str | None) -> float | None:
        """The newest value of a channel, °C, if it may be believed."""
        return self.readout.good(channel)

    def _cores(self) -> dict[str, float]:
        """Believed cores, °C, by piece."""
        good = self.conditioner.believed
        channels = [(p, c) for p, w in self.pieces.items() if (c := w.settings.channel) is not None]
        return {p: v for p, c in channels if (v := good(c)) is not None}

    def pit_of(self, piece: PieceWatch) -> PitWatch:
        """The pit it is cooked on."""
        return self.pits[piece.settings.pit]

    def plan_pit(self) -> PitWatch:
        """Whose band remedies are for: the first pit with pieces."""
        return next((pit for pit in self.pits.values() if self.pieces.on_pit(pit.id)), self.pit)

    def _processes(self, now: float) -> list[ProcessSnapshot]:
        """One a pit, the first pit's first."""
        read = self._cores()
        good = self.conditioner.believed
        settling = frozenset([p for p, w in self.pieces.items() if w.settling])
        probed = {p: v for p, v in read.items() if p not in settling}
        spots = {p: v for p, w in self.pieces.items() if (v := w.spot_now(now)) is not None}
        unread = {p: w for p, w in self.pieces.items() if p not in read}
        channels = {p: w.settings.channel or w.cabinet for p, w in unread.items()}
        lost = {
            p: self._unseen_since(channel, now if (w := self.pieces[p]).cabinet is None else w.stage.since)
            for p, channel in channels.items()
            if channel is not None and self.good(channel) is None
        }
        doubted = {p: w.settings.channel for p, w in unread.items() if p not in settling}
        held = {p: cabinet for p, w in self.pieces.items() if (cabinet := w.cabinet) is not None}
        of_pit = partial(
            ProcessSnapshot,
            now=now,
            settings=self.settings,
            cores=spots | probed,
            too_warm={
                p: v
                for p, channel in doubted.items()
                if channel is not None and (v := self.conditioner.without_leak(channel)) is not None
            },
            lost=lost,
            air={p: v for p, cabinet in held.items() if (v := good(cabinet)) is not None},
            doubted_air=self.conditioner.doubted_air,
            health=self.health,
            wake_channels=self.settings.announcing.wake_channels,
            rules=self._rules,
            standing=self.alarms.standing(),
            seen=self.alarms.seen(),
            open=self.alarms.open(),
            asleep=self._asleep_since is not None,
            duties=self.duties,
            settling=settling,
            awake=self._awake(now),
            waiting=self.alarms.waiting(),
        )
        on = {pit: self.pieces.on_pit(pit) for pit in self.pits} if len(self.pits) > 1 else {"": self.pieces}
        here = {pit: tuple(pieces.values()) for pit, pieces in on.items()}
        for pit in self.pits.values():
            pit.hear_witnesses(on[pit.id], self.trace, self.marks, self._closed)
        return [
            of_pit(
                band=pit.band,
                pit=pit.celsius,
                reads=pit.readout.reads_now(),
                blind_since=pit.since.blind,
                glimpsed_since=pit.since.glimpsed,
                owed=pit.since.carried,
                last_seen=pit.since.seen,
                lain=pit.readout.lain,
                contradiction=pit.contradiction,
                cold_meat=pit.cold_meat,
                probes_lost=self._probes_lost(pit, here[pit.id], now),
                meat=pit.meat,
                pit_stage=pit.stage.stage,
                fire=pit.fire,
                lid_since=pit.since.lid,
                pieces=here[pit.id],
                pit_question=pit.stage.question,
                pit_climbed_at=pit.stage.climbed_at,
                pit_relit=pit.stage.relit,
                pit_falls_back=pit.stage.falls_back,
                pit_id=pit.id,
                elsewhere=len(here[pit.id]) < len(self.pieces),
            )
            for pit in self.pits.values()
        ]

    def _probes_lost(self, pit: PitWatch, pieces: Iterable[PieceWatch], now: float) -> dict[str, float]:
        """See `ProcessSnapshot`. pieces: those on it. A pit that nobody sees is a matter of its own."""
        lost = [c for c in pit.readout.pit_channels if self.good(c) is None]
        if isnan(pit.celsius) or not lost:
            return {}
        never = min((w.stage.on_at for w in pieces if w.stage.on_at is not None), default=now)
        return {c: self._unseen_since(c, never) for c in lost}

    def _unseen_since(self, channel: str, never: float) -> float:
        """Engine time from which a channel tells nothing that may be believed: what a stuck one said since it stuck is nothing.
        never: the same of one that was never heard."""
        heard = self.good_at.get(channel, never)
        return min(heard, self.conditioner.stuck().get(channel, heard))

    def _awake(self, now: float) -> bool:
        """It is day, or somebody has just said something and not that he goes to sleep."""
        acted = self._acted_at is not None and now - self._acted_at <= AWAKE_FOR and self._asleep_since is None
        return acted or not self.annunciator.is_night(self._utc(now))

    def _plan_nap(self, now: float) -> NapPlanned:
        sleep = self.annunciator.view(now, self._utc(now))
        on = self.pieces.on_fire()
        pits = self._pits_that_count()
        probes = [channel for pit in pits for channel in pit.readout.pit_channels]
        used = [*probes, *(p.settings.channel for p in on.values() if p.followed), *self._cabinets()]
        lines = green_list(
            self.settings.announcing,
            self.health,
            test_wake=sleep.test_wake is TestCallState.ACKNOWLEDGED,
            clock=self.wall.trusted,
            probes=all(self.good(c) is not None for c in used),
            answered=all(v.state is not AlarmState.UNACKNOWLEDGED for v in self.alarms.views()),
            wood=self._wood(now),
            unseen=[w.settings.name for w in self.pieces.values() if w.unseen_since is not None],
        )
        sleeper = self.settings.announcing.sleeper
        clock = self.duties.plan.rings_at(sleeper.notice + sleeper.dress_and_walk)
        why: Text
        if not self.health.well(inputs.Part.RECORD):
            window, why = None, say("missing.told")
        elif not on and self.pieces:
            window, why = None, say("green.no-piece")
            if any(
                pit.stage.stage in SETTLED_STAGES and pit.celsius < pit.band.low - BELOW for pit in self.pits.values()
            ):
                clock, why = None, say("green.pit-low")  # the plan's next hour is none to wait for
        else:
            seen = [not isnan(pit.readout.pit_now()) for pit in pits]
            windows = [
                pit.fire.nap_window(sleeper.lead) if sees else None for pit, sees in zip(pits, seen, strict=True)
            ]
            window, doubtful = earliest(windows), windows.index(None) if None in windows else 0
            why = pits[doubtful].fire.no_forecast or say("green.log-due")
            why = why if seen[doubtful] else say("green.unseen")
        return plan_nap(Readiness(lines, rung_within(window, clock, now, burning=bool(on)), why), now)

    def _wood(self, now: float) -> Wood:
        wood = self.duties.wood_view(self.settings.cook, now)
        if wood.left is None:
            return Wood.NOT_COUNTED
        if wood.short:
            return Wood.SHORT
        lasts = wood.runs_out is not None and wood.all_known
        return Wood.LASTS if lasts or self.pieces.all_off() else Wood.NOT_KNOWN

    def _pits_that_count(self) -> list[PitWatch]:
        """Those with meat on the fire; without any those that burn; the first where nothing does."""
        loaded = [pit for pit in self.pits.values() if self.pieces.on_pit(pit.id).on_fire()]
        burning = [pit for pit in self.pits.values() if pit.stage.stage not in NO_FIRE]
        return loaded or ([] if self.pieces else burning) or [self.pit]

    def _question_of_sibling(self, pit: str, now: float) -> ForecastRequest | None:
        """About the piece that has been longest on this fire with a probe of its own: it has taught most about the pit."""
        probed = [w for w in self.pieces.on_pit(pit).on_fire().values() if w.followed and not self._suspect(w)]
        longest = min(probed, key=lambda w: w.stage.on_at or now, default=None)
        return None if longest is None else self._question(longest, now)

    def _suspect(self, piece: PieceWatch) -> Text:
        """Why its probe is not to be trusted, or ""; a reading by hand speaks for a probe that has fallen silent."""
        good_at = 0.0 if piece.settings.channel is None else self.good_at.get(piece.settings.channel, 0.0)
        read_since = bool(piece.spots) and (piece.spots[-1].at or 0.0) > good_at
        return "" if read_since else self.readout.doubt(piece.settings.channel)

    def _question(self, piece: PieceWatch, now: float) -> ForecastRequest | None:
        """What is asked about a piece; None while there is nothing to ask."""
        first = piece.first_minute()
        last = int(now // MINUTE) - 1
        if first is None or last < first:
            return None
        cook, cabinet = self.settings.cook, self.settings.cook.hold.channel
        around = Circumstances(
            first=first,
            last=last,
            pit=tuple(self._air_minutes(piece, first, last)),
            band=self.pit_of(piece).band_at(piece.settings.place),
            boiling_point=self.settings.boiling_point,
            ambient=self.readout.mean_of(Role.AMBIENT, last),
            hold_cabinet=None if cabinet is None else self.good(cabinet),
            rest=cook.rest,
            suspect=self._suspect(piece),
        )
        return piece.question_for_forecaster(now, self.trace, around)

    def _pit_minutes(self, piece: PieceWatch, first: int, last: int) -> list[float]:
        """Control value of each engine minute, °C, of whichever pit the piece was on then; NaN of one that is no more."""

        def minutes(pit: str, begin: int, until: int) -> list[float]:
            known = self.pits.get(pit)
            return [nan] * (until - begin + 1) if known is None else known.readout.pit_minutes(begin, until)

        return piece.along(first, last, minutes)

    def _air_minutes(self, piece: PieceWatch, first: int, last: int) -> list[float]:
        """As `_pit_minutes`, but of where on the grate it lay, as far as that was read: what heats it."""

        def minutes(pit: str, begin: int, until: int) -> list[float]:
            known = self.pits.get(pit)
            if known is None:
                return [nan] * (until - begin + 1)
            spans = piece.lain(begin, until)
            return [v for place, start, end in spans for v in known.readout.air_minutes(place, start, end)]

        return piece.along(first, last, minutes)

    def standing(self, now: float) -> Standing | None:
        """Ahead or behind, see `Pieces.standing`."""
        return self.pieces.standing(self.settings, self.plan_pit().band, self.good, now)

    def minutes(self, channel: str, first: int, last: int) -> list[float]:
        """Minute medians of a channel, °C, NaN where unknown; both ends (engine time // 60) included."""
        return self.trace.since(channel, first, last)

    def is_unsettled(self, now: float) -> bool:
        """An alarm may be about to be raised, or this life is young: a stop now must not cost what was just heard."""
        return self.grace.is_young(now) or self.alarms.raises_before(now + SOON)

    def snapshot(self, now: float) -> Snapshot:
        """What others read."""
        asleep, would = self._asleep_since, self._plan_nap(now)
        parts = SnapshotParts(
            settings=self.settings,
            wall=self.wall,
            conditioner=self.conditioner,
            trace=self.trace,
            pits=tuple(self.pits.values()),
            pieces=self.pieces,
            alarms=self.alarms,
            annunciator=self.annunciator,
            health=self.health,
            links=tuple(self.links.values()),
            nap=None if asleep is None else replace(would, time=asleep),
            could_sleep=would if asleep is None else None,
            standing=self.standing(now),
            duties=self.duties,
            marks=self.marks,
            handheld=self.handheld,
            shift=self.shift.view(),
        )
        return make_snapshot(parts, now)

    def _utc(self, now: float) -> float:
        return now + self.wall.offset

    def _heard(self) -> set[str]:
        """What has been heard in this life: the pit, pieces by id."""
        channels = {p: w.cabinet or w.settings.channel for p, w in self.pieces.items()}
        heard = {p for p, c in channels.items() if c is None or self.grace.heard(self.good_at.get(c))}
        return heard | {
            pit.subject
            for pit in self.pits.values()
            if any(self.grace.heard(self.good_at.get(c)) for c in pit.readout.pit_channels)
        }

    def _cabinets(self) -> set[str]:
        """Channels of the air that stands for the core of a held piece."""
        return {w.cabinet for w in self.pieces.values() if w.cabinet is not None}

    def _use(self, piece: PieceWatch) -> None:
        hold = self.settings.cook.hold.channel
        if hold is not None and all(w.settings.channel != hold for w in self.pieces.values()):
            self.conditioner.in_use(hold, hold in self._cabinets())
        if piece.settings.channel is not None:
            self.conditioner.in_use(piece.settings.channel, piece.on_fire)

    def left_behind(self) -> list[tuple[str, str]]:
        """(rule, subject) of what is remembered of a device, a delivery, a channel, a pit or a piece that this rig and its cook
        do not have: a watch may go on with another rig, or with something in it under another name."""
        parts = [(PART_RULES[part], name) for part, name in self.health.unlike(self.settings)]
        own = {channel.id for channel in self.settings.channels} | set(self.pieces)
        own |= {pit.subject for pit in self.pits.values() if pit is not self.pit or not self.other_first}
        raised = {(view.rule, view.subject) for view in self.alarms.views()} | self.alarms.open()
        of_parts = frozenset(PART_RULES.values())
        return parts + sorted((rule, of) for rule, of in raised if of and of not in own and rule not in of_parts)

    def _is_another(self, dumped: dict[str, Any]) -> bool:
        """The first pit of a checkpoint is not that of this rig: it has another id and shares no probe. A fire with meat on it is
        never taken for another, whatever its pit and its probes are called now."""
        probes = set(self.pit.readout.pit_channels) & set(dumped["conditioner"]["channels"])
        known = dumped.get("pit_id", self.settings.pit_id)  # not in the checkpoints of earlier versions
        return known != self.settings.pit_id and not probes and not self.pieces.on_pit("").on_fire()

    # --- checkpoint --------------------------------------------------------------------------------------

    def dump(self) -> dict[str, Any]:
        """Everything but the rig's settings, as JSON-able values."""
        return {
            "version": CHECKPOINT_VERSION,
            "pit_id": self.settings.pit_id,
            "cook": cook_to_plain(self.settings.cook),
            "wall": [self.wall.offset, self.wall.trusted],
            **self.pit.dump(),
            "pits": {pit.id: pit.dump() for pit in self.pits.values() if pit.id},
            "since": {**self.pit.since.dump(), "good_at": dict(self.good_at)},
            **{part: getattr(self, part).dump() for part in PARTS_KEPT},
            "next_scan": self._next_scan,
            "closed": self._closed,
            "asleep_since": self._asleep_since,
            "acted_at": self._acted_at,
            "duties": self.duties.dump(),
            "shift": self.shift.dump(),
            "links": [astuple(counts) for counts in self.links.values()],
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`, on an engine of the same rig. Raises ValueError for one of another version."""
        if dumped.get("version") != CHECKPOINT_VERSION:
            raise ValueError(f"version {dumped.get('version')}, known: {CHECKPOINT_VERSION}")
        others: dict[str, Any] = dumped.get("pits", {})  # not in the checkpoints of earlier versions
        renamed = renamed_pit(others, self.pits)
        channels = {channel.id: channel.pit for channel in self.settings.with_role(Role.MEAT)}
        cook = at_home(cook_from_plain(dumped["cook"]), self.pits, renamed, channels)
        self.settings = replace(self.settings, cook=cook)
        self._begin_cook()
        self.wall = inputs.WallClock(*dumped["wall"])
        for pit, state in others.items():
            if (known := self.pits.get(renamed.get(pit, pit))) is not None:
                known.load(state)
        self.good_at = dict(dumped["since"]["good_at"])
        for part in PARTS_KEPT:
            if part in dumped:  # a checkpoint of an earlier version has fewer
                getattr(self, part).load(dumped[part])
        self.other_first = self._is_another(dumped)
        if not self.other_first:
            self.pit.load(dumped)
        self._next_scan, self._closed = dumped["next_scan"], dumped["closed"]
        for piece in self.pieces.values():
            self._use(piece)
            piece.pits_are_called(renamed)
            piece.cooked_on(piece.settings.pit, 0 if self._closed is None else self._closed + 1)
        self._asleep_since, self._acted_at = dumped["asleep_since"], dumped.get("acted_at")
        if "duties" in dumped:  # not in the checkpoints of earlier versions
            self.duties.load(dumped["duties"], renamed)
        if "shift" in dumped:  # not in the checkpoints of earlier versions
            self.shift.load(dumped["shift"])
        self.links = {counts[0]: inputs.LinkCounts(*counts) for counts in dumped["links"]}
