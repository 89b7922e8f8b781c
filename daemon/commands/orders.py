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
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from config.rig import Rig

PATIENCE = 10.0
"""s for one answer of the watch."""
PLANS_IN = 120.0
"""s for a plan: a board takes its time."""
SAME_MINUTE = 60.0
"""s within which a mark is the one that `--at` names."""
EXIT_FAILED, EXIT_BAD_CALL = 1, 2
EXAMPLES = {
    "mark": "log --at 17:40 --rig rig.toml",
    "take-back": "wrapped chuck --rig rig.toml",
    "spot": 'loaf 63.4 --where "thick end" --with "thin-tip thermometer" --rig rig.toml',
    "choose-spot": "loaf --rig rig.toml",
    "add-piece": '"Meat loaf" --cut meat-loaf --weight 1.2 --rig rig.toml',
    "change-piece": "loaf --weight 1.4 --rig rig.toml",
    "remove-piece": "loaf --rig rig.toml",
    "move-probe": "loaf none --rig rig.toml",
    "move-piece": "loaf drum --rig rig.toml",
    "band": "107 135 --rig rig.toml",
    "keep-plan": "--wind 4 --rig rig.toml",
    "drop-plan": "--rig rig.toml",
    "remind": '"Spritz" --every 45 --after on --until wrapped --piece chuck --rig rig.toml',
    "reminder-done": "spritz --rig rig.toml",
    "remove-reminder": "spritz --rig rig.toml",
    "wood": "24 --rig rig.toml",
}
Parser = Callable[[str, object, str], argparse.ArgumentParser]
Act = Callable[[argparse.Namespace, "Watch"], Any]
"""Gives the order, and returns the watch's answer."""


_DIRECTLY = urllib.request.build_opener(urllib.request.ProxyHandler({}))
"""The key goes to the watch and to no proxy that the environment names."""


class NotSaid(Exception):
    """The watch did not take it; the text says why."""


