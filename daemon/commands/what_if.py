"""What would have woken you: a recorded night judged twice, by the settings of then and by changed ones.

What the cook did that night stays as it was: logs laid, the good night, the good morning. A call that comes at another time
finds the same log laid at the same time; it is taken to be answered after a minute and a quarter.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar

from rich import box
from rich.table import Table

from config.config_error import ConfigError
from config.hours import minute_of_day
from config.loader import load_both
from config.problems import Problem
from config.units import parse_temperature
from daemon.commands.replay import END_OF_LOG
from daemon.core.alarms.rules import ALARM_RULES, AlarmRule, WakePolicy
from daemon.core.annunciation.annunciator import TEST_WAKE
from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.events import Event, Level, Notification, Priority
from daemon.core.inputs import Input, WallClock
from daemon.core.orders import Acknowledge, SetBand, StartCook
from daemon.core.settings import WatchSettings
from daemon.shell.library.records import CookEntry, reading
from daemon.shell.library.tables import kept_inputs
from daemon.texts.composer import PLAIN, Composer
from daemon.texts.problems import why
from daemon.wiring.settings_from_files import sleeper_of, watch_settings

ANSWERED_AFTER = 75.0
"""s from a call to its answer; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Judged:
    """What a night is judged by."""

    settings: WatchSettings
    rules: tuple[AlarmRule, ...] = ALARM_RULES
    band_fixed: bool = False
    """The band was changed here: what was set that night no longer counts."""


Kind = TypeVar("Kind", bound=StrEnum)
Change = Callable[[Judged, str], Judged]


class BadSetting(ValueError):
    """A key nobody knows or a value that cannot be; the text says what is known."""


def changed(judged: Judged, assignments: Iterable[str]) -> Judged:
    """Apply "key=value" one after the other. Raises BadSetting."""
    for assignment in assignments:
        key, separator, value = assignment.partition("=")
        key = key.strip()
        if not separator:
            raise BadSetting(PLAIN.words("command.what-if.key-value", assignment=assignment, known=known_keys()))
        try:
            judged = _change_of(key)(judged, value.strip())
        except BadSetting:
            raise
        except (ValueError, KeyError) as error:
            wrong = PLAIN.say(why(error)) if isinstance(error, ValueError) else str(error)
            said = PLAIN.words("command.what-if.wrong", setting=key, value=value.strip(), why=wrong)
            raise BadSetting(said) from error
    band = judged.settings.cook.band
    if not band.low < band.high:
        raise BadSetting(PLAIN.words("command.what-if.band", low=band.low, high=band.high))
    if judged.settings.announcing.quiet.start == judged.settings.announcing.quiet.end:
        raise BadSetting(PLAIN.words("command.what-if.no-night"))
    return judged


def known_keys() -> tuple[str, ...]:
    return (*_CHANGES, *(f"rule.RULE.{name}" for name in _RULE_FIELDS))


def _change_of(key: str) -> Change:
    if key in _CHANGES:
        return _CHANGES[key]
    word, _, rest = key.partition(".")
    rule, _, field = rest.rpartition(".")
    if word == "rule" and field in _RULE_FIELDS:
        if rule not in {r.id for r in ALARM_RULES}:
            known = tuple(r.id for r in ALARM_RULES)
            raise BadSetting(PLAIN.words("command.what-if.no-rule", rule=rule, known=known))
        return lambda judged, value: _with_rule(judged, rule, field, _RULE_FIELDS[field](value))
    raise BadSetting(PLAIN.words("command.what-if.unknown-key", setting=key, known=known_keys()))


def _with_rule(judged: Judged, rule: str, field: str, value: Any) -> Judged:
    return replace(judged, rules=tuple(replace(r, **{field: value}) if r.id == rule else r for r in judged.rules))


def _with_band(judged: Judged, **edges: float) -> Judged:
    cook = judged.settings.cook
    cook = replace(cook, band=replace(cook.band, **edges))
    return replace(judged, settings=replace(judged.settings, cook=cook), band_fixed=True)


def _announcing(judged: Judged, **values: Any) -> Judged:
    announcing = replace(judged.settings.announcing, **values)
    return replace(judged, settings=replace(judged.settings, announcing=announcing))


def _quiet(judged: Judged, **values: Any) -> Judged:
    return _announcing(judged, quiet=replace(judged.settings.announcing.quiet, **values))


def _celsius(text: str) -> float:
    try:
        return _finite(text)
    except ValueError:
        return parse_temperature(text)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError(PLAIN.words("command.what-if.number")) from None


def _one_of(kind: type[Kind]) -> Callable[[str], Kind]:
    def chosen(text: str) -> Kind:
        try:
            return kind(text)
        except ValueError:
            raise ValueError(PLAIN.words("command.what-if.one-of", known=tuple(one.value for one in kind))) from None

    return chosen


def _seconds(text: str) -> float:
    value = _number(text)
    if not 0 <= value <= LONGEST:
        raise ValueError(PLAIN.words("command.what-if.seconds", most=LONGEST))
    return value


LONGEST = 86400.0
"""s."""


def _lead(text: str) -> float:
    shortest, longest = LEAD_MINUTES
    value = _number(text)
    if not shortest <= value <= longest:
        raise ValueError(PLAIN.words("command.what-if.minutes", least=shortest, most=longest))
    return value


LEAD_MINUTES = (5.0, 90.0)
"""As the rig file allows."""


def _finite(text: str) -> float:
    value = _number(text)
    if not isfinite(value):
        raise ValueError(PLAIN.words("command.what-if.finite"))
    return value


