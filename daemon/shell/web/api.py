"""The answers: each reads the immutable snapshot or puts one command in the queue. Nothing here holds state."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from collections.abc import Awaitable, Callable, Iterable
from typing import Any, TypeVar, get_args

from aiohttp import web
from pydantic import TypeAdapter, ValidationError

from config.cook import HOLD_RULES, Cook
from config.cuts import CUTS
from config.doubts import band_doubts, cook_doubts, piece_doubts
from config.plain_errors import plain_problems
from config.problems import Problem
from daemon.core import inputs
from daemon.core.alarms.figures import AlarmFigures
from daemon.core.mark_doubts import doubt
from daemon.core.marks import on_only_at
from daemon.core.pit_profile import PitProfile
from daemon.core.said import Text, say
from daemon.core.settings import Band, CookSettings, PieceSettings, Role
from daemon.core.snapshot import Snapshot
from daemon.shell.changed_piece import changed_piece, changed_section
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.kept_pits import UnknownPit
from daemon.shell.library.rows import CookCurve, CookNotes, UnknownCook
from daemon.shell.library.tables import minutes_csv
from daemon.shell.web import models, openapi
from daemon.shell.web.contract import CookBuilder, CookLibrary, History, HistorySource, NotAvailable, Span
from daemon.shell.web.kept_page import kept_page, lessons
from daemon.shell.web.readers import Readers
from daemon.shell.web.routes import POINTS_LIMIT
from daemon.shell.web.streams import Streams
from daemon.shell.web.understood import understood
from daemon.texts.composer import PLAIN, Composer
from daemon.texts.problems import asked as asked_about
from daemon.texts.problems import of_order, why
from daemon.texts.reader import CELSIUS

SPANS: dict[str, Span] = {span: span for span in get_args(Span)}
BODY_LIMIT = 16 * 1024
BODY_SECONDS = 10.0
DEFAULT_POINTS = 600
COOKS_LIMIT = 200
COMPARED = range(2, 7)
IF_MEANT = say("again.send")

SNAPSHOT: TypeAdapter[Snapshot] = TypeAdapter(Snapshot)
HISTORY: TypeAdapter[History] = TypeAdapter(History)
FIGURES: TypeAdapter[AlarmFigures] = TypeAdapter(AlarmFigures)
JSON: TypeAdapter[Any] = TypeAdapter(Any)
Model = TypeVar("Model", bound=models.Body)
Answer = TypeVar("Answer")


class Refused(Exception):
    """The request gets this status and these words."""

    def __init__(
        self, status: int, problem: Text, where: str = "", retry_after: float | None = None, remedy: Text = ""
    ) -> None:
        """remedy: what an asker by program may send instead; people are told by their own edge what to do."""
        super().__init__(PLAIN.say(problem))
        self.status, self.problem, self.where, self.retry_after = status, problem, where, retry_after
        self.remedy = remedy


def answer(body: bytes, status: int = 200, content_type: str = "application/json") -> web.Response:
    return web.Response(body=body, status=status, content_type=content_type, headers={"Cache-Control": "no-store"})


def packed(response: web.Response) -> web.Response:
    """Compressed where the asker can take it."""
    response.enable_compression()
    return response


async def body_of(request: web.Request, model: type[Model]) -> Model:
    """The checked JSON body. Raises Refused: 415, 413, 408, 400 (not JSON) or 422 (wrong), naming the field."""
    if request.content_type != "application/json":
        raise Refused(415, say("request.send-json"))
    try:
        async with asyncio.timeout(BODY_SECONDS):
            raw = await request.read()
    except TimeoutError:
        raise Refused(408, say("request.slow")) from None
    except web.HTTPRequestEntityTooLarge:
        raise Refused(413, say("request.size", most=BODY_LIMIT / 1024)) from None
    return checked(raw, model)


def checked(raw: bytes, model: type[Model]) -> Model:
    """The body as its model. Raises Refused in plain words: 400 (not JSON) or 422 (wrong), naming the field."""
    try:
        return model.model_validate_json(raw)
    except ValidationError as error:
        errors = error.errors(include_url=False)
        if errors[0]["type"] == "json_invalid":
            raise Refused(400, say("request.no-json")) from None
        first = plain_problems("page", errors, json.loads(raw))[0]
        raise Refused(422, of_order(first), first.key) from None


def number(request: web.Request, name: str, default: float | None = None) -> float:
    """A finite query number. Raises Refused 422."""
    text = request.query.get(name)
    if text is None and default is not None:
        return default
    try:
        value = float(text or "")
    except ValueError:
        raise Refused(422, say("order.number"), name) from None
    if not abs(value) <= 1e12:
        raise Refused(422, say("request.number-within"), name)
    return value


def points(request: web.Request) -> int:
    value = number(request, "points", DEFAULT_POINTS)
    if value != int(value) or not 2 <= value <= POINTS_LIMIT:
        raise Refused(422, say("request.points", most=POINTS_LIMIT), "points")
    return int(value)


def words(request: web.Request, name: str, limit: int = 80) -> str:
    text = request.query.get(name, "")
    if len(text) > limit:
        raise Refused(422, say("request.characters", most=limit), name)
    return text


def one_cook(request: web.Request) -> str:
    """The id in the query. Raises Refused 422."""
    cook = words(request, "cook")
    if not cook:
        raise Refused(422, say("request.name-a-cook"), "cook")
    return cook


def snapshot_json(snapshot: Snapshot, composer: Composer) -> bytes:
    """In the words of a reader. The pit's lessons are left out: hundreds of rows that change once a cook have their own route."""
    return SNAPSHOT.dump_json(composer.at(snapshot.wall_offset).spoken(snapshot), exclude={"profile", "profiles"})