def add_commands(command: Parser) -> None:
    """command: makes a subcommand of its name, what it does, and its help."""

    def order(name: str, act: Act, text: str) -> argparse.ArgumentParser:
        sub = command(name, lambda options: _said(options, act), text)
        sub.add_argument("--rig", type=Path, required=True, help="rig file (TOML) of the running watch")
        sub.add_argument(
            "--state", type=Path, help="directory of the journal; of the installed service: /var/lib/pitvigil"
        )
        sub.add_argument("--by", default="terminal", help="who says so")
        return sub

    def at(sub: argparse.ArgumentParser, text: str) -> None:
        sub.add_argument("--at", metavar="TIME", help=f"{text}: 17:40, or 2026-11-28T17:40 (in the zone of the rig)")

    def of_pit(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("--pit", default="", help="id of the pit, in a rig with several (default: the first)")

    mark = order("mark", _mark, "say what was done: fire-lit, meat-on, log, wrapped, off, ...")
    mark.add_argument("kind", help="fire-lit, meat-on, log, lid-open, lid-closed, damper, wrapped, probed-tender, off, rest, "
                                   "hold, chill, serve")  # fmt: skip
    mark.add_argument("piece", nargs="?", help="id of the piece; default: the pit, or all pieces")
    mark.add_argument("--note", default="", help="of wrapped: foil, paper or boat")
    at(mark, "when it was done")
    of_pit(mark)
    back = order("take-back", _take_back, "a mark or a spot reading was wrong: as if it had not been said")
    back.add_argument("kind", help="of the mark, or: spot")
    of_pit(back)
    back.add_argument("piece", nargs="?", help="id of the piece")
    at(back, "the one of that time (default: the newest)")
    spot = order("spot", _spot, "a core temperature was read by hand")
    spot.add_argument("piece", help="id of the piece")
    spot.add_argument("temperature", help="°C, or with its unit: 146F")
    spot.add_argument("--where", default="", help="in the piece")
    spot.add_argument("--with", dest="thermometer", default="", help="which thermometer")
    spot.add_argument("--tolerance", type=float, default=1.0, help="± °C of the thermometer (default 1)")
    at(spot, "when it was read")
    choose = order("choose-spot", _choose_spot, "the handheld probe reads this piece now")
    choose.add_argument("piece", help="id of the piece")
    add = order("add-piece", _add_piece, "another piece joins the running cook")
    add.add_argument("name", help="of the piece")
    add.add_argument("--id", help="of the piece (default: from its name)")
    add.add_argument("--probe", "--channel", metavar="CHANNEL", help="its meat channel (default: no probe follows it)")
    change = order("change-piece", _change_piece, "a piece is meant otherwise; what is not named stays")
    change.add_argument("piece", help="id of the piece")
    change.add_argument("--name", help="of the piece")
    for sub, needed in ((add, True), (change, False)):
        sub.add_argument("--cut", required=needed, help="a cut of the table")
        sub.add_argument("--weight", required=needed, help="kg, or with its unit: 8lb")
        sub.add_argument("--thickness", help="cm, thinnest dimension, or with its unit: 4in")
        sub.add_argument("--target", help="core to take it off at: °C, or with its unit: 145F")
        sub.add_argument("--place", help="on the grate: the place of the pit channel nearest to it")
        sub.add_argument("--sure", action="store_true", help="it is meant, however odd")
    remove = order("remove-piece", _remove_piece, "a piece leaves the running cook")
    remove.add_argument("piece", help="id of the piece")
    move = order("move-probe", _move_probe, "another probe reads a piece from now on, or none")
    move.add_argument("piece", help="id of the piece")
    move.add_argument("channel", help="its meat channel from now on, or: none")
    piece = order("move-piece", _move_piece, "a piece is cooked on another pit from now on, with its probe")
    piece.add_argument("piece", help="id of the piece")
    piece.add_argument("pit", help="id of the pit")
    band = order("band", _band, "the pit's band from now on")
    band.add_argument("low", help="°C, or with its unit: 225F")
    band.add_argument("high", help="°C, or with its unit: 275F")
    of_pit(band)
    band.add_argument("--sure", action="store_true", help="it is meant, however odd")
    keep = order("keep-plan", _keep_plan, "plan the running cook and keep the plan: its times become prompts")
    keep.add_argument("--ambient", help="°C outside, or with its unit: 23F (default: as the rig's probe says)")
    keep.add_argument("--wind", type=float, default=0.0, help="m/s at the pit")
    keep.add_argument("--no-wake", action="store_true", help="its hours are no alarm clock: by day only")
    order("drop-plan", _drop_plan, "keep no plan any more")
    remind = order("remind", _remind, "a reminder of your own")
    remind.add_argument("text", help="what to do")
    remind.add_argument("--every", type=float, metavar="MINUTES", help="from one to the next (default: once)")
    remind.add_argument("--after", help="lit, in-band, on, stall, wrapped, tender, off or hold: counted from there")
    remind.add_argument("--until", help="one of the same: it ends there")
    remind.add_argument("--piece", help="id of the piece (default: whichever comes first)")
    remind.add_argument("--at-night", action="store_true", help="it may wake you")
    remind.add_argument(
        "--at", metavar="TIME", help="counted from here instead: 17:40, or 2026-11-28T17:40 (in the zone of the rig)"
    )
    for name, text in (("reminder-done", "it was done, called or not"), ("remove-reminder", "remind no more")):
        order(name, partial(_of_reminder, name), text).add_argument(
            "reminder", help="its id; grease-tray: the tray is empty"
        )
    order("wood", _wood, "so many splits are at hand").add_argument("splits", type=int)


class Watch:
    """The page of the running watch, with its key."""

    def __init__(self, rig: Rig, state: Path | None) -> None:
        """Raises NotSaid and SecretRefused."""
        from daemon.wiring.keys import page_key
        from daemon.wiring.watch import state_directory

        if rig.page is None:
            raise NotSaid("the rig has no [page] section, and commands go by the page")
        host = rig.page.listen
        anywhere = {"0.0.0.0": "127.0.0.1", "::": "[::1]", "": "127.0.0.1"}  # nosec B104  # compared with, never bound
        host = anywhere.get(host, host)
        self.base = f"http://{host}:{rig.page.port}/api/"
        self.zone, self.fahrenheit = ZoneInfo(rig.people.zone), rig.people.unit == "F"
        self._key = page_key(rig.page, state_directory(rig, state))

    def ask(self, path: str, body: dict[str, Any] | None = None, patience: float = PATIENCE) -> Any:
        """Raises NotSaid in the watch's own words."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"Authorization": f"Bearer {self._key}", "Content-Type": "application/json"}
        request = urllib.request.Request(self.base + path, data, headers)
        try:
            with _DIRECTLY.open(request, timeout=patience) as answer:
                return json.load(answer)
        except urllib.error.HTTPError as error:
            raise NotSaid(_problem(error)) from None
        except OSError as error:
            raise NotSaid(
                f"no watch answers at {self.base}: {getattr(error, 'reason', error)}; is it running?"
            ) from None

    def minutes_ago(self, text: str | None) -> float:
        """Minutes since a local time; of an hour without a day the newest. Raises NotSaid."""
        if text is None:
            return 0.0
        from daemon.core.inputs import BACK_DATED_AT_MOST

        seconds = (_now() - self._instant(text)).total_seconds()
        if seconds < 0.0:
            raise NotSaid(f"{text} is yet to come: a mark tells what was done; without --at it is now")
        if seconds > BACK_DATED_AT_MOST:
            hours, most = seconds / 3600.0, BACK_DATED_AT_MOST / 3600.0
            if _is_hour(text):  # the next one is nearer than the last
                raise NotSaid(
                    f"{text} is yet to come: a mark tells what was done in the last {most:.0f} hours; without --at it is now"
                )
            raise NotSaid(f"{text} is {hours:.0f} hours ago: at most {most:.0f} can be told")
        return seconds / 60.0

    def engine_time(self, text: str, wall_offset: float) -> float:
        return self._instant(text).timestamp() - wall_offset

    def coming(self, text: str) -> str:
        """A local time that is to come, RFC 3339; of an hour without a day the next. Raises NotSaid."""
        at = self._instant(text, to_come=True)
        if at <= _now():
            raise NotSaid(f"{text} has passed: give a time to come")
        return at.isoformat()

    def _instant(self, text: str, to_come: bool = False) -> datetime:
        """to_come: of an hour without a day the next, else the newest."""
        now = _now()
        try:
            if not _is_hour(text):
                given = datetime.fromisoformat(text)
                return given if given.tzinfo else given.replace(tzinfo=self.zone)
            hour = datetime.strptime(text, "%H:%M").time()  # noqa: DTZ007
        except ValueError:
            raise NotSaid(f"{text} is no time: write 17:40, or 2026-11-28T17:40") from None
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
        asks = told.get("where") == "sure"
        return f"{told['problem']}{' (if it is meant, say it again with --sure)' if asks else ''}"
    except (ValueError, KeyError, TypeError):
        return f"the watch answers {error.code}"


def _said(options: argparse.Namespace, act: Act) -> int:
    from config.loader import load_both
    from daemon.shell.state.secrets import SecretRefused

    rig, _ = load_both(options.rig, None)
    try:
        answer = act(options, Watch(rig, options.state))
    except SecretRefused as error:
        sys.stderr.write(f"{error}; or name with --state the directory of the watch\n")
        return EXIT_BAD_CALL
    except NotSaid as error:
        sys.stderr.write(f"{error}\n")
        return EXIT_FAILED
    said = answer.get("said") if isinstance(answer, dict) else None
    sys.stdout.write(f"{said or 'taken'}\n")
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
        raise NotSaid(f"{text}: which unit? Write {text}F, or {text}C")
    return given


# --- the commands --------------------------------------------------------------------------------------------


def _mark(options: argparse.Namespace, watch: Watch) -> Any:
    late = watch.minutes_ago(options.at)
    body = {"kind": options.kind, "piece": options.piece, "note": options.note, "minutes_ago": late, "by": options.by}
    return watch.ask("mark", body | {"pit": options.pit})


def _take_back(options: argparse.Namespace, watch: Watch) -> Any:
    said_at = None
    if options.at is not None:
        seen = watch.ask("snapshot")
        at = watch.engine_time(options.at, seen["wall_offset"])
        pits = (options.pit,) if options.pit else ("", seen["pit"]["id"])
        marks = [m for m in seen["marks"] if m["pit"] in ("", *pits)]
        named = [m for m in marks if (m["what"], m["piece"]) == (options.kind, options.piece)]
        near = [m for m in named if -1.0 <= m["at"] - at < SAME_MINUTE]
        if not near:
            raise NotSaid(f"no {options.kind} of {options.at} stands")
        said_at = near[0]["said_at"]
    body = {"what": options.kind, "piece": options.piece, "said_at": said_at, "by": options.by, "pit": options.pit}
    return watch.ask("take-back", body)


def _spot(options: argparse.Namespace, watch: Watch) -> Any:
    body = {
        "piece": options.piece, "celsius": _temperature(options.temperature, watch), "where": options.where,
        "thermometer": options.thermometer, "tolerance": options.tolerance, "by": options.by,
        "minutes_ago": watch.minutes_ago(options.at),
    }  # fmt: skip
    return watch.ask("spot", body)


def _choose_spot(options: argparse.Namespace, watch: Watch) -> Any:
    return watch.ask("choose-spot", {"piece": options.piece, "by": options.by})


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
    return watch.ask("add-piece", {"piece": piece, "sure": options.sure, "by": options.by})


def _change_piece(options: argparse.Namespace, watch: Watch) -> Any:
    changes = _given(options, watch, "name", "cut", "weight", "thickness", "target", "place")
    return watch.ask("change-piece", {"piece": options.piece, "sure": options.sure, "by": options.by, **changes})


def _remove_piece(options: argparse.Namespace, watch: Watch) -> Any:
    return watch.ask("remove-piece", {"piece": options.piece, "by": options.by})


def _move_probe(options: argparse.Namespace, watch: Watch) -> Any:
    channel = None if options.channel == "none" else options.channel
    return watch.ask("move-probe", {"piece": options.piece, "channel": channel, "by": options.by})


def _move_piece(options: argparse.Namespace, watch: Watch) -> Any:
    return watch.ask("move-piece", {"piece": options.piece, "pit": options.pit, "by": options.by})


def _band(options: argparse.Namespace, watch: Watch) -> Any:
    band = {"low": _temperature(options.low, watch), "high": _temperature(options.high, watch)}
    return watch.ask("band", {"band": band, "sure": options.sure, "by": options.by, "pit": options.pit})


def _keep_plan(options: argparse.Namespace, watch: Watch) -> Any:
    weather = {**_given(options, watch, "ambient"), "wind": options.wind}
    made = watch.ask("keep-plan", {**weather, "wake": not options.no_wake, "by": options.by}, PLANS_IN)
    return {"said": "\n".join([*made["lines"], "this plan is kept"])}


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
