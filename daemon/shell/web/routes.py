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
    """handler: name of the method of Api. takes: model of the JSON body, which makes it a changing POST.
    gives: type of the answer; None = not JSON, of `media`. open: may be asked without a token."""

    path: str
    handler: str
    summary: str
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
    Route("/api/page", "page", "What a page must know before it may see anything", models.PageFacts, open=True),
    Route("/api/openapi.json", "openapi", "This document", dict[str, Any], open=True),
    Route("/api/login", "login", "Pair this browser: answers with the cookie", models.Taken, models.Login, open=True),
    Route("/api/snapshot", "snapshot", "The watch as it stands", Snapshot),
    Route("/api/events", "events", "Server-sent events: snapshot, refused, morning", None, media="text/event-stream"),
    Route("/api/history", "history", "Readings, thinned to the lowest and highest of each bucket", History,
          parameters=(Parameter("start", NUMBER, True), Parameter("end", NUMBER, True), Parameter("points", POINTS))),
    Route("/api/cuts", "cuts", "The cut table", models.Cuts),
    Route("/api/cooks", "cooks", "The kept cooks, newest first", models.Cooks, parameters=(Parameter("words", WORDS),)),
    Route("/api/cooks/compare", "compare", "Two to six cooks on one time axis", models.Comparison, parameters=(
        Parameter("cook", {"type": "array", "items": WORDS, "minItems": 2, "maxItems": 6}, True),
        Parameter("points", POINTS))),
    Route("/api/cooks/report", "report", "The report of one cook; of several pits of one of them", None,
          parameters=(Parameter("cook", WORDS, True), Parameter("pit", WORDS)), media="text/html"),
    Route("/api/cooks/kept", "kept", "One kept cook: figures, curves, notes", models.KeptPage, parameters=(
        Parameter("cook", WORDS, True), Parameter("pit", WORDS), Parameter("points", POINTS))),
    Route("/api/cooks/csv", "csv", "The readings of one cook, a row a minute, with its marks", None,
          parameters=(Parameter("cook", WORDS, True),), media="text/csv"),
    Route("/api/cooks/amend", "amend", "Write the notes beside a kept cook", models.Taken, models.NotesOrder),
    Route("/api/profile", "profile", "What the pit taught, with its evidence", models.PitLessons,
          parameters=(Parameter("pit", WORDS),)),
    Route("/api/profile/forget", "forget", "Start anew with this pit", models.Taken, models.ForgetOrder),
    Route("/api/wakes", "wakes", "What woke the cook, and what was held back", models.Wakes),
    Route("/api/alarm-figures", "alarm_figures", "How the alarms did, by the names of ISA-18.2 and OPC UA Part 9", AlarmFigures,
          parameters=(Parameter("of", {"type": "string", "enum": list(get_args(Span)), "default": "cook"}),)),
    Route("/api/acknowledge", "acknowledge", "A person has seen the alarm", models.Taken, models.AcknowledgeOrder),
    Route("/api/pause", "pause", "Silence repeats for at most 15 min", models.Taken, models.PauseOrder),
    Route("/api/shelve", "shelve", "Take an alarm away for at most 2 h", models.Taken, models.ShelveOrder),
    Route("/api/unshelve", "unshelve", "Bring a shelved alarm back", models.Taken, models.UnshelveOrder),
    Route("/api/mark", "mark", "Say what was done", models.Taken, models.MarkOrder),
    Route("/api/take-back", "take_back", "A mark or a spot reading was wrong: as if it had not been said", models.Taken,
          models.TakeBackOrder),
    Route("/api/spot", "spot", "A core temperature was read by hand", models.Taken, models.SpotOrder),
    Route("/api/choose-spot", "choose_spot", "The piece that the handheld probe reads", models.Taken,
          models.ChooseSpotOrder),
    Route("/api/sleep", "sleep", "I am going to sleep", models.Taken, models.By),
    Route("/api/morning", "morning", "I am up", models.Taken, models.By),
    Route("/api/test-wake", "test_wake", "Send a test wake now", models.Taken, models.By),
    Route("/api/judge-wake", "judge_wake", "Was that wake needed?", models.Taken, models.JudgeOrder),
    Route("/api/band", "band", "Set the pit's band", models.Taken, models.BandOrder),
    Route("/api/ask-wrap", "ask_wrap", "What if a piece were wrapped at this core temperature: every forecast answers",
          models.Taken, models.AskWrapOrder),
    Route("/api/start-cook", "start_cook", "Start a cook", models.Taken, models.CookOrder),
    Route("/api/plan", "plan", "When to light, when to put the meat on, how much wood", models.PlanLines, models.PlanOrder),
    Route("/api/keep-plan", "keep_plan", "Plan the running cook; the plan's times become prompts", models.PlanLines,
          models.KeepPlanOrder),
    Route("/api/drop-plan", "drop_plan", "Keep no plan any more", models.Taken, models.By),
    Route("/api/add-reminder", "add_reminder", "A reminder of the cook's own", models.Taken, models.AddReminderOrder),
    Route("/api/remove-reminder", "remove_reminder", "Remind no more", models.Taken, models.ReminderOrder),
    Route("/api/reminder-done", "reminder_done", "It was done, called or not", models.Taken, models.ReminderOrder),
    Route("/api/count-wood", "count_wood", "So many splits are at hand", models.Taken, models.WoodOrder),
    Route("/api/add-piece", "add_piece", "Another piece joins the running cook", models.Taken, models.AddPieceOrder),
    Route("/api/change-piece", "change_piece", "A piece is meant otherwise", models.Taken, models.ChangePieceOrder),
    Route("/api/remove-piece", "remove_piece", "A piece leaves the running cook", models.Taken, models.RemovePieceOrder),
    Route("/api/move-probe", "move_probe", "Another probe reads a piece, or none", models.Taken, models.MoveProbeOrder),
    Route("/api/move-piece", "move_piece", "A piece is cooked on another pit", models.Taken, models.MovePieceOrder),
    Route("/api/hand-over", "hand_over", "Another person has the watch", models.Taken, models.HandOverOrder),
    Route("/api/invite", "invite", "A link and a code that pair one more device", models.Invitation, models.By),
    Route("/api/safety-deed", "safety_deed", "What was done about a safety alarm of a piece", models.Taken, models.DeedOrder),
    Route("/api/end-cook", "end_cook", "End the cook", models.Taken, models.By),
)  # fmt: skip

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
