"""What the cook says from a terminal: each command is one request to the page of the running watch."""

from __future__ import annotations

import argparse
import json
import sys
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from http import HTTPStatus
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from config.hours import minute_of_day
from daemon.commands.plain_parser import positive
from daemon.texts.composer import PLAIN

if TYPE_CHECKING:
    from config.rig import Rig

PATIENCE = 10.0
"""s for one answer of the watch."""
PLANS_IN = 120.0
"""s for a plan: a board takes its time."""
SAME_MINUTE = 60.0
"""s within which a mark is the one that `--at` names."""
EXIT_FAILED, EXIT_BAD_CALL = 1, 2
Parser = Callable[[str, object], argparse.ArgumentParser]
Act = Callable[[argparse.Namespace, "Watch"], Any]
"""Gives the order, and returns the watch's answer."""


_DIRECTLY = urllib.request.build_opener(urllib.request.ProxyHandler({}))
"""The key goes to the watch and to no proxy that the environment names."""


class NotSaid(Exception):
    """The watch did not take it; the text says why."""


class OtherWatch(NotSaid):
    """The watch that answers does not take the key of this state directory."""


def add_commands(command: Parser) -> None:
    """command: makes a subcommand of its name and what it does."""

    def order(name: str, act: Act) -> argparse.ArgumentParser:
        sub = command(name, lambda options: _said(options, act))
        sub.add_argument("--rig", type=Path, required=True)
        sub.add_argument("--state", type=Path)
        sub.add_argument("--by", default="terminal")
        return sub

    def at(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("--at", metavar="TIME")

    def of_pit(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("--pit", default="")

    mark = order("mark", _mark)
    mark.add_argument("kind")
    mark.add_argument("piece", nargs="?")
    mark.add_argument("--note", default="")
    mark.add_argument("--sure", action="store_true")
    at(mark)
    of_pit(mark)
    back = order("take-back", _take_back)
    back.add_argument("kind")
    of_pit(back)
    back.add_argument("piece", nargs="?")
    at(back)
    spot = order("spot", _spot)
    spot.add_argument("piece")
    spot.add_argument("temperature")
    spot.add_argument("--where", default="")
    spot.add_argument("--with", dest="thermometer", default="")
    spot.add_argument("--tolerance", default="1")
    spot.add_argument("--sure", action="store_true")
    at(spot)
    choose = order("choose-spot", _choose_spot)
    choose.add_argument("piece")
    add = order("add-piece", _add_piece)
    add.add_argument("name")
    add.add_argument("--id")
    add.add_argument("--probe", "--channel", metavar="CHANNEL")
    change = order("change-piece", _change_piece)
    change.add_argument("piece")
    change.add_argument("--name")
    for sub, needed in ((add, True), (change, False)):
        sub.add_argument("--cut", required=needed)
        sub.add_argument("--weight", required=needed)
        sub.add_argument("--thickness")
        sub.add_argument("--target")
        sub.add_argument("--place")
        sub.add_argument("--serve-at", metavar="TIME")
        sub.add_argument("--sure", action="store_true")
    remove = order("remove-piece", _remove_piece)
    remove.add_argument("piece")
    remove.add_argument("--sure", action="store_true")
    move = order("move-probe", _move_probe)
    move.add_argument("piece")
    move.add_argument("channel")
    piece = order("move-piece", _move_piece)
    piece.add_argument("piece")
    piece.add_argument("pit")
    band = order("band", _band)
    band.add_argument("low")
    band.add_argument("high")
    of_pit(band)
    band.add_argument("--sure", action="store_true")
    keep = order("keep-plan", _keep_plan)
    keep.add_argument("--ambient")
    keep.add_argument("--wind", default="0")
    keep.add_argument("--no-wake", action="store_true")
    order("drop-plan", _drop_plan)
    remind = order("remind", _remind)
    remind.add_argument("text")
    remind.add_argument("--every", type=positive, metavar="MINUTES")
    remind.add_argument("--after")
    remind.add_argument("--until")
    remind.add_argument("--piece")
    remind.add_argument("--at-night", action="store_true")
    at(remind)
    for name in ("reminder-done", "remove-reminder"):
        order(name, partial(_of_reminder, name)).add_argument("reminder")
    order("wood", _wood).add_argument("splits", type=int)


class Watch:
    """The page of the running watch, with its key."""

    def __init__(self, rig: Rig, state: Path | None) -> None:
        """Raises NotSaid and SecretRefused."""
        from daemon.wiring.keys import page_key
        from daemon.wiring.state_directory import state_directory

        if rig.page is None:
            raise NotSaid(PLAIN.words("command.order.no-page"))
        host = rig.page.listen
        anywhere = {"0.0.0.0": "127.0.0.1", "::": "[::1]", "": "127.0.0.1"}  # nosec B104  # compared with, never bound
        host = anywhere.get(host, host)
        self.base = f"http://{host}:{rig.page.port}/api/"
        self.zone, self.fahrenheit = ZoneInfo(rig.people.zone), rig.people.unit == "F"
        self._state = state_directory(rig, state)
        self._key = page_key(rig.page, self._state)

    def ask(self, path: str, body: dict[str, Any] | None = None, patience: float = PATIENCE) -> Any:
        """Raises NotSaid in the watch's own words."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"Authorization": f"Bearer {self._key}", "Content-Type": "application/json"}
        request = urllib.request.Request(self.base + path, data, headers)
        try:
            with _DIRECTLY.open(request, timeout=patience) as answer:
                return json.load(answer)
        except urllib.error.HTTPError as error:
            if error.code == HTTPStatus.UNAUTHORIZED:
                raise OtherWatch(
                    PLAIN.words("command.key.other-watch", address=self.base, state=str(self._state))
                ) from None
            raise NotSaid(_problem(error)) from None
        except OSError:
            raise NotSaid(PLAIN.words("command.order.no-watch", address=self.base)) from None

    def minutes_ago(self, text: str | None) -> float:
        """Minutes since a local time; of an hour without a day the newest. Raises NotSaid."""
        if text is None:
            return 0.0
        from daemon.core.orders import BACK_DATED_AT_MOST

        seconds = (_now() - self._instant(text)).total_seconds()
        if seconds < 0.0:
            raise NotSaid(PLAIN.words("command.order.to-come", at=text))
        if seconds > BACK_DATED_AT_MOST:
            hours, most = seconds / 3600.0, BACK_DATED_AT_MOST / 3600.0
            if _is_hour(text):  # the next one is nearer than the last
                raise NotSaid(PLAIN.words("command.order.hour-to-come", at=text, most=most))
            raise NotSaid(PLAIN.words("command.order.too-old", at=text, hours=hours, most=most))
        return seconds / 60.0

    def engine_time(self, text: str, wall_offset: float) -> float:
        return self._instant(text).timestamp() - wall_offset

    def coming(self, text: str) -> str:
        """A local time that is to come, RFC 3339; of an hour without a day the next. Raises NotSaid."""
        at = self._instant(text, to_come=True)
        if at <= _now():
            raise NotSaid(PLAIN.words("command.order.passed", at=text))
        return at.isoformat()

    def _instant(self, text: str, to_come: bool = False) -> datetime:
        """to_come: of an hour without a day the next, else the newest."""
        now = _now()
        try:
            if not _is_hour(text):
                given = datetime.fromisoformat(text)
                return given if given.tzinfo else given.replace(tzinfo=self.zone)
        except ValueError:
            raise NotSaid(PLAIN.words("command.order.no-time", at=text)) from None
        minute = minute_of_day(text)
        if minute is None:
            raise NotSaid(PLAIN.words("command.order.no-time", at=text))
        hour = time(minute // 60, minute % 60)
        times = _times_of(hour, now.astimezone(self.zone).date(), self.zone)
        at = min(t for t in times if t > now) if to_come else max(t for t in times if t <= now)
        return at.astimezone(self.zone)


def _times_of(hour: time, day: date, zone: ZoneInfo) -> Iterator[datetime]:
    """UTC: that hour of the day before, of the day and of the day after; twice where the clock goes back over it. Where it
    goes forward over it, the hour is told by the offset before the gap (RFC 5545, 3.3.5)."""
    for days in (-1, 0, 1):
        local = datetime.combine(day + timedelta(days=days), hour, zone)
        yield local.astimezone(UTC)
        again = local.replace(fold=1).astimezone(UTC)
        if again.astimezone(zone).time() == hour:
            yield again


def _is_hour(text: str) -> bool:
    """Without a day."""
    return "T" not in text and "-" not in text


def _now() -> datetime:
    from daemon.shell.clock import wall_seconds

    return datetime.fromtimestamp(wall_seconds(), UTC)


def _problem(error: urllib.error.HTTPError) -> str:
    try:
        told = json.load(error)
        said = str(told["problem"])
        return PLAIN.words("command.order.if-meant", said=said) if told.get("where") == "sure" else said
    except (ValueError, KeyError, TypeError):
        return PLAIN.words("command.order.answers", status=error.code)


def _said(options: argparse.Namespace, act: Act) -> int:
    from config.loader import load_both
    from daemon.shell.state.secrets import SecretRefused

    rig, _ = load_both(options.rig, None)
    try:
        answer = act(options, Watch(rig, options.state))
    except SecretRefused as error:
        sys.stderr.write(f"{error}\n")
        return EXIT_BAD_CALL
    except NotSaid as error:
        sys.stderr.write(f"{error}\n")
        return EXIT_FAILED
    said = answer.get("said") if isinstance(answer, dict) else None
    sys.stdout.write((said or PLAIN.words("command.order.taken")) + "\n")
    return 0


def _number(text: str) -> float | str:
    """A number, or text with its unit as the watch takes it."""
    try:
        return float(text)
    except ValueError:
        return text


def _temperature(text: str, watch: Watch) -> float | str:
    """A number of °C, or text with its unit as the watch takes it. Who reads °F must say which is meant. Raises NotSaid."""
    given = _number(text)
    if watch.fahrenheit and isinstance(given, float):
        raise NotSaid(PLAIN.words("command.call.which-unit", number=text))
    return given


def _speed(text: str, watch: Watch) -> float | str:
    """As `_temperature`, of the wind: none is none in any unit."""
    given = _number(text)
    if watch.fahrenheit and isinstance(given, float) and given:
        raise NotSaid(PLAIN.words("command.call.which-speed", number=text))
    return given


# --- the commands --------------------------------------------------------------------------------------------


def _mark(options: argparse.Namespace, watch: Watch) -> Any:
    late = watch.minutes_ago(options.at)
    body = {"kind": options.kind, "piece": options.piece, "note": options.note, "minutes_ago": late, "by": options.by}
    return watch.ask("mark", body | {"pit": options.pit, "sure": options.sure})


def _take_back(options: argparse.Namespace, watch: Watch) -> Any:
    said_at = None
    if options.at is not None:
        seen = watch.ask("snapshot")
        at = watch.engine_time(options.at, seen["wall_offset"])
        pits = (options.pit,) if options.pit else ("", seen["pit"]["id"])
        marks = [m for m in seen["marks"] if m["pit"] in ("", *pits)]
        called = (options.piece or "").casefold()
        pieces = {options.piece, *(piece["id"] for piece in seen["pieces"] if piece["name"].casefold() == called)}
        named = [m for m in marks if m["what"] == options.kind and m["piece"] in pieces]
        near = [m for m in named if -1.0 <= m["at"] - at < SAME_MINUTE]
        if not near:
            raise NotSaid(PLAIN.words("command.order.no-mark", what=options.kind, at=options.at))
        said_at = near[0]["said_at"]
    body = {"what": options.kind, "piece": options.piece, "said_at": said_at, "by": options.by, "pit": options.pit}
    return watch.ask("take-back", body)


def _spot(options: argparse.Namespace, watch: Watch) -> Any:
    body = {
        "piece": options.piece, "celsius": _temperature(options.temperature, watch), "where": options.where,
        "thermometer": options.thermometer, "tolerance": _number(options.tolerance), "by": options.by,
        "minutes_ago": watch.minutes_ago(options.at), "sure": options.sure,
    }  # fmt: skip
    return watch.ask("spot", body)


def _choose_spot(options: argparse.Namespace, watch: Watch) -> Any:
    return watch.ask("choose-spot", {"piece": options.piece, "by": options.by})


WITH_THE_REST = "none"
"""Instead of a serving time: no longer one of its own."""
AMOUNTS, TEMPERATURES = ("weight", "thickness"), ("target", "ambient")


def _given(options: argparse.Namespace, watch: Watch, *keys: str) -> dict[str, Any]:
    """What was named of these, as the watch takes it. Raises NotSaid."""
    given = {key: value for key in keys if (value := getattr(options, key)) is not None}
    for key, value in given.items():
        if key in AMOUNTS:
            given[key] = _number(value)
        elif key in TEMPERATURES:
            given[key] = _temperature(value, watch)
    return given


def _add_piece(options: argparse.Namespace, watch: Watch) -> Any:
    piece = _given(options, watch, "name", "id", "cut", "weight", "thickness", "target", "place")
    if options.probe is not None:
        piece["channel"] = options.probe
    if options.serve_at is not None:
        piece["serve_at"] = watch.coming(options.serve_at)
    return watch.ask("add-piece", {"piece": piece, "sure": options.sure, "by": options.by})


def _change_piece(options: argparse.Namespace, watch: Watch) -> Any:
    changes = _given(options, watch, "name", "cut", "weight", "thickness", "target", "place")
    if options.serve_at is not None:
        changes["serve_at"] = options.serve_at != WITH_THE_REST and watch.coming(options.serve_at)
    return watch.ask("change-piece", {"piece": options.piece, "sure": options.sure, "by": options.by, **changes})


def _remove_piece(options: argparse.Namespace, watch: Watch) -> Any:
    return watch.ask("remove-piece", {"piece": options.piece, "sure": options.sure, "by": options.by})


def _move_probe(options: argparse.Namespace, watch: Watch) -> Any:
    channel = None if options.channel == "none" else options.channel
    return watch.ask("move-probe", {"piece": options.piece, "channel": channel, "by": options.by})


def _move_piece(options: argparse.Namespace, watch: Watch) -> Any:
    return watch.ask("move-piece", {"piece": options.piece, "pit": options.pit, "by": options.by})


def _band(options: argparse.Namespace, watch: Watch) -> Any:
    band = {"low": _temperature(options.low, watch), "high": _temperature(options.high, watch)}
    return watch.ask("band", {"band": band, "sure": options.sure, "by": options.by, "pit": options.pit})


def _keep_plan(options: argparse.Namespace, watch: Watch) -> Any:
    weather = {**_given(options, watch, "ambient"), "wind": _speed(options.wind, watch)}
    made = watch.ask("keep-plan", {**weather, "wake": not options.no_wake, "by": options.by}, PLANS_IN)
    return {"said": "\n".join([*made["doubts"], *made["lines"], PLAIN.words("command.order.plan-kept")])}


def _drop_plan(options: argparse.Namespace, watch: Watch) -> Any:
    return watch.ask("drop-plan", {"by": options.by})


def _remind(options: argparse.Namespace, watch: Watch) -> Any:
    own = {**_given(options, watch, "text", "after", "until", "piece"), "at_night": options.at_night}
    if options.at is not None:
        own["at"] = watch.coming(options.at)
    if options.every is not None:
        own["every_minutes"] = options.every
    return watch.ask("add-reminder", {"reminder": own, "by": options.by})


def _of_reminder(path: str, options: argparse.Namespace, watch: Watch) -> Any:
    return watch.ask(path, {"reminder": options.reminder, "by": options.by})


def _wood(options: argparse.Namespace, watch: Watch) -> Any:
    return watch.ask("count-wood", {"splits": options.splits, "by": options.by})
