"""The answers: each reads the immutable snapshot or puts one command in the queue. Nothing here holds state."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar, get_args

from aiohttp import web
from pydantic import TypeAdapter, ValidationError

from config.cook import HOLD_RULES, Cook
from config.cuts import CUTS
from config.doubts import band_doubts, cook_doubts, piece_doubts
from config.plain_errors import plain_problems
from daemon.core import inputs, orders
from daemon.core.alarms.figures import AlarmFigures
from daemon.core.mark_doubts import doubt
from daemon.core.marks import on_only_at
from daemon.core.pit_profile import PitProfile
from daemon.core.said import say
from daemon.core.settings import Band, CookSettings, Role
from daemon.core.snapshot import Snapshot
from daemon.shell.changed_piece import changed_piece, changed_section
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.rows import CookCurve, CookNotes
from daemon.shell.library.tables import minutes_csv
from daemon.shell.web import models, openapi
from daemon.shell.web.contract import CookBuilder, CookLibrary, History, HistorySource, Span
from daemon.shell.web.kept_page import kept_page, lessons
from daemon.shell.web.readers import Readers
from daemon.shell.web.request import (
    IF_MEANT,
    Refused,
    answer,
    asked,
    body_of,
    known_piece,
    number,
    one_cook,
    packed,
    piece_called,
    points,
    sure,
    taken,
    to_come,
    words,
)
from daemon.shell.web.streams import Streams
from daemon.texts.composer import Composer
from daemon.texts.problems import of_order, why
from daemon.texts.reader import CELSIUS

SPANS: dict[str, Span] = {span: span for span in get_args(Span)}
COOKS_LIMIT = 200
COMPARED = range(2, 7)

SNAPSHOT: TypeAdapter[Snapshot] = TypeAdapter(Snapshot)
HISTORY: TypeAdapter[History] = TypeAdapter(History)
FIGURES: TypeAdapter[AlarmFigures] = TypeAdapter(AlarmFigures)
JSON: TypeAdapter[Any] = TypeAdapter(Any)
Order = TypeVar("Order", bound=models.Body)


def snapshot_json(snapshot: Snapshot, composer: Composer) -> bytes:
    """In the words of a reader. The pit's lessons are left out: hundreds of rows that change once a cook have their own route."""
    return SNAPSHOT.dump_json(composer.at(snapshot.wall_offset).spoken(snapshot), exclude={"profile", "profiles"})