async def asked(question: Callable[[], Answer]) -> Answer:
    """Ask the cook log in a worker thread; its refusals become statuses."""
    try:
        return await asyncio.to_thread(question)
    except NotAvailable as error:
        raise Refused(503, str(error) or say("request.not-here")) from None
    except sqlite3.Error as error:
        raise Refused(503, say("request.journal", why=str(error)), retry_after=10) from None
    except UnknownCook as error:
        raise Refused(404, say("request.no-cook-kept", cook=str(error)), "cook") from None
    except UnknownPit as error:
        raise Refused(422, str(error), "pit") from None


def _sure(order: models.Sure, doubts: Iterable[Problem]) -> None:
    """What can hardly be meant is asked about. Raises Refused 409 with the question."""
    said = asked_about(doubts)
    if said and not order.sure:
        raise Refused(409, said, "sure", remedy=IF_MEANT)


async def taken(
    command: inputs.Command, give: Callable[[inputs.Command], Awaitable[None]], seen: Snapshot, composer: Composer
) -> web.StreamResponse:
    """Give it to the watch, and say what was understood once it is kept."""
    said = composer.at(seen.wall_offset).say(understood(command, seen))
    await give(command)
    return answer(models.Taken(said=said).model_dump_json().encode(), status=202)


def known_piece(piece: str, seen: Snapshot, where: str) -> None:
    """Raises Refused 422 where the cook has no such piece."""
    known = [one.id for one in seen.pieces]
    if piece not in known:
        there = say("request.there-are", known=tuple(known)) if known else say("request.no-cook")
        raise Refused(422, say("request.no-piece", piece=piece, there=there), where)


