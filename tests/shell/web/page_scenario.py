"""Our own night for the page: a beef chuck roll and a lamb shoulder for a village-hall lunch, at 02:14.

A stand-in for the watch: it answers the page's four questions and obeys its commands, without the core.
`python -m tests.shell.web.page_scenario` serves it at http://localhost:8077 and prints the link that pairs a browser.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from threading import Lock

from config.cook import Cook, ReminderSection
from config.cuts import CUTS
from daemon.core import inputs, orders
from daemon.core.alarms.state import stands_as
from daemon.core.alarms.table import AlarmView
from daemon.core.annunciation.annunciator import SleepView
from daemon.core.annunciation.test_call import TestCallState
from daemon.core.events import AlarmState, FireNoticed, FireSign, NapPlanned, ProbeFault
from daemon.core.food_safety.record import SafetyView
from daemon.core.forecast.ahead import wrapped_at
from daemon.core.forecast.standing import standing
from daemon.core.orders import MarkKind
from daemon.core.outlook import FanPoint, Goal, Interval, Outlook
from daemon.core.pit.evenness import Evenness, PlaceHeat
from daemon.core.planned import KeptPlan, PlannedPiece, ReminderSettings
from daemon.core.said import say
from daemon.core.settings import Band, CookSettings, MeatKind, PieceSettings, Wrap
from daemon.core.shift import DeedView, OnWatch, ShiftView
from daemon.core.snapshot import ChannelView, PieceView, PitView, Snapshot
from daemon.shell.web.access import new_token
from daemon.shell.web.contract import (
    History,
    HistoryMark,
    PageSettings,
    PlannedCook,
    bucketed,
)
from daemon.shell.web.pairing import login_url
from daemon.shell.web.server import PageServer
from daemon.wiring.settings_from_files import reminder_settings
from drivers.reading import Quality
from tests.shell.web.page_cooks import PROFILE, FakeCooks
from tests.shell.web.page_curves import (
    BAND,
    CHANNELS,
    FEED,
    HOUR,
    LIT,
    NIGHT,
    SERVE,
    WALL_OFFSET,
    core_at,
    pit_at,
)

COLD = 14.0
"""°C of everything before the fire is lit."""


def fan_from(start: float, first: float, last: float, hours: float) -> tuple[FanPoint, ...]:
    points = []
    for step in range(40):
        share = step / 39
        middle = first + (last - first) * share**0.8
        points.append(FanPoint(start + share * hours * HOUR, middle - 5 * share, middle, middle + 4 * share))
    return tuple(points)


def chuck(now: float) -> PieceView:
    tender = Interval(now + 5.1 * HOUR, now + 6.3 * HOUR, now + 7.9 * HOUR)
    celsius = core_at(now, 68.0, 1.0)
    return PieceView(
        "chuck-roll",
        "Beef chuck roll",
        "beef-chuck-roll",
        "chuck",
        "stall",
        now - 2400,
        celsius,
        0.8,
        LIT + 0.75 * HOUR,
        None,
        None,
        77.0,
        92.0,
        97.0,
        None,
        0.94,
        (
            Outlook(Goal.WRAP, "planned", Interval(now + 1.2 * HOUR, now + 1.9 * HOUR, now + 2.6 * HOUR)),
            Outlook(Goal.TENDER, "planned", tender),
            Outlook(Goal.TENDER, "wrapped-now", Interval(now + 4.2 * HOUR, now + 5.0 * HOUR, now + 6.1 * HOUR)),
            Outlook(Goal.TENDER, "never-wrapped", Interval(now + 7.0 * HOUR, now + 8.8 * HOUR, now + 11.0 * HOUR)),
        ),
        now - 120,
        fan_from(now, celsius, 95.0, 8.0),
        "",
        SafetyView(
            now - 1.4 * HOUR,
            1.0,
            "FSIS Appendix A, roasts",
            4.6 * HOUR,
            6 * HOUR,
            notes=(
                say(
                    "safety.minimum-read",
                    rule="USDA home guidance, with 3 min rest",
                    minimum=62.8,
                    margin=say("safety.probe-margin", tolerance=1.5),
                ),
            ),
        ),
    )


def lamb(now: float) -> PieceView:
    celsius = core_at(now, 73.0, 1.35)
    return PieceView(
        "lamb-shoulder",
        "Lamb shoulder",
        "lamb-shoulder",
        "lamb",
        "wrapped",
        now - 1500,
        celsius,
        6.4,
        LIT + 0.75 * HOUR,
        now - 1500,
        None,
        74.0,
        90.0,
        95.0,
        None,
        0.1,
        (Outlook(Goal.TENDER, "planned", Interval(now + 2.4 * HOUR, now + 2.9 * HOUR, now + 3.7 * HOUR)),),
        now - 60,
        fan_from(now, celsius, 94.0, 3.6),
        "",
        SafetyView(come_up_seconds=3 * HOUR),
    )


def feed_alarm(now: float) -> AlarmView:
    return AlarmView(
        FEED,
        "feed-due",
        "pit",
        AlarmState.UNACKNOWLEDGED,
        True,
        3,
        now - 180,
        now - 180,
        "medium",
        True,
        "Add 1-2 splits now",
        f"Pit {pit_at(now) + 1:.0f} °C and falling; below the band soon.",
        pit_at(now) + 1,
        23 * 60.0,
        stands_as=stands_as(AlarmState.UNACKNOWLEDGED, recovered=False),
    )


def standing_as(alarm: AlarmView, state: AlarmState) -> AlarmView:
    return replace(alarm, state=state, stands_as=stands_as(state, recovered=False))


def snapshot_at(now: float = NIGHT) -> Snapshot:
    """The whole picture with a feed prompt unacknowledged and one doubtful probe."""
    channels = []
    for index, (key, (name, role, value)) in enumerate(CHANNELS.items()):
        doubtful = key == "air"
        quality, doubts = (Quality.SUSPECT, (ProbeFault.DRIFT,)) if doubtful else (Quality.GOOD, ())
        place = {"pit-left": "firebox end", "pit-right": "chimney end"}.get(key)
        rate = (value(now) - value(now - 600)) * 6
        channels.append(ChannelView(key, name, role, place, value(now), quality, doubts, None, 1.0 + index, rate))
    pit = PitView(
        "pit",
        "Brick pit",
        "falling",
        now - 300,
        BAND,
        pit_at(now) + 1,
        -26.0,
        False,
        now - 40 * 60,
        Interval(now + 9 * 60, now + 23 * 60, now + 41 * 60),
        "",
        Evenness(
            16.0,
            (
                PlaceHeat("firebox end", pit_at(now) + 9, 8.0),
                PlaceHeat("middle", pit_at(now) + 1, 1.0),
                PlaceHeat("chimney end", pit_at(now) - 7, -9.0),
            ),
            "Turn the chuck roll: thick end to the chimney",
        ),
        forecast_made_at=now - 40,
        feed_at=now + 13 * 60,
    )
    fires = (FireNoticed(now - 2390, FireSign.LOG_ADDED, now - 2400, 0.93),)
    pieces = (chuck(now), lamb(now))
    return Snapshot(
        now,
        WALL_OFFSET,
        True,
        "2026-06-12-hall-lunch",
        "Village-hall lunch",
        SERVE,
        0.91,
        tuple(channels),
        pit,
        pieces,
        (feed_alarm(now),),
        SleepView(True, False, None, TestCallState.ACKNOWLEDGED),
        None,
        (),
        fires,
        standing(
            SERVE, 4.0 * HOUR, now, BAND, {p.id: p.outlooks for p in pieces}, {p.id: p.celsius or 0.0 for p in pieces}
        ),
        PROFILE,
        (inputs.LinkCounts("board", lost=12, restarts=1),),
        shift=ShiftView(cook_since=LIT - 0.5 * HOUR),
        could_sleep=nap_at(now),
    )


def nap_at(now: float) -> NapPlanned:
    """What "I am going to sleep" is answered."""
    green = ("test wake seen", "all probes fresh", "clock set", "disk has room")
    return NapPlanned(now, now + 1500, now + 2400, green, ("add a second device that can wake you",))


def _waiting(piece: PieceSettings, now: float) -> PieceView:
    return PieceView(
        id=piece.id,
        name=piece.name,
        cut=piece.cut,
        channel=piece.channel,
        stage="waiting",
        since=now,
        celsius=5.0,
        rate=None,
        on_at=None,
        wrapped_at=None,
        off_at=None,
        wrap_at=piece.wrap_at,
        tender_low=piece.tender_low,
        tender_high=piece.tender_high,
        target=piece.target,
        stall_probability=0.0,
        outlooks=(),
        forecast_at=None,
        fan=(),
        question="",
        safety=SafetyView(),
    )


class FakeWatch:
    """Obeys at once what the real watch would obey in its loop. commands: everything it was told, in order.

    A test changes it from its own thread while the page's thread lets time pass: whatever a test sets is never lost."""

    def __init__(self, now: float = NIGHT) -> None:
        self._setting = Lock()
        self.now = now
        self.commands: list[inputs.Command] = []
        self.cooks = FakeCooks()
        self._changes = snapshot_at(now)
        self.began = LIT - HOUR
        """When the first probe was heard."""
        self.still = False
        """Values stay as they are while time passes."""
        self.cold = False
        """No fire ever burned: every probe has read the same all the while."""
        self.marks = [HistoryMark(now - 40 * 60 - 48 * 60 * n, "log") for n in range(6)]

    @property
    def changes(self) -> Snapshot:
        """The picture as it stands."""
        return self._changes

    @changes.setter
    def changes(self, changed: Snapshot) -> None:
        with self._setting:
            self._changes = changed

    def snapshot(self) -> Snapshot:
        return self.changes

    async def command(self, command: inputs.Command) -> None:
        self.commands.append(command)
        old = self.changes
        match command:
            case orders.Acknowledge(alarm):
                self.changes = replace(
                    old,
                    alarms=tuple(
                        standing_as(a, AlarmState.ACKNOWLEDGED) if alarm in ("*", a.key) else a for a in old.alarms
                    ),
                )
            case orders.Shelve(alarm, seconds, reason):
                self.changes = replace(
                    old,
                    alarms=tuple(
                        replace(a, state=AlarmState.SHELVED, shelved_until=self.now + seconds, shelved_reason=reason)
                        if a.key == alarm
                        else a
                        for a in old.alarms
                    ),
                )
            case orders.SetBand(band):
                self.changes = replace(old, pit=replace(old.pit, band=band))
            case orders.AskWrap(piece, celsius):
                self._asked(piece, celsius)
            case orders.PauseSound(seconds):
                self.changes = replace(old, sleep=replace(old.sleep, paused_until=self.now + seconds))
            case orders.Mark(kind, piece):
                self.marks.append(HistoryMark(self.now, kind.value, piece))
                self._mark(kind, piece)
            case orders.GoToSleep():
                asleep = replace(old.sleep, asleep=True)
                self.changes = replace(old, nap=nap_at(self.now), could_sleep=None, sleep=asleep)
            case orders.GoodMorning():
                awake = replace(old.sleep, asleep=False)
                self.changes = replace(old, nap=None, could_sleep=nap_at(self.now), sleep=awake)
            case orders.TestWake():
                self.changes = replace(old, sleep=replace(old.sleep, test_wake=TestCallState.SENT))
            case orders.HandOver(to, _, note):
                self.changes = replace(old, shift=replace(old.shift, on_watch=OnWatch(to, self.now, note)))
            case orders.TellDeed(piece, deed, by, note):
                told = DeedView(piece, "hold-unsafe/" + piece, deed, self.now, by, note)
                asked = tuple(a for a in old.shift.asked if a.piece != piece)
                self.changes = replace(old, shift=replace(old.shift, asked=asked, deeds=(*old.shift.deeds, told)))
            case orders.JudgeWake(notification, needed):
                self.cooks.judged[notification] = needed
            case inputs.UsePitProfile(profile):
                self.changes = replace(old, profile=profile)
            case orders.StartCook(cook):
                self._start(cook)
            case orders.AddPiece(piece):
                self.changes = replace(old, pieces=(*old.pieces, _waiting(piece, self.now)))
            case orders.RemovePiece(piece):
                self.changes = replace(old, pieces=tuple(p for p in old.pieces if p.id != piece))
            case orders.MoveProbe(piece, channel):
                self.changes = replace(
                    old, pieces=tuple(replace(p, channel=channel) if p.id == piece else p for p in old.pieces)
                )
            case orders.EndCook():
                self.changes = replace(old, cook_id="", cook_name="", serve_at=None, pieces=(), alarms=())

    def _asked(self, piece: str, celsius: float | None) -> None:
        """Sooner by some minutes for each degree under 77 °C."""
        old, answers = self.changes, list[Outlook]()
        if celsius is not None:
            p05, p50, p95 = (self.now + hours * HOUR - (77.0 - celsius) * 240.0 for hours in (5.1, 6.3, 7.9))
            answers.append(Outlook(Goal.TENDER, wrapped_at(celsius), Interval(p05, p50, p95)))
        self.changes = replace(
            old,
            pieces=tuple(
                replace(
                    p,
                    asked_wrap=celsius,
                    outlooks=(*(o for o in p.outlooks if "-at-" not in o.scenario), *answers),
                )
                if p.id == piece
                else p
                for p in old.pieces
            ),
        )

    def _mark(self, kind: MarkKind, piece: str | None) -> None:
        stages = {
            MarkKind.WRAPPED: "wrapped",
            MarkKind.OFF: "off",
            MarkKind.HOLD: "hold",
            MarkKind.REST: "rest",
            MarkKind.PROBED_TENDER: "tender-range",
            MarkKind.MEAT_ON: "on",
        }
        old = self.changes
        if kind is MarkKind.LOG:
            log_due = Interval(self.now + 34 * 60, self.now + 47 * 60, self.now + 66 * 60)
            self.changes = replace(
                old,
                pit=replace(old.pit, last_log=self.now, log_due=log_due, feed_at=self.now + 37 * 60, stage="in-band"),
            )
        elif kind in stages:
            self.changes = replace(
                old,
                pieces=tuple(
                    replace(p, stage=stages[kind], since=self.now) if piece in (None, p.id) else p for p in old.pieces
                ),
            )

    def _start(self, cook: CookSettings) -> None:
        pieces = tuple(_waiting(p, self.now) for p in cook.pieces)
        old = self.changes
        self.changes = replace(
            old,
            cook_id=cook.id,
            cook_name=cook.name,
            serve_at=cook.serve_at,
            serve_chance=None,
            pit=replace(old.pit, band=cook.band),
            pieces=pieces,
            alarms=(),
        )

    def history(self, start: float, end: float, max_points: int) -> History:
        first, last = max(start, self.began), min(end, self.now)
        times = [first + 20 * n for n in range(max(0, int((last - first) // 20)))]
        series = {key: [(t, COLD if self.cold else value(t)) for t in times] for key, (_, _, value) in CHANNELS.items()}
        return bucketed(series, start, end, max_points, self.marks)

    def build_cook(self, cook: Cook) -> CookSettings:
        """As the application does with a cook file; refuses a probe that is not there."""
        pieces = []
        for piece in cook.pieces:
            if piece.channel is not None and piece.channel not in CHANNELS:
                raise ValueError(f"no probe {piece.channel!r}; there are {', '.join(CHANNELS)}")
            cut = CUTS[piece.cut]
            low, high = cut.tender or (None, None)
            thickness = piece.thickness / 100 if piece.thickness else cut.thickness_at(piece.weight)
            pieces.append(
                PieceSettings(
                    piece.id or piece.cut,
                    piece.name,
                    piece.cut,
                    MeatKind(cut.kind),
                    piece.channel,
                    piece.weight,
                    thickness,
                    cut.shape,
                    Wrap.FOIL if cut.wrap_at else None,
                    cut.wrap_at,
                    low,
                    high,
                    cut.target,
                    serve_at=None if (own := piece.serve_at_utc("UTC")) is None else own - WALL_OFFSET,
                )
            )
        serve_at = cook.serve_at_utc("UTC")
        band = Band(cook.band.low, cook.band.high) if cook.band else BAND
        return CookSettings(
            cook.id, cook.name, band, tuple(pieces), None if serve_at is None else serve_at - WALL_OFFSET
        )

    def plan(self, cook: Cook | None, ambient: float | None, wind: float, wake: bool) -> Callable[[], PlannedCook]:
        """As if every piece lay on the fire for eight hours."""
        if cook is not None and cook.serve_at is None:
            return self._no_serving_time
        serve_at = self.changes.serve_at if cook is None or cook.serve_at is None else self.build_cook(cook).serve_at
        assert serve_at is not None
        name = self.changes.cook_name if cook is None else cook.name
        on = serve_at - 10 * 3600.0
        pieces = (PlannedPiece("chuck", on, 7 * 3600.0, 8 * 3600.0, 9 * 3600.0),)
        kept = KeptPlan(serve_at, 3600.0, on - 4500.0, 4500.0, 2400.0, pieces, wake)
        lines = (
            f"serve {name}",
            f"  outside {ambient} °C, wind {wind:g} m/s",
            say("plan.guests-need", guests=60, raw=15.0),
        )
        return lambda: PlannedCook(lines, kept)

    def reminder(self, own: ReminderSection) -> ReminderSettings:
        return reminder_settings(own, "UTC", WALL_OFFSET)

    def _no_serving_time(self) -> PlannedCook:
        raise ValueError("a plan needs a serving time; add it")

    def tick(self, seconds: float) -> Snapshot:
        """Let time pass: new values, everything else as it was."""
        if seconds:
            self.now += seconds
        while True:
            before = self.changes
            after = self._later(before)
            with self._setting:
                if self._changes is before:  # else a test has changed it in between: begin anew from there
                    self._changes = after
                    return after

    def _later(self, old: Snapshot) -> Snapshot:
        if self.still:
            return replace(old, time=self.now)
        fresh = snapshot_at(self.now)
        pit = replace(old.pit, celsius=fresh.pit.celsius, rate=fresh.pit.rate, evenness=fresh.pit.evenness)
        return replace(old, time=self.now, channels=fresh.channels, pit=pit)


def page_server(watch: FakeWatch, token: str, settings: PageSettings) -> PageServer:
    return PageServer(
        settings,
        watch.snapshot,
        watch.command,
        watch.history,
        watch.cooks,
        token,
        build_cook=watch.build_cook,
        planning=watch,
    )


async def serve_for_people() -> None:
    """Serve the scenario until interrupted, one second of the night each second."""
    watch, token = FakeWatch(), new_token()
    server = page_server(watch, token, PageSettings(host="127.0.0.1"))
    await server.start()
    print(login_url("localhost", server.port, token))
    try:
        while True:
            await asyncio.sleep(1)
            server.publish(watch.tick(1.0))
    finally:
        await server.stop()


if __name__ == "__main__":
    asyncio.run(serve_for_people())
