"""The answers about the plan of a cook, its reminders and its wood: each puts commands in the queue, as the others do."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from aiohttp import web

from config.cook import Cook
from config.doubts import cook_doubts, weather_doubts
from daemon.core import inputs, orders
from daemon.core.plan.duties import GREASE_TRAY
from daemon.core.said import say
from daemon.core.snapshot import Snapshot
from daemon.shell.web import models
from daemon.shell.web.contract import PlannedCook, Planning
from daemon.shell.web.readers import Readers
from daemon.shell.web.request import Refused, answer, asked, body_of, known_piece, taken
from daemon.texts.problems import each_asked, why


class PlanApi:
    """One method a route, named in the route table. planning: None where this watch cannot plan."""

    def __init__(
        self,
        snapshot: Callable[[], Snapshot],
        command: Callable[[inputs.Command], Awaitable[None]],
        planning: Planning | None,
        zone: str,
        readers: Readers,
    ) -> None:
        self._readers = readers
        self._snapshot, self._command, self._planning, self._zone = snapshot, command, planning, zone

    async def _take(self, request: web.Request, command: inputs.Command) -> web.StreamResponse:
        return await taken(command, self._command, self._snapshot(), self._readers.composer(request))

    async def _planned(self, cook: Cook | None, weather: models.WeatherOrder, wake: bool) -> PlannedCook:
        planning = self._planning
        if planning is None:
            raise Refused(503, say("request.no-plans-here"))
        try:
            return await asked(planning.plan(cook, weather.ambient, weather.wind, wake))
        except ValueError as error:
            raise Refused(422, why(error), "cook") from None

    def _in_words(self, made: PlannedCook, request: web.Request) -> tuple[str, ...]:
        """In the units and the clock of this phone."""
        composer = self._readers.composer(request)
        return tuple(composer.say(line) for line in made.lines)

    async def plan(self, request: web.Request) -> web.StreamResponse:
        """Starts nothing: the same cook may be changed and planned again."""
        order = await body_of(request, models.PlanOrder)
        made, now = await self._planned(order.cook, order, wake=True), self._snapshot()
        found = [
            *cook_doubts(order.cook, self._zone, "page", now.time + now.wall_offset),
            *weather_doubts(order.ambient, order.wind, "page"),
        ]
        doubts = tuple(self._readers.composer(request).say(doubt) for doubt in each_asked(found))
        lines = self._in_words(made, request)
        return answer(models.PlanLines(lines=lines, doubts=doubts, plan=made.kept).model_dump_json().encode())

    async def keep_plan(self, request: web.Request) -> web.StreamResponse:
        """Of the running cook, for it is what the prompts will speak of."""
        order = await body_of(request, models.KeepPlanOrder)
        if not self._snapshot().pieces:
            raise Refused(409, say("request.nothing-to-plan"))
        made = await self._planned(None, order, order.wake)
        lines = self._in_words(made, request)
        if made.kept is None:
            raise Refused(422, "; ".join(line.strip() for line in lines), "plan")
        await self._command(orders.KeepPlan(made.kept, order.by))
        composer, found = self._readers.composer(request), weather_doubts(order.ambient, order.wind, "page")
        doubts = tuple(composer.say(doubt) for doubt in each_asked(found))
        return answer(
            models.PlanLines(lines=lines, doubts=doubts, plan=made.kept).model_dump_json().encode(), status=202
        )

    async def drop_plan(self, request: web.Request) -> web.StreamResponse:
        return await self._take(request, orders.KeepPlan(None, (await body_of(request, models.By)).by))

    async def add_reminder(self, request: web.Request) -> web.StreamResponse:
        order, planning = await body_of(request, models.AddReminderOrder), self._planning
        if planning is None:
            raise Refused(503, say("request.no-reminders-here"))
        own = order.reminder
        if own.piece is not None:
            own = own.model_copy(update={"piece": known_piece(own.piece, self._snapshot(), "reminder.piece")})
        return await self._take(request, orders.AddReminder(planning.reminder(own), order.by))

    async def remove_reminder(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.ReminderOrder)
        self._known(order.reminder)
        return await self._take(request, orders.RemoveReminder(order.reminder, order.by))

    async def reminder_done(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.ReminderOrder)
        trays = (GREASE_TRAY, *(f"{GREASE_TRAY}/{pit.id}" for pit in self._snapshot().pits))
        if order.reminder not in trays:
            self._known(order.reminder)
        return await self._take(request, orders.ReminderDone(order.reminder, order.by))

    async def count_wood(self, request: web.Request) -> web.StreamResponse:
        order = await body_of(request, models.WoodOrder)
        return await self._take(request, orders.CountWood(order.splits, order.by))

    def _known(self, reminder: str) -> None:
        known = [own.id for own in self._snapshot().reminders]
        if reminder not in known:
            there = say("request.there-are", known=tuple(known)) if known else say("request.there-are-none")
            raise Refused(422, say("request.no-reminder", reminder=reminder, there=there), "reminder")