def _minute_of_day(text: str) -> int:
    minute = minute_of_day(text)
    if minute is None:
        raise ValueError(PLAIN.words("command.what-if.time-of-day"))
    return minute


def _yes_or_no(text: str) -> bool:
    if text not in ("true", "false"):
        raise ValueError(PLAIN.words("command.what-if.yes-or-no"))
    return text == "true"


def _delay_of(name: str) -> Change:
    return lambda judged, value: _announcing(judged, **{name: _seconds(value)})


_DELAYS = ("repeat_after", "sounder_after", "second_person_after", "re_announce_every", "give_up_after", "merge_within")
_CHANGES: dict[str, Change] = {
    "band.low": lambda judged, value: _with_band(judged, low=_celsius(value)),
    "band.high": lambda judged, value: _with_band(judged, high=_celsius(value)),
    "quiet.from": lambda judged, value: _quiet(judged, start=_minute_of_day(value)),
    "quiet.until": lambda judged, value: _quiet(judged, end=_minute_of_day(value)),
    "lead_minutes": lambda judged, value: _announcing(judged, sleeper=sleeper_of(_lead(value))),
    "wake_for_wrap": lambda judged, value: _announcing(judged, wake_for_wrap=_yes_or_no(value)),
    **{name: _delay_of(name) for name in _DELAYS},
}
_RULE_FIELDS: dict[str, Callable[[str], Any]] = {
    "on_delay": _seconds,
    "off_delay": _seconds,
    "time_to_act": _seconds,
    "deadband": _finite,
    "margin": _finite,
    "priority": _one_of(Priority),
    "wake": _one_of(WakePolicy),
}


# --- a kept cook -----------------------------------------------------------------------------------------


def settings_of(entry: CookEntry, rig_file: Path | None = None) -> WatchSettings:
    """What the watch of a kept cook ran by: from the rig file it was started with, or from this one. Raises ConfigError."""
    if rig_file is not None:
        rig, _ = load_both(rig_file, None)
        settings = watch_settings(rig, None, entry.wall_offset)
    else:
        with reading(entry.journal) as db:
            start = db.execute(
                "SELECT rig FROM starts WHERE input <= ? ORDER BY input DESC LIMIT 1", (entry.first_input,)
            ).fetchone()
        if start is None:
            problem = Problem(entry.id, "(rig)", "", PLAIN.words("command.what-if.no-rig"))
            raise ConfigError([problem])
        with tempfile.TemporaryDirectory() as made:
            file = Path(made) / "rig.toml"
            file.write_text(start[0], encoding="utf-8")
            rig, _ = load_both(file, None)
        settings = watch_settings(rig, None, entry.wall_offset)
    return replace(settings, channels=entry.channels, cook=entry.settings)


def inputs_of_cook(entry: CookEntry) -> Iterator[tuple[float, Input]]:
    """The clock as it was known, and everything the watch was told."""
    yield entry.started, WallClock(entry.wall_offset, trusted=True)
    yield from ((now, item) for now, item in kept_inputs(entry) if not isinstance(item, StartCook))


# --- the two nights --------------------------------------------------------------------------------------


def calls(
    judged: Judged,
    inputs: Iterable[tuple[float, Input]],
    hear: Callable[[Engine, Iterable[tuple[float, Input]]], Iterable[Event]] = replayed,
) -> list[Notification]:
    """Everything that would have woken somebody, each call answered ANSWERED_AFTER unless that night's own answer comes
    first. hear: how inputs become events, where forecasts are not among them."""
    engine = Engine(judged.settings, judged.rules)
    woke: list[Notification] = []
    answered, last = 0, 0.0

    def followed() -> Iterator[tuple[float, Input]]:
        nonlocal answered, last
        for now, item in inputs:
            while answered < len(woke) and woke[answered].time + ANSWERED_AFTER < now:
                yield max(last, woke[answered].time + ANSWERED_AFTER), Acknowledge("*", by="what-if")
                answered += 1
            last = now
            if not (judged.band_fixed and isinstance(item, SetBand)):
                yield now, item

    for events in (hear(engine, followed()), replayed(engine, (), until=last + END_OF_LOG)):
        for event in events:
            if isinstance(event, Notification) and _wakes(event):
                woke.append(event)
    return woke


def _wakes(told: Notification) -> bool:
    return told.level is Level.WAKE and told.alarm != TEST_WAKE


WATCHED = ("command.what-if.then", "command.what-if.now", "command.what-if.woken")
UNWATCHED = ("command.what-if.as-set", "command.what-if.changed", "command.what-if.would-wake")
"""Of the two columns, and what counts them: of a night that a watch kept, and of one that none is known to have kept."""


def comparison(
    then: Sequence[Notification],
    now: Sequence[Notification],
    composer: Composer,
    heads: tuple[str, str, str] = WATCHED,
) -> Table:
    """Both nights side by side, in the order of time; first announcements and what repeats them."""
    words = composer.words
    before_head, after_head, count = heads
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, caption=words(count, then=len(then), now=len(now)))
    for title in (words("command.what-if.time"), words(before_head), words(after_head)):
        table.add_column(title, overflow="fold")
    rows: dict[float, tuple[list[str], list[str]]] = {}
    for side, told in enumerate((then, now)):
        for one in told:
            rows.setdefault(one.time, ([], []))[side].append(composer.say(one.text))
    for time, (before, after) in sorted(rows.items()):
        at = f"{composer.reader.local(time):%a} {composer.reader.hour(time)}"
        table.add_row(at, "; ".join(before), "; ".join(after))
    return table