class Api:
    """One method a route, named in the route table."""

    def __init__(
        self,
        snapshot: Callable[[], Snapshot],
        command: Callable[[inputs.Command], Awaitable[None]],
        history: HistorySource,
        cooks: CookLibrary,
        build_cook: CookBuilder | None,
        streams: Streams,
        facts: Callable[[web.Request], models.PageFacts],
        holds_key: Callable[[web.Request], bool] = lambda request: True,
        zone: str = "UTC",
        readers: Readers | None = None,
    ) -> None:
        self._readers = readers or Readers(CELSIUS)
        self._snapshot, self._command, self._history, self._cooks = snapshot, command, history, cooks
        self._build_cook, self._streams, self._facts, self._zone = build_cook, streams, facts, zone
        self._holds_key = holds_key

    # --- reading ------------------------------------------------------------------------------------

    async def page(self, request: web.Request) -> web.StreamResponse:
        return answer(self._facts(request).model_dump_json().encode())

    async def openapi(self, request: web.Request) -> web.StreamResponse:
        return packed(answer(await asyncio.to_thread(openapi.served)))

    async def snapshot(self, request: web.Request) -> web.StreamResponse:
        return packed(answer(snapshot_json(self._snapshot(), self._readers.composer(request))))

    async def events(self, request: web.Request) -> web.StreamResponse:
        holds_key = self._holds_key(request)
        if not self._streams.admit(holds_key):
            raise Refused(503, say("request.pages"), retry_after=10)
        return await self._streams.serve(request, holds_key, self._readers.composer(request))

    async def history(self, request: web.Request) -> web.StreamResponse:
        start, end, count = number(request, "start"), number(request, "end"), points(request)
        if end <= start:
            raise Refused(422, say("request.end"), "end")
        return packed(answer(HISTORY.dump_json(await asked(lambda: self._history(start, end, count)))))

    async def cuts(self, request: web.Request) -> web.StreamResponse:
        reader = self._readers.composer(request).reader
        rules = {word: f"{rule}, {reader.temperature(floor)}" for word, (floor, rule) in HOLD_RULES.items()}
        return packed(answer(models.Cuts(cuts=CUTS, hold_rules=rules).model_dump_json().encode()))

    async def cooks(self, request: web.Request) -> web.StreamResponse:
        text = words(request, "words")
        rows = await asked(lambda: self._cooks.rows(text, COOKS_LIMIT))
        return packed(answer(models.Cooks(cooks=tuple(rows)).model_dump_json().encode()))

    async def compare(self, request: web.Request) -> web.StreamResponse:
        ids, count = request.query.getall("cook", []), points(request)
        if len(ids) not in COMPARED or any(len(cook) > 80 for cook in ids):
            raise Refused(422, say("request.two-to-six"), "cook")
        curves = await asked(lambda: self._cooks.compare(ids, count))
        return packed(answer(models.Comparison(curves=tuple(curves)).model_dump_json().encode()))

    async def report(self, request: web.Request) -> web.StreamResponse:
        cook, pit = one_cook(request), words(request, "pit")
        response = answer(await asked(lambda: self._cooks.report(cook, pit)), content_type="text/html")
        # The report carries its own styles and pictures and no script: it may use those, sandboxed, and nothing else.
        response.headers["Content-Security-Policy"] = (
            "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox; frame-ancestors 'none'"
        )
        return packed(response)

    async def kept(self, request: web.Request) -> web.StreamResponse:
        cook, count, pit = one_cook(request), points(request), words(request, "pit")

        def look() -> tuple[KeptCook, KeptCook, CookCurve]:
            whole = self._cooks.kept(cook)
            view = whole.view(pit)
            return whole, view, self._cooks.curve(view, count)

        whole, view, curve = await asked(look)
        composer = self._readers.composer(request).at(whole.wall_offset)
        return packed(answer(kept_page(whole, view, curve, composer).model_dump_json().encode()))

    async def csv(self, request: web.Request) -> web.StreamResponse:
        cook = one_cook(request)
        table = await asked(lambda: minutes_csv(self._cooks.kept(cook)))
        response = answer(table.encode(), content_type="text/csv")
        response.charset = "utf-8"
        name = "".join(letter if letter.isascii() and (letter.isalnum() or letter in "-_") else "-" for letter in cook)
        response.headers["Content-Disposition"] = f'attachment; filename="{name}.csv"'
        return packed(response)

    async def profile(self, request: web.Request) -> web.StreamResponse:
        pit, seen = self._pit(words(request, "pit")), self._snapshot()
        told = dict(zip((one.id for one in seen.pits), seen.profiles, strict=True)).get(pit, seen.profile)
        return packed(answer(lessons(told).model_dump_json().encode()))

    async def wakes(self, request: web.Request) -> web.StreamResponse:
        rows = await asked(self._cooks.wakes)
        told = self._readers.composer(request).spoken(tuple(rows))
        return answer(models.Wakes(wakes=told).model_dump_json().encode())

    async def alarm_figures(self, request: web.Request) -> web.StreamResponse:
        of = SPANS.get(words(request, "of") or "cook")
        if of is None:
            raise Refused(422, say("request.one-of", known=tuple(SPANS)), "of")
        found = await asked(lambda: self._cooks.alarm_figures(of))
        return packed(answer(FIGURES.dump_json(found)))

    # --- changing -----------------------------------------------------------------------------------

    async def _take(self, request: web.Request, command: inputs.Command) -> web.StreamResponse:
        return await taken(command, self._command, self._snapshot(), self._readers.composer(request))

    def _named(self, order: Order) -> Order:
        """An order with the id of its piece, however the piece was called. Raises Refused where there is none."""
        piece: str | None = getattr(order, "piece", None)
        return order if piece is None else _of(order, known_piece(piece, self._snapshot(), "piece"))

    def _place(self, place: str | None, where: str) -> None:
        there = [known.place or known.name for known in self._snapshot().channels if known.role is Role.PIT]
        if place is not None and place not in there:
            raise Refused(422, say("request.no-place", place=place, known=tuple(there)), where)

    def _meat_channel(self, channel: str | None, where: str) -> None:
        meat = [known.id for known in self._snapshot().channels if known.role is Role.MEAT]
        if channel is not None and channel not in meat:
            raise Refused(422, say("request.no-channel", channel=channel, known=tuple(meat)), where)

    async def acknowledge(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.AcknowledgeOrder)
        return await self._take(request, orders.Acknowledge(order.alarm, order.by))

    async def pause(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.PauseOrder)
        return await self._take(request, orders.PauseSound(order.seconds, order.by))

    async def shelve(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.ShelveOrder)
        return await self._take(request, orders.Shelve(order.alarm, order.seconds, order.reason, order.by))

    async def unshelve(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.UnshelveOrder)
        return await self._take(request, orders.Unshelve(order.alarm, order.by))

    async def mark(self, request: web.Request) -> web.StreamResponse:
        order = self._named(await body_of(request, models.MarkOrder))
        at, pit = self._earlier(order.minutes_ago), self._pit(order.pit)
        mark = orders.Mark(order.kind, order.piece, order.by, order.note, at, pit)
        seen = self._snapshot()
        on = on_only_at(mark, [(piece.id, piece.on_at) for piece in seen.pieces])
        if on is not None:
            composer = self._readers.composer(request).at(seen.wall_offset)
            raise Refused(422, composer.say(say("refused.before-on", on=on)), "minutes_ago")
        self._meant(order, mark, request)
        return await self._take(request, mark)

    def _meant(self, order: models.Sure, command: inputs.Command, request: web.Request) -> None:
        """Raises Refused 409 with the question where it can hardly be meant."""
        seen = self._snapshot()
        why = doubt(command, seen)
        if why and not order.sure:
            said = self._readers.composer(request).at(seen.wall_offset).say(why)
            raise Refused(409, said, "sure", remedy=IF_MEANT)

    def _pit(self, named: str) -> str:
        """As the core calls it. Raises Refused for one that there is not."""
        now = self._snapshot()
        if named in ("", now.pit.id):
            return ""
        known = [pit.id for pit in now.pits or (now.pit,)]
        if named not in known:
            raise Refused(422, say("order.no-pit", pit=named, known=tuple(known)), "pit")
        return named

    def _earlier(self, minutes: float) -> float | None:
        return self._snapshot().time - 60.0 * minutes if minutes else None

    async def take_back(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.TakeBackOrder)
        if order.piece is not None:  # also of one that was taken out of the cook since
            order = _of(order, piece_called(order.piece, self._snapshot()) or order.piece)
        pit = self._pit(order.pit)
        if self._snapshot().newest_mark(order.what, order.piece, order.said_at, pit) is None:
            none = say("request.no-mark", what=str(order.what))
            if order.piece is not None:
                none = say("request.no-mark-of", what=str(order.what), piece=order.piece)
            raise Refused(422, none, "what")
        return await self._take(request, orders.TakeBack(str(order.what), order.piece, order.said_at, order.by, pit))

    async def spot(self, request: web.Request) -> web.StreamResponse:
        order = self._named(await body_of(request, models.SpotOrder))
        at = self._earlier(order.minutes_ago)
        spot = orders.SpotReading(
            order.piece, order.celsius, order.where, order.thermometer, order.tolerance, order.by, at
        )  # fmt: skip
        self._meant(order, spot, request)
        return await self._take(request, spot)

    async def choose_spot(self, request: web.Request) -> web.StreamResponse:
        order = self._named(await body_of(request, models.ChooseSpotOrder))
        return await self._take(request, orders.ChooseSpot(order.piece, order.by))

    async def sleep(self, request: web.Request) -> web.StreamResponse:
        return await self._take(request, orders.GoToSleep((await body_of(request, models.By)).by))

    async def morning(self, request: web.Request) -> web.StreamResponse:
        return await self._take(request, orders.GoodMorning((await body_of(request, models.By)).by))

    async def test_wake(self, request: web.Request) -> web.StreamResponse:
        return await self._take(request, orders.TestWake((await body_of(request, models.By)).by))

    async def judge_wake(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.JudgeOrder)
        return await self._take(request, orders.JudgeWake(order.notification, order.needed, order.by))

    async def hand_over(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.HandOverOrder)
        return await self._take(request, orders.HandOver(order.to, order.by, order.note))

    async def safety_deed(self, request: web.Request) -> web.StreamResponse:
        order = self._named(await body_of(request, models.DeedOrder))
        return await self._take(request, orders.TellDeed(order.piece, order.deed, order.by, order.note))

    async def band(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.BandOrder)
        sure(order, band_doubts(order.band, "page", "band"))
        band, pit = Band(order.band.low, order.band.high), self._pit(order.pit)
        return await self._take(request, orders.SetBand(band, order.by, pit))

    async def ask_wrap(self, request: web.Request) -> web.StreamResponse:
        order = self._named(await body_of(request, models.AskWrapOrder))
        return await self._take(request, orders.AskWrap(order.piece, order.celsius, order.by))

    async def amend(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.NotesOrder)
        notes = CookNotes(order.verdict, order.weather, order.photos, order.wood, order.weights)
        try:
            await asked(lambda: self._cooks.amend(order.cook, notes))
        except ValueError as error:
            raise Refused(422, why(error), "notes") from None
        return answer(models.Taken().model_dump_json().encode(), status=202)

    async def forget(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.ForgetOrder)
        return await self._take(request, inputs.UsePitProfile(PitProfile(), order.by, self._pit(order.pit)))

    async def start_cook(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.CookOrder)
        cook, now = self._built(order.cook, "cook"), self._snapshot()
        if cook.serve_at is not None and cook.serve_at <= now.time:
            raise Refused(422, say("request.served"), "cook.serve_at")
        to_come(cook.pieces, now, "cook.pieces")
        if now.pieces and not order.replace:
            on = tuple(say("request.piece-on", piece=piece.name, stage=piece.stage) for piece in now.pieces)
            raise Refused(409, say("request.would-end", cook=now.cook_name, on=on), "replace")
        sure(order, cook_doubts(order.cook, self._zone, "page", now.time + now.wall_offset))
        return await self._take(request, orders.StartCook(cook, order.by))

    def _built(self, cook: Cook, where: str) -> CookSettings:
        if self._build_cook is None:
            raise Refused(503, say("request.no-cooks-here"))
        try:
            return self._build_cook(cook)
        except ValueError as error:
            raise Refused(422, why(error), where) from None

    async def add_piece(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.AddPieceOrder)
        sure(order, piece_doubts(order.piece, "page", "piece"))
        self._meat_channel(order.piece.channel, "piece.channel")
        self._place(order.piece.place, "piece.place")
        (piece,) = self._built(Cook(name="one piece", pieces=(order.piece,)), "piece").pieces
        to_come((piece,), self._snapshot(), "piece")
        if piece.id in {known.id for known in self._snapshot().pieces}:
            raise Refused(422, say("order.same-id", piece=piece.id), "piece.name")
        holder = next((p for p in self._snapshot().pieces if piece.channel and p.channel == piece.channel), None)
        if holder is not None:
            taken_by = say("order.probe-is-in", probe=piece.channel, piece=holder.name)
            raise Refused(422, taken_by, "piece.channel")
        added = orders.AddPiece(piece, order.by)
        self._meant(order, added, request)
        return await self._take(request, added)

    async def change_piece(self, request: web.Request) -> web.StreamResponse:
        order = self._named(await body_of(request, models.ChangePieceOrder))
        self._place(order.place, "place")
        now = next(p.ordered for p in self._snapshot().pieces if p.id == order.piece)
        assert now is not None, "the snapshot of a running watch holds what was ordered"
        changes = order.model_dump(exclude={"piece", "by", "sure"}, exclude_none=True)
        try:
            section = changed_section(now, changes)
        except ValidationError as error:
            first = plain_problems("page", error.errors(include_url=False), changes)[0]
            raise Refused(422, of_order(first), first.key) from None
        sure(order, piece_doubts(section, "page", "piece"))
        (meant,) = self._built(Cook(name="one piece", pieces=(section,)), "piece").pieces
        if order.serve_at is not None:
            to_come((meant,), self._snapshot(), "serve_at")
        changed = orders.ChangePiece(changed_piece(now, meant, changes), order.by)
        self._meant(order, changed, request)
        return await self._take(request, changed)

    async def remove_piece(self, request: web.Request) -> web.StreamResponse:
        order = self._named(await body_of(request, models.RemovePieceOrder))
        removed = orders.RemovePiece(order.piece, order.by)
        self._meant(order, removed, request)
        return await self._take(request, removed)

    async def move_probe(self, request: web.Request) -> web.StreamResponse:
        order = self._named(await body_of(request, models.MoveProbeOrder))
        self._meat_channel(order.channel, "channel")
        return await self._take(request, orders.MoveProbe(order.piece, order.channel, order.by))

    async def move_piece(self, request: web.Request) -> web.StreamResponse:
        order = self._named(await body_of(request, models.MovePieceOrder))
        return await self._take(request, orders.MovePiece(order.piece, self._pit(order.pit), order.by))

    async def end_cook(self, request: web.Request) -> web.StreamResponse:
        return await self._take(request, orders.EndCook((await body_of(request, models.By)).by))


def _of(order: Order, piece: str) -> Order:
    return order.model_copy(update={"piece": piece})
