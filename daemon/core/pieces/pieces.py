"""All pieces of the running cook, by id."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite, nan
from typing import Any

from daemon.core.events import CommandRefused, Event, ForecastMade
from daemon.core.forecast.standing import Standing, standing
from daemon.core.inputs import ForecastArrived
from daemon.core.marks import OF_THE_PIT
from daemon.core.orders import AskWrap, Mark
from daemon.core.pieces.piece import PieceWatch
from daemon.core.pieces.stage import AFTER_THE_PIT
from daemon.core.readings.trace import Trace
from daemon.core.said import Text, say
from daemon.core.settings import Band, PieceSettings, WatchSettings


class Pieces(dict[str, PieceWatch]):
    """Empty between cooks."""

    def begin(self, settings: WatchSettings) -> None:
        """Forget the last cook's pieces and take up those of this one."""
        self.clear()
        for piece in settings.cook.pieces:
            self[piece.id] = fresh_watch(piece, settings)

    def change(self, settings: WatchSettings, minute: int, trace: Trace) -> None:
        """Take up the pieces of a changed cook. What one went through stays with its id. minute: the first one of the change."""
        before = dict(self)
        self.clear()
        for piece in settings.cook.pieces:
            watch = fresh_watch(piece, settings)
            if piece.id in before:
                watch.load(before[piece.id].dump())
                watch.cooked_on(piece.pit, minute)
                watch.laid(piece.place, minute)
                if before[piece.id].settings.channel != piece.channel:
                    watch.read_by(piece.channel, minute, trace)
            self[piece.id] = watch

    def meant(self, mark: Mark) -> list[PieceWatch]:
        """The pieces a mark speaks of."""
        if mark.kind in OF_THE_PIT:
            return []
        return [self[mark.piece]] if mark.piece is not None else list(self.values())

    def on_pit(self, pit: str) -> Pieces:
        """Those that are cooked on this pit."""
        return Pieces({piece: watch for piece, watch in self.items() if watch.settings.pit == pit})

    def on_fire(self) -> dict[str, PieceWatch]:
        return {piece: watch for piece, watch in self.items() if watch.on_fire}

    def need_fire(self) -> bool:
        return any(watch.needs_fire for watch in self.values())

    def all_off(self) -> bool:
        """There are pieces, and every one has left the fire."""
        return bool(self) and all(w.stage.stage in AFTER_THE_PIT and not w.needs_fire for w in self.values())

    def forecast(self, item: ForecastArrived, now: float) -> list[Event]:
        watch = self.get(item.piece)
        if watch is None:
            return []
        watch.take_forecast(item)
        asked = watch.stage.ask_about_wrap(item.hangs_on_wrap, now) + watch.stage.ask_about_probe(watch.slid_out, now)
        return [ForecastMade(now, item.piece, item.asked_at, item.outlooks, item.fan), *asked]

    def ask_wrap(self, item: AskWrap, now: float) -> list[Event]:
        """The cook's own "if wrapped at": kept for every forecast to come, or refused."""
        watch = self.get(item.piece)
        reason: Text = ""
        if watch is None:
            reason = say("refused.no-piece", piece=item.piece)
        elif item.celsius is not None and not isfinite(item.celsius):
            reason = say("refused.no-temperature")
        elif item.celsius is not None and not watch.on_fire:
            reason = say("refused.not-on", name=watch.settings.name)
        elif item.celsius is not None and watch.stage.wrapped_at is not None:
            reason = say("refused.wrapped-already", name=watch.settings.name)
        if watch is None or reason:
            return [CommandRefused(now, "if wrapped at", reason)]
        watch.asked_wrap = item.celsius
        return []

    def standing(
        self, settings: WatchSettings, band: Band, good: Callable[[str | None], float | None], now: float
    ) -> Standing | None:
        """Ahead of the serving time or behind it with what is on the fire, and what helps; None: nothing to say.
        good: the believed value of a channel, °C."""
        cook, on = settings.cook, self.on_fire()
        if cook.serve_at is None or not on:
            return None
        cores = {piece: nan if (value := good(w.settings.channel)) is None else value for piece, w in on.items()}
        outlooks = {piece: watch.outlooks for piece, watch in on.items()}
        own = {id_: w.settings.serve_at for id_, w in on.items() if w.settings.serve_at is not None}
        return standing(cook.serve_at, cook.rest, now, band, outlooks, cores, own)

    def dump(self) -> dict[str, Any]:
        return {piece: watch.dump() for piece, watch in self.items()}

    def load(self, dumped: dict[str, Any]) -> None:
        for piece, state in dumped.items():
            if piece in self:
                self[piece].load(state)


def fresh_watch(piece: PieceSettings, settings: WatchSettings) -> PieceWatch:
    """The watch of a piece that has seen nothing yet."""
    channel = None if piece.channel is None else settings.channel(piece.channel)
    hold = settings.cook.hold
    cabinet = None if hold.channel is None else settings.channel(hold.channel)
    return PieceWatch(piece, hold, channel.tolerance if channel else 0.0, cabinet.tolerance if cabinet else 0.0)
