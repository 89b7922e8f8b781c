"""What happens on a night of the bench: our own village-hall scenario with its weather, wood and times drawn anew, and one
piece of bad luck (or none) from KINDS. Times are s after 17:00."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC

import numpy as np

from daemon.core.inputs import Health, Input, Part
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    HoldSettings,
    MeatKind,
    PieceSettings,
    QuietHours,
    Role,
    WatchSettings,
)
from daemon.wiring.learned import learned
from drivers.simulated.cook import HOUR, Act, Piece, Scenario, ScriptedAct
from drivers.simulated.scenarios import START_HOUR, demo_scenario
from drivers.simulated.sensor import Failing, ProbeFailure

MINUTE = 60.0
FRIDAY_17_00 = 1_795_798_800.0
"""UTC s, 2026-11-27 17:00: the wall clock at the start of the scenario."""
BED, RISE = 6.75 * HOUR, 13.5 * HOUR
"""23:45 and 06:30."""
LOAD_FED_NIGHT = 4.5
"""kg of wood that carry the simulated pit from 23:24 to the morning."""

KINDS = (
    "uneventful", "fed-late", "uneventful", "flare-up", "uneventful", "fire-out", "uneventful", "pit-probe", "uneventful",
    "lid-open", "uneventful", "hold-tripped", "outage", "restart", "clock-step", "board-silent", "meat-probe", "tender",
)  # fmt: skip
"""Dealt in turn: a third of the nights is uneventful."""

PIT_PROBES = ("pit-left", "pit-right", "pit-firebox")


@dataclass(frozen=True)
class Script:
    """What happens on a night. inputs: (time, input) from outside the pit. downs: spells of a phone without network.
    stops: (time, s) the watch is down; stop_after_call: (s after the first call, s), for then an alarm stands.
    steps: (time, offset, trusted) of the wall clock. held: a piece is in the hold from the start."""

    kind: str
    scenario: Scenario
    inputs: tuple[tuple[float, Input], ...] = ()
    downs: tuple[tuple[float, float], ...] = ()
    stops: tuple[tuple[float, float], ...] = ()
    stop_after_call: tuple[float, float] | None = None
    steps: tuple[tuple[float, float, bool], ...] = ((0.0, FRIDAY_17_00, True),)
    failures: tuple[ProbeFailure, ...] = ()
    held: bool = False


def draw(kind: str, rng: np.random.Generator) -> Script:
    """A night of this kind, its details drawn from `rng`."""
    demo = demo_scenario()
    chuck, lamb = demo.pieces
    at = float(rng.uniform(7.2, 11.5)) * HOUR  # when the bad luck strikes: 00:12 to 04:30
    load, extra = LOAD_FED_NIGHT * float(rng.uniform(0.95, 1.1)), list[ScriptedAct]()
    pieces: tuple[Piece, ...] = (chuck,)
    made: dict[str, object] = {}
    if kind in ("fed-late", "outage", "restart", "clock-step"):
        load = float(rng.uniform(1.5, 3.0))
    match kind:
        case "fire-out":
            load = float(rng.uniform(0.5, 1.2))
            extra = [ScriptedAct(7 * HOUR, Act.RAIN, amount=float(rng.uniform(2, 6)))]
        case "flare-up":
            burns = float(rng.uniform(8, 30)) * MINUTE
            extra = [
                ScriptedAct(at, Act.FLARE, amount=float(rng.uniform(2500, 6000))),
                ScriptedAct(at + burns, Act.FLARE),
            ]
        case "lid-open":
            extra = [ScriptedAct(at, Act.LID, amount=float(rng.choice([8.0, 40.0, 120.0])) * MINUTE)]
        case "hold-tripped":
            pieces = (chuck, replace(lamb, body=(*(b for b in lamb.body if b[0] != "start"), ("start", 93.0))))
            extra = [ScriptedAct(0.0, Act.HOLD, "lamb"), ScriptedAct(at, Act.CABINET, amount=0.0)]
            made["held"] = True
            made["stops"] = ((at - HOUR / 4, 60.0),)  # what the cook said of the hold must outlive a restart
        case "pit-probe":
            how = rng.choice([Failing.OPEN, Failing.STUCK, Failing.SILENT, Failing.DRIFT, Failing.SPIKES])
            made["failures"] = (ProbeFailure(str(rng.choice(PIT_PROBES)), Failing(how), at, RISE),)
        case "board-silent":
            lasts = float(rng.choice([2.0, 4.0, 30.0, 90.0])) * MINUTE
            channels = [c.source for c in demo.channels]
            made["failures"] = tuple(ProbeFailure(c, Failing.SILENT, at, at + lasts) for c in channels)
            made["inputs"] = (
                (at + 30, Health(Part.DEVICE, "board", False, "silent")),
                (at + lasts, Health(Part.DEVICE, "board", True)),
            )
        case "meat-probe":
            how = rng.choice([Failing.OPEN, Failing.STUCK, Failing.SILENT, Failing.PULLED_OUT])
            made["failures"] = (ProbeFailure("chuck", Failing(how), at, RISE),)
        case "tender":
            pieces = (lamb,)
        case "outage":
            down, up = at, at + float(rng.uniform(5, 180)) * MINUTE
            made["downs"] = ((down, up),)
            made["inputs"] = tuple(
                (when, Health(part, name, ok, "no answer"))
                for when, ok in ((down + 60, False), (up, True))
                for part, name in ((Part.BROKER, "broker"), (Part.CHANNEL, "phone"))
            )
        case "restart":
            many = int(rng.integers(1, 4))
            begins = np.sort(rng.uniform(6.9, 12.5, many)) * HOUR + np.arange(many) * 1300
            made["stops"] = tuple(
                (round(t, 1), float(s)) for t, s in zip(begins, rng.uniform(5, 1200, many), strict=True)
            )
            made["stop_after_call"] = float(rng.uniform(1, 150)), float(rng.uniform(5, 600))
        case "clock-step":
            start = float(rng.choice([0.0, FRIDAY_17_00]))
            by = float(rng.choice([86400.0, -3600.0, 3600.0]))
            later = FRIDAY_17_00 if start == 0.0 else FRIDAY_17_00 + by
            made["steps"] = ((0.0, start, start > 0.0), (at, later, True))
    on = float(rng.uniform(18.5, 20.5)) if kind == "tender" else 18.5
    script = [s for s in demo.script if s.subject == "" and s.time < 6.2 * HOUR and s.act is not Act.LID]
    script += [
        ScriptedAct((on - START_HOUR) * HOUR, Act.PUT_ON, pieces[0].id),
        ScriptedAct((on - START_HOUR) * HOUR, Act.LID, amount=60.0),
        ScriptedAct(6.4 * HOUR, Act.LOG, amount=load),
        *(ScriptedAct(h * HOUR, Act.WIND, amount=float(rng.uniform(0, 4))) for h in (3.0, 7.0, 9.0, 11.0)),
        *extra,
    ]
    ids = {p.id for p in pieces}
    scenario = replace(
        demo,
        name=kind,
        pieces=pieces,
        channels=tuple(c for c in demo.channels if not c.piece or c.piece in ids),
        script=tuple(script),
        failures=(),
        outside=float(rng.uniform(2, 14)),
    )
    return Script(kind, scenario, **made)  # type: ignore[arg-type]


def watch_settings(script: Script) -> WatchSettings:
    """The rig and cook of a scenario, as the cook would have filed them."""
    s = script.scenario
    roles = {"pit": Role.PIT, "meat": Role.MEAT, "outside": Role.AMBIENT, "cabinet": Role.HOLD}
    channels = tuple(ChannelSettings(c.source, c.source, roles[c.kind], stale_after=35.0) for c in s.channels)
    cook = CookSettings(
        "night", "village-hall lunch", Band(s.band_low, s.band_high), tuple(map(_piece, s.pieces)),
        hold=HoldSettings(floor=s.hold_floor, channel="cabinet"),
    )  # fmt: skip
    audiences = (("phone", ("phone",)), ("louder", ("phone",)), ("sounder", ("sounder",)), ("notice", ("phone",)))
    quiet = QuietHours(22 * 60, 7 * 60, UTC)
    return WatchSettings(
        "pit", "Pit", channels, cook, AnnouncingSettings(quiet, audiences=audiences), learned=learned()
    )


def _piece(p: Piece) -> PieceSettings:
    body = dict(p.body)
    return PieceSettings(
        p.id, p.id.title(), p.cut, MeatKind.WHOLE_ROAST, p.id, p.weight, body["thickness"], body["shape"],
        tender_low=p.tender_low, tender_high=p.tender_high,
    )  # fmt: skip
