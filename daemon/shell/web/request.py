"""What every route does: read a request checked, refuse it in plain words, ask the cook log, put a command in the queue."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from collections.abc import Awaitable, Callable, Iterable
from typing import TypeVar

from aiohttp import web
from pydantic import ValidationError

from config.plain_errors import plain_problems
from config.problems import Problem
from daemon.core import inputs
from daemon.core.said import Text, say
from daemon.core.settings import PieceSettings
from daemon.core.snapshot import Snapshot
from daemon.shell.called import id_called
from daemon.shell.library.kept_pits import UnknownPit
from daemon.shell.library.rows import UnknownCook
from daemon.shell.web import models
from daemon.shell.web.contract import NotAvailable
from daemon.shell.web.routes import POINTS_LIMIT
from daemon.shell.web.understood import understood
from daemon.texts.composer import PLAIN, Composer
from daemon.texts.problems import asked as asked_about
from daemon.texts.problems import of_order

BODY_LIMIT = 16 * 1024
BODY_SECONDS = 10.0
DEFAULT_POINTS = 600
IF_MEANT = say("again.send")

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


def sure(order: models.Sure, doubts: Iterable[Problem]) -> None:
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


def piece_called(piece: str, seen: Snapshot) -> str | None:
    """The id of a piece by its id, or by its name where only one has it."""
    return id_called(piece, {one.id: one.name for one in seen.pieces})


def known_piece(piece: str, seen: Snapshot, where: str) -> str:
    """The same. Raises Refused 422 where the cook has no such piece."""
    found, known = piece_called(piece, seen), [one.id for one in seen.pieces]
    if found is None:
        there = say("request.there-are", known=tuple(known)) if known else say("request.no-cook")
        raise Refused(422, say("request.no-piece", piece=piece, there=there), where)
    return found


def to_come(pieces: Iterable[PieceSettings], seen: Snapshot, where: str) -> None:
    """Raises Refused where a piece has a serving time of its own that is past."""
    past = next((piece for piece in pieces if piece.serve_at is not None and piece.serve_at <= seen.time), None)
    if past is not None:
        raise Refused(422, say("request.served-piece", piece=past.name), where)
