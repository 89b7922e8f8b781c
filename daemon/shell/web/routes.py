"""The route table: the only place where a path, its method, its models and its right to change something are said."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, get_args

from aiohttp import web

from daemon.core.alarms.figures import AlarmFigures
from daemon.core.snapshot import Snapshot
from daemon.shell.web import models
from daemon.shell.web.contract import History, Span


@dataclass(frozen=True, slots=True)
class Parameter:
    """A query parameter. schema: JSON schema."""

    name: str
    schema: dict[str, Any]
    required: bool = False


@dataclass(frozen=True, slots=True)
class Route:
    """handler: name of the method of Api, by which the catalogue says what is asked. takes: model of the JSON body, which makes
    it a changing POST. gives: type of the answer; None = not JSON, of `media`. open: may be asked without a token."""

    path: str
    handler: str
    gives: Any
    takes: type[models.Body] | None = None
    parameters: tuple[Parameter, ...] = ()
    open: bool = False
    media: str = "application/json"

    @property
    def method(self) -> str:
        return "POST" if self.takes else "GET"


NUMBER = {"type": "number", "minimum": -1e12, "maximum": 1e12}
WORDS = {"type": "string", "maxLength": 80}
POINTS_LIMIT = 2000
POINTS = {"type": "integer", "minimum": 2, "maximum": POINTS_LIMIT, "default": 600}

ROUTES: tuple[Route, ...] = (
    Route("/api/page", "page", models.PageFacts, open=True),
    Route("/api/openapi.json", "openapi", dict[str, Any], open=True),
    Route("/api/login", "login", models.Taken, models.Login, open=True),
    Route("/api/snapshot", "snapshot", Snapshot),
    Route("/api/events", "events", None, media="text/event-stream"),
    Route("/api/history", "history", History,
          parameters=(Parameter("start", NUMBER, True), Parameter("end", NUMBER, True), Parameter("points", POINTS))),
    Route("/api/cuts", "cuts", models.Cuts),
    Route("/api/cooks", "cooks", models.Cooks, parameters=(Parameter("words", WORDS),)),
    Route("/api/cooks/compare", "compare", models.Comparison, parameters=(
        Parameter("cook", {"type": "array", "items": WORDS, "minItems": 2, "maxItems": 6}, True),
        Parameter("points", POINTS))),
    Route("/api/cooks/report", "report", None,
          parameters=(Parameter("cook", WORDS, True), Parameter("pit", WORDS)), media="text/html"),
    Route("/api/cooks/kept", "kept", models.KeptPage, parameters=(
        Parameter("cook", WORDS, True), Parameter("pit", WORDS), Parameter("points", POINTS))),
    Route("/api/cooks/csv", "csv", None,
          parameters=(Parameter("cook", WORDS, True),), media="text/csv"),
    Route("/api/cooks/amend", "amend", models.Taken, models.NotesOrder),
    Route("/api/profile", "profile", models.PitLessons,
          parameters=(Parameter("pit", WORDS),)),
    Route("/api/profile/forget", "forget", models.Taken, models.ForgetOrder),
    Route("/api/wakes", "wakes", models.Wakes),
    Route("/api/alarm-figures", "alarm_figures", AlarmFigures,
          parameters=(Parameter("of", {"type": "string", "enum": list(get_args(Span)), "default": "cook"}),)),
    Route("/api/acknowledge", "acknowledge", models.Taken, models.AcknowledgeOrder),
    Route("/api/pause", "pause", models.Taken, models.PauseOrder),
    Route("/api/shelve", "shelve", models.Taken, models.ShelveOrder),
    Route("/api/unshelve", "unshelve", models.Taken, models.UnshelveOrder),
    Route("/api/mark", "mark", models.Taken, models.MarkOrder),
    Route("/api/take-back", "take_back", models.Taken,
          models.TakeBackOrder),
    Route("/api/spot", "spot", models.Taken, models.SpotOrder),
    Route("/api/choose-spot", "choose_spot", models.Taken,
          models.ChooseSpotOrder),
    Route("/api/sleep", "sleep", models.Taken, models.By),
    Route("/api/morning", "morning", models.Taken, models.By),
    Route("/api/test-wake", "test_wake", models.Taken, models.By),
    Route("/api/judge-wake", "judge_wake", models.Taken, models.JudgeOrder),
    Route("/api/band", "band", models.Taken, models.BandOrder),
    Route("/api/ask-wrap", "ask_wrap",
          models.Taken, models.AskWrapOrder),
    Route("/api/start-cook", "start_cook", models.Taken, models.CookOrder),
    Route("/api/plan", "plan", models.PlanLines, models.PlanOrder),
    Route("/api/keep-plan", "keep_plan", models.PlanLines,
          models.KeepPlanOrder),
    Route("/api/drop-plan", "drop_plan", models.Taken, models.By),
    Route("/api/add-reminder", "add_reminder", models.Taken, models.AddReminderOrder),
    Route("/api/remove-reminder", "remove_reminder", models.Taken, models.ReminderOrder),
    Route("/api/reminder-done", "reminder_done", models.Taken, models.ReminderOrder),
    Route("/api/count-wood", "count_wood", models.Taken, models.WoodOrder),
    Route("/api/add-piece", "add_piece", models.Taken, models.AddPieceOrder),
    Route("/api/change-piece", "change_piece", models.Taken, models.ChangePieceOrder),
    Route("/api/remove-piece", "remove_piece", models.Taken, models.RemovePieceOrder),
    Route("/api/move-probe", "move_probe", models.Taken, models.MoveProbeOrder),
    Route("/api/move-piece", "move_piece", models.Taken, models.MovePieceOrder),
    Route("/api/hand-over", "hand_over", models.Taken, models.HandOverOrder),
    Route("/api/invite", "invite", models.Invitation, models.By),
    Route("/api/safety-deed", "safety_deed", models.Taken, models.DeedOrder),
    Route("/api/end-cook", "end_cook", models.Taken, models.By),
)  # fmt: skip

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
