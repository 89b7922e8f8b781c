"""Three kept cooks of ours, for the page: answers as the watch's own library does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from config.cuts import CUTS
from daemon.core.alarms.figures import AlarmFigures, Transition, alarm_figures
from daemon.core.events import AlarmState
from daemon.core.pit_profile import FireProfile, ForecastMiss, PitProfile, PlaceLesson
from daemon.core.settings import ChannelSettings, CookSettings, MeatKind, PieceSettings, Role
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.rows import CookCurve, CookNotes, CookRow, UnknownCook, WakeRow
from daemon.shell.web.contract import Span
from daemon.shell.wording import rfc3339
from tests.shell.web.page_curves import BAND, FEED, HOUR, LIT, NIGHT, WALL_OFFSET, core_at, pit_at

FAIR, CHOIR, TRIAL = "2026-05-02-may-fair", "2026-05-23-choir", "2026-06-06-trial"


def piece_of(key: str, cut: str, channel: str) -> PieceSettings:
    row = CUTS[cut]
    return PieceSettings(key, row.name, cut, MeatKind(row.kind), channel, row.weight, row.thickness, row.shape)


PIECES = (piece_of("chuck-roll", "beef-chuck-roll", "chuck"), piece_of("lamb-shoulder", "lamb-shoulder", "lamb"))

CHANNELS_KEPT = (ChannelSettings("pit-left", "Grate, firebox end", Role.PIT),)
PROFILE = PitProfile(
    FireProfile(((1.0, 2.0),) * 40, (44.0, 51.0, 47.0, 39.0, 58.0, 46.0, 49.0, 45.0, 52.0)),
    (PlaceLesson("firebox end", 8.4, 26.5), PlaceLesson("middle", 0.3, 26.5), PlaceLesson("chimney end", -8.7, 26.5)),
    11.5,
    -21.0,
    (
        ForecastMiss(FAIR, "Beef chuck roll", 6.0),
        ForecastMiss(FAIR, "Lamb shoulder", 3.5),
        ForecastMiss(CHOIR, "Beef chuck roll", 4.0),
    ),
    (FAIR, CHOIR),
)
"""What the first two taught, and a few fires."""


class FakeCooks:
    """Three kept cooks of ours. Answers as a cook log does."""

    def __init__(self) -> None:
        names = (
            (FAIR, "May fair", "Brick pit"),
            (CHOIR, "Choir supper", "Brick pit"),
            (TRIAL, "Trial in the drum", "Drum pit"),
        )
        self.listed = tuple(
            CookRow(
                key,
                name,
                pit,
                NIGHT - (30 - 9 * i) * 86400,
                (13 + i) * HOUR,
                ("Beef chuck roll", "Lamb shoulder"),
                "good",
                0.81 + 0.05 * i,
                14.0 - 2 * i,
                16.0 - i,
                11.5 + i,
                0.62 + 0.01 * i,
            )
            for i, (key, name, pit) in enumerate(names)
        )
        self.judged: dict[str, bool] = {}
        self.notes: dict[str, CookNotes] = {}

    def rows(self, words: str, limit: int) -> Sequence[CookRow]:
        found = [row for row in self.listed if words.lower() in f"{row.name} {row.pit} {' '.join(row.pieces)}".lower()]
        return found[:limit]

    def compare(self, ids: Sequence[str], max_points: int) -> Sequence[CookCurve]:
        by_id = {row.id: (index, row) for index, row in enumerate(self.listed)}
        curves = []
        for key in ids:
            if key not in by_id:
                raise UnknownCook(key)
            index, row = by_id[key]
            times = tuple(row.duration * step / (max_points - 1) for step in range(max_points))
            pit = tuple(pit_at(LIT + 1800 + t) + 4 * index for t in times)
            cores = tuple(core_at(LIT + t, 68.0, 1.0 + 0.1 * index) for t in times)
            curves.append(CookCurve(row, times, pit, (("Beef chuck roll", cores),)))
        return curves

    def kept(self, cook: str) -> KeptCook:
        """With a log at every half hour and one wake, as the event file has them."""
        (curve,) = self.compare([cook], 200)
        row, notes = (
            curve.cook,
            self.notes.get(
                cook, CookNotes("Tender, a little salty", "9 °C, light wind", ("rub.jpg",), curve.cook.wood)
            ),
        )
        started = row.started - WALL_OFFSET
        events: list[dict[str, Any]] = [
            {"time": rfc3339(row.started + 1800 * n), "event": "mark", "kind": "log", "piece": None, "by": "cook"}
            for n in range(1, 12)
        ]
        events.append(
            {
                "time": rfc3339(row.started + 5 * HOUR),
                "event": "mark",
                "kind": "wrapped",
                "piece": "chuck-roll",
                "by": "cook",
            }
        )
        events.append(
            {
                "time": rfc3339(row.started + 6 * HOUR),
                "event": "notification",
                "level": "wake",
                "text": "Add 1-2 splits now",
            }
        )
        minutes = tuple(range(int(started // 60), int((started + row.duration) // 60)))
        series = {"pit-left": tuple(pit_at(LIT + 60 * n) for n in range(len(minutes)))}
        return KeptCook(row.id, row.name, row.pit, started, started + row.duration, WALL_OFFSET,
                        CookSettings(row.id, row.name, BAND, PIECES), CHANNELS_KEPT, minutes, series, tuple(events),
                        notes.verdict, notes.weather, notes.photos, notes.wood, notes.weights)  # fmt: skip

    def amend(self, cook: str, notes: CookNotes) -> None:
        if cook not in {row.id for row in self.listed}:
            raise UnknownCook(cook)
        if strange := set(notes.weights) - {piece.id for piece in PIECES}:
            raise ValueError(f"no piece is called {strange.pop()!r}")
        self.notes[cook] = notes
        self.listed = tuple(
            replace(row, verdict=notes.verdict, wood=notes.wood) if row.id == cook else row for row in self.listed
        )

    def wakes(self) -> Sequence[WakeRow]:
        return (
            WakeRow(f"{FEED}#2.0", NIGHT - 48 * 60, "Add 1-2 splits now", False, self.judged.get(f"{FEED}#2.0")),
            WakeRow("stall/chuck-roll#1.0", NIGHT - 2400, "Chuck roll has stalled", True),
        )

    def alarm_figures(self, of: Span) -> AlarmFigures:
        """A night of two alarms, of which one was answered; a season with a third."""
        known = [
            Transition(600.0, FEED, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, True),
            Transition(690.0, FEED, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, True),
            Transition(2400.0, FEED, AlarmState.ACKNOWLEDGED, AlarmState.NORMAL, True),
            Transition(3000.0, "meat-probe-lost/lamb", AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED),
        ]
        if of == "season":
            known.append(Transition(9000.0, FEED, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, True))
        return alarm_figures(known, 0.0, 14 * HOUR, [True, True, False])

    def curve(self, kept: KeptCook, max_points: int) -> CookCurve:
        return self.compare([kept.id], max_points)[0]

    def report(self, cook: str, pit: str = "") -> bytes:
        if cook not in {row.id for row in self.listed}:
            raise UnknownCook(cook)
        return b"<!doctype html><html lang=en><title>Report</title><p>A kept cook.</p></html>"