def _to_come(pieces: Iterable[PieceSettings], seen: Snapshot, where: str) -> None:
    """Raises Refused where a piece has a serving time of its own that is past."""
    past = next((piece for piece in pieces if piece.serve_at is not None and piece.serve_at <= seen.time), None)
    if past is not None:
        raise Refused(422, say("request.served-piece", piece=past.name), where)


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
        self._document = json.dumps(openapi.document()).encode()

    # --- reading ------------------------------------------------------------------------------------

    async def page(self, request: web.Request) -> web.StreamResponse:
        return answer(self._facts(request).model_dump_json().encode())

    async def openapi(self, request: web.Request) -> web.StreamResponse:
        return packed(answer(self._document))

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

    def _known(self, piece: str) -> None:
        known_piece(piece, self._snapshot(), "piece")

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
        return await self._take(request, inputs.Acknowledge(order.alarm, order.by))

    async def pause(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.PauseOrder)
        return await self._take(request, inputs.PauseSound(order.seconds, order.by))

    async def shelve(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.ShelveOrder)
        return await self._take(request, inputs.Shelve(order.alarm, order.seconds, order.reason, order.by))

    async def unshelve(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.UnshelveOrder)
        return await self._take(request, inputs.Unshelve(order.alarm, order.by))

    async def mark(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.MarkOrder)
        if order.piece is not None:
            self._known(order.piece)
        at, pit = self._earlier(order.minutes_ago), self._pit(order.pit)
        mark = inputs.Mark(order.kind, order.piece, order.by, order.note, at, pit)
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
        pit = self._pit(order.pit)
        if self._snapshot().newest_mark(order.what, order.piece, order.said_at, pit) is None:
            none = say("request.no-mark", what=str(order.what))
            if order.piece is not None:
                none = say("request.no-mark-of", what=str(order.what), piece=order.piece)
            raise Refused(422, none, "what")
        return await self._take(request, inputs.TakeBack(str(order.what), order.piece, order.said_at, order.by, pit))

    async def spot(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.SpotOrder)
        self._known(order.piece)
        at = self._earlier(order.minutes_ago)
        spot = inputs.SpotReading(
            order.piece, order.celsius, order.where, order.thermometer, order.tolerance, order.by, at
        )  # fmt: skip
        self._meant(order, spot, request)
        return await self._take(request, spot)

    async def choose_spot(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.ChooseSpotOrder)
        self._known(order.piece)
        return await self._take(request, inputs.ChooseSpot(order.piece, order.by))

    async def sleep(self, request: web.Request) -> web.StreamResponse:
        return await self._take(request, inputs.GoToSleep((await body_of(request, models.By)).by))

    async def morning(self, request: web.Request) -> web.StreamResponse:
        return await self._take(request, inputs.GoodMorning((await body_of(request, models.By)).by))

    async def test_wake(self, request: web.Request) -> web.StreamResponse:
        return await self._take(request, inputs.TestWake((await body_of(request, models.By)).by))

    async def judge_wake(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.JudgeOrder)
        return await self._take(request, inputs.JudgeWake(order.notification, order.needed, order.by))

    async def hand_over(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.HandOverOrder)
        return await self._take(request, inputs.HandOver(order.to, order.by, order.note))

    async def safety_deed(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.DeedOrder)
        self._known(order.piece)
        return await self._take(request, inputs.TellDeed(order.piece, order.deed, order.by, order.note))

    async def band(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.BandOrder)
        _sure(order, band_doubts(order.band, "page", "band"))
        band, pit = Band(order.band.low, order.band.high), self._pit(order.pit)
        return await self._take(request, inputs.SetBand(band, order.by, pit))

    async def ask_wrap(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.AskWrapOrder)
        self._known(order.piece)
        return await self._take(request, inputs.AskWrap(order.piece, order.celsius, order.by))

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
        _to_come(cook.pieces, now, "cook.pieces")
        if now.pieces and not order.replace:
            on = tuple(say("request.piece-on", piece=piece.name, stage=piece.stage) for piece in now.pieces)
            raise Refused(409, say("request.would-end", cook=now.cook_name, on=on), "replace")
        _sure(order, cook_doubts(order.cook, self._zone, "page", now.time + now.wall_offset))
        return await self._take(request, inputs.StartCook(cook, order.by))

    def _built(self, cook: Cook, where: str) -> CookSettings:
        if self._build_cook is None:
            raise Refused(503, say("request.no-cooks-here"))
        try:
            return self._build_cook(cook)
        except ValueError as error:
            raise Refused(422, why(error), where) from None

    async def add_piece(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.AddPieceOrder)
        _sure(order, piece_doubts(order.piece, "page", "piece"))
        self._meat_channel(order.piece.channel, "piece.channel")
        self._place(order.piece.place, "piece.place")
        (piece,) = self._built(Cook(name="one piece", pieces=(order.piece,)), "piece").pieces
        _to_come((piece,), self._snapshot(), "piece")
        if piece.id in {known.id for known in self._snapshot().pieces}:
            raise Refused(422, say("order.same-id", piece=piece.id), "piece.name")
        holder = next((p for p in self._snapshot().pieces if piece.channel and p.channel == piece.channel), None)
        if holder is not None:
            taken_by = say("order.probe-is-in", probe=piece.channel, piece=holder.name)
            raise Refused(422, taken_by, "piece.channel")
        return await self._take(request, inputs.AddPiece(piece, order.by))

    async def change_piece(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.ChangePieceOrder)
        self._known(order.piece)
        self._place(order.place, "place")
        now = next(p.ordered for p in self._snapshot().pieces if p.id == order.piece)
        assert now is not None, "the snapshot of a running watch holds what was ordered"
        changes = order.model_dump(exclude={"piece", "by", "sure"}, exclude_none=True)
        try:
            section = changed_section(now, changes)
        except ValidationError as error:
            first = plain_problems("page", error.errors(include_url=False), changes)[0]
            raise Refused(422, of_order(first), first.key) from None
        _sure(order, piece_doubts(section, "page", "piece"))
        (meant,) = self._built(Cook(name="one piece", pieces=(section,)), "piece").pieces
        if order.serve_at is not None:
            _to_come((meant,), self._snapshot(), "serve_at")
        return await self._take(request, inputs.ChangePiece(changed_piece(now, meant, changes), order.by))

    async def remove_piece(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.RemovePieceOrder)
        self._known(order.piece)
        return await self._take(request, inputs.RemovePiece(order.piece, order.by))

    async def move_probe(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.MoveProbeOrder)
        self._known(order.piece)
        self._meat_channel(order.channel, "channel")
        return await self._take(request, inputs.MoveProbe(order.piece, order.channel, order.by))

    async def move_piece(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.MovePieceOrder)
        self._known(order.piece)
        return await self._take(request, inputs.MovePiece(order.piece, self._pit(order.pit), order.by))

    async def end_cook(self, request: web.Request) -> web.StreamResponse:
        return await self._take(request, inputs.EndCook((await body_of(request, models.By)).by))
