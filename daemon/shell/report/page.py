"""The report of a cook as one HTML file that asks nobody for anything: styles and drawings inside, no script, no link."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import replace
from importlib.resources import files
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon.core.food_safety.record import CLOSING
from daemon.core.inputs import Goal
from daemon.core.readings.trace import MINUTE
from daemon.shell.library.alarm_account import figures_of, trail_of
from daemon.shell.library.cook import KeptCook
from daemon.shell.report import curves
from daemon.shell.report.alarm_lines import figure_rows
from daemon.shell.report.blocks import drawing, key, table
from daemon.shell.report.calls import Call
from daemon.shell.report.findings import Findings, PieceFindings, Spell, findings
from daemon.shell.report.forecast_checks import ForecastCheck, Look
from daemon.shell.report.lessons import lessons
from daemon.shell.report.markup import Child, Element, document, node
from daemon.shell.report.plan_account import PlanRow, plan_rows
from daemon.texts.composer import Composer
from daemon.texts.reader import CELSIUS, UNKNOWN, Reader, duration, percent

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
GOAL_WORDS = {Goal.WRAP: "wrap", Goal.TENDER: "tender", Goal.TARGET: "target"}
FORMS = "Filled: marked by the cook. Hollow: seen in the curve, marked by nobody."
A_DAY = 86400.0
CAUTION = "This informs; it does not certify. One probe sees one place, and the coldest part may be elsewhere."
HEAT_CAUTION = (
    "Ash, embers and the pit stay hot long after a cook, and embers give off carbon monoxide: none of it goes indoors."
)


def report_html(cook: KeptCook, reader: Reader = CELSIUS) -> bytes:
    """The whole report. reader: whoever reads it, in the cook's own zone. A cook of a day takes a fraction of a second."""
    length = len(cook.minutes) * MINUTE
    reader = replace(reader, wall_offset=cook.wall_offset, weekday=length > A_DAY)
    composer = Composer(reader)
    found = findings(replace(cook, events=tuple(composer.spoken(event) for event in cook.events)))
    title = f"{cook.name}, {reader.day(found.start)}"
    body = node(
        "body",
        node("header", *_head(found, reader)),
        node("main", *_sections(found, reader)),
        node("footer", node("p", HEAT_CAUTION), node("p", "Made by pitvigil from the journal of this cook.")),
    )
    head = node(
        "head",
        node("meta", charset="utf-8"),
        node("meta", name="viewport", content="width=device-width, initial-scale=1"),
        node("meta", http_equiv="Content-Security-Policy", content=POLICY),
        node("meta", name="color-scheme", content="light dark"),
        node("title", title),
        node("style", files("daemon.shell.report").joinpath("report.css").read_text(encoding="utf-8")),
    )
    return document(node("html", head, body, lang="en"))


def reader_of(rig: str | None) -> Reader:
    """For the people in the text of a rig file; °C and UTC when it says nothing that can be used."""
    try:
        people = tomllib.loads(rig or "").get("people", {})
        zone = str(ZoneInfo(people.get("zone", "UTC")))
    except (tomllib.TOMLDecodeError, AttributeError, TypeError, ValueError, ZoneInfoNotFoundError, OSError):
        return CELSIUS
    return Reader(people.get("unit") == "F", zone, twelve=people.get("clock") == 12)


def _head(found: Findings, reader: Reader) -> Iterable[Element]:
    cook = found.cook
    pieces = ", ".join(f"{p.settings.name} {reader.mass(p.settings.weight, 1)}" for p in found.pieces)
    running = "" if cook.ended is not None else " (still running)"
    yield node("h1", cook.name)
    yield node(
        "p",
        f"{cook.pit}, {reader.day(found.start)}, {reader.clock(found.start)} to {reader.clock(found.end)}{running}, "
        f"{reader.zone} time",
    )
    if pieces:
        yield node("p", pieces, class_="quiet")


def _sections(found: Findings, reader: Reader) -> Iterable[Element]:
    yield _figures(found, reader)
    yield _whole(found, reader)
    yield _next_time(found, reader)
    yield _fire(found, reader)
    yield from (_piece(piece, found, reader) for piece in found.pieces)
    if rows := plan_rows(found):
        yield _plan(rows, reader)
    yield _forecasts(found, reader)
    yield _safety(found, reader)
    yield _people(found, reader)
    yield _notes(found, reader)


# --- the parts -------------------------------------------------------------------------------------------------


def _figures(found: Findings, reader: Reader) -> Element:
    judged = [call.needed for call in found.woken if call.needed is not None]
    needed = f"times woken; {sum(judged)} of {len(judged)} judged needed" if judged else "times woken; none judged"
    cells = [
        (duration(found.figures.cooking), "with meat on the fire"),
        (percent(found.figures.in_band), "of it with the pit in its band"),
        (reader.difference(found.figures.swing), "swing: nine in ten minutes lay within it"),
        (reader.difference(found.figures.spread), "between the hottest and the coolest place"),
        (f"{len(found.woken)}", needed if found.woken else "times woken"),
    ]
    if found.cook.wood is not None:
        cells.append((reader.mass(found.cook.wood, 1), "of wood"))
    if found.yield_fraction is not None:
        cells.append((percent(found.yield_fraction), "of the raw weight served"))
    terms = [node("div", node("dt", name), node("dd", value)) for value, name in cells]
    return node("dl", terms, class_="figures")


def _whole(found: Findings, reader: Reader) -> Element:
    keys = [
        key("band", "band of the pit", "band"),
        key("line pit", "pit"),
        *(key(f"line piece s{n}", f"{p.settings.name}, core") for n, p in enumerate(found.pieces)),
    ]
    if any(piece.stalls for piece in found.pieces):
        keys.append(key("stalled s0", "stall"))
    return node(
        "section",
        node("h2", "The whole cook"),
        node("ul", keys, class_="legend"),
        drawing(
            lambda width: curves.whole_cook(found, reader, width),
            f"{reader.unit} over local time. On the fire rail: triangles are logs, squares an open lid. {FORMS} "
            "Under it: filled circles are wakes, hollow ones tests.",
        ),
    )


def _next_time(found: Findings, reader: Reader) -> Element:
    advice = [node("li", node("strong", lesson.advice), lesson.evidence) for lesson in lessons(found, reader)]
    words = node("ol", advice, class_="lessons") if advice else node("p", "Nothing in this cook calls for a change.")
    return node("section", node("h2", "What to do differently next time"), words)


def _fire(found: Findings, reader: Reader) -> Element:
    named = [(name, series) for name, series in curves.pit_places(found)]
    bands = [
        node("p", f"Band {reader.temperature(b.low)} to {reader.temperature(b.high)} from {reader.clock(since)}.")
        for since, b in found.bands
    ]
    spells = [_spell(s, "under", reader) for s in found.low] + [_spell(s, "over", reader) for s in found.high]
    spells.sort(key=lambda row: row[0])
    logs = sum(d.kind == "log" for d in found.deeds if not d.seen)
    lids = sum(d.kind == "lid-open" for d in found.deeds)
    return node(
        "section",
        node("h2", "The fire"),
        bands,
        node("p", f"Logs marked: {logs}. Lid opened, marked or seen: {lids}. Half of the cooking time the pit held "
             f"{reader.temperature(found.held_at)} or less."),
        node("ul", [key(f"line place s{n}", name) for n, (name, _) in enumerate(named)], class_="legend"),
        drawing(lambda width: curves.the_pit(found, reader, width), f"Every place of the pit, {reader.unit}."),
        table("Places, over the minutes all of them were read while meat was on the fire",
               ("Place", "Mean", "Against the mean of all"),
               [(h.place, reader.temperature(h.celsius), reader.difference(h.offset, 1, sign=True)) for h in found.places]),
        table("Spells of five minutes or more outside the band while meat was on the fire",
               ("From", "Lasted", "Where", "At the worst", "Next log"), [row[1:] for row in spells])
        if spells else node("p", "Never five minutes outside the band while meat was on the fire."),
    )  # fmt: skip


def _spell(spell: Spell, side: str, reader: Reader) -> tuple[float | str, ...]:
    fed = "–" if side == "over" else "none in it" if spell.fed_after is None else f"after {duration(spell.fed_after)}"
    where = f"{side} the band" + (", lid open" if spell.lid else "")
    return (spell.start, reader.clock(spell.start), duration(spell.seconds), where, reader.difference(spell.depth), fed)


def _piece(piece: PieceFindings, found: Findings, reader: Reader) -> Element:
    own = piece.settings
    facts = [f"{reader.mass(own.weight, 1)}, {own.cut.replace('-', ' ')}"]
    if own.tender_low is not None and own.tender_high is not None:
        facts.append(f"tender {reader.temperature(own.tender_low)} to {reader.temperature(own.tender_high)}")
    if own.target is not None:
        facts.append(f"target {reader.temperature(own.target)}")
    if piece.served is not None:
        raw, served = found.cook.weights[own.id]
        facts.append(f"{reader.mass(served, 1)} of {reader.mass(raw, 1)} served, {percent(piece.served)}")
    if len(piece.probes) > 1 or not piece.probes[0][1]:
        read = (f"{name or 'no probe'} from {reader.clock(since)}" for since, name in piece.probes)
        facts.append(f"read by {', '.join(read)}")
    hand = [
        f"{reader.temperature(celsius, 1)} at {reader.clock(time)}" + (f" ({where})" if where else "")
        for time, celsius, where in piece.by_hand
    ]
    if hand:
        facts.append(f"by hand {', '.join(hand)}")
    stalls = [
        node("p", f"Stalled from {reader.clock(begun)} to {reader.clock(ended)}, {duration(ended - begun)}, "
             f"between {_core_range(piece, found, begun, ended, reader)}.")
        for begun, ended in piece.stalls
    ]  # fmt: skip
    rows = [
        (
            curves.STAGE_WORDS.get(s.stage, s.stage), reader.clock(s.start), duration(s.end - s.start),
            _core_at(piece, found, s.start, reader), "marked by the cook" if s.because == "mark" else s.because,
        )
        for s in piece.stages
    ]  # fmt: skip
    return node(
        "section",
        node("h2", own.name),
        node("p", "; ".join(facts) + "."),
        stalls,
        table(f"Stages of {own.name}", ("Stage", "From", "Lasted", "Core then", "Because"), rows)
        if rows else node("p", "It never went on."),
    )  # fmt: skip


def _core_at(piece: PieceFindings, found: Findings, time: float, reader: Reader) -> str:
    index = int(time // MINUTE) - found.cook.minutes[0]
    value = piece.core[index] if 0 <= index < len(piece.core) else float("nan")
    return reader.temperature(value) if value == value else UNKNOWN


def _core_range(piece: PieceFindings, found: Findings, begun: float, ended: float, reader: Reader) -> str:
    first = found.cook.minutes[0]
    inside = [v for v in piece.core[int(begun // MINUTE) - first : int(ended // MINUTE) - first] if v == v]
    return f"{reader.temperature(min(inside))} and {reader.temperature(max(inside))}" if inside else UNKNOWN


def _plan(rows: Iterable[PlanRow], reader: Reader) -> Element:
    cells = [
        (
            f"{row.name}: {row.step}" if row.name else row.step, reader.clock(row.planned),
            "not seen" if row.actual is None else reader.clock(row.actual),
            UNKNOWN if row.late is None else f"{duration(abs(row.late))} {'late' if row.late > 0 else 'early'}",
        )
        for row in rows
    ]  # fmt: skip
    return node(
        "section",
        node("h2", "Planned and actual"),
        table("The steps of the kept plan", ("Step", "Planned", "Actual", "Off by"), cells),
    )


def _forecasts(found: Findings, reader: Reader) -> Element:
    parts: list[Element] = []
    for piece in found.pieces:
        for check in piece.checks:
            parts += _check(piece, check, reader)
    looks = [k for p in found.pieces for c in p.checks for k in c.looks if k.held is not None]
    held = sum(1 for k in looks if k.held)
    words = (
        f"An interval should hold in nine of ten. Of the {len(looks)} looked at here {held} held; one cook is too few to "
        "judge by."
        if looks
        else "No piece reached a goal by itself that a forecast stood for: there is nothing to compare."
    )
    return node("section", node("h2", "Forecast against truth"), node("p", words), parts)


def _check(piece: PieceFindings, check: ForecastCheck, reader: Reader) -> list[Element]:
    name = f"{piece.settings.name}: {GOAL_WORDS[check.goal]} at {reader.temperature(check.celsius)}"
    rows = [_look(look, reader) for look in check.looks]
    parts = [
        node("h3", name),
        node("p", f"The core first read it at {reader.clock(check.came)}."),
        table(
            f"What was said on the way: {name}", ("When", "Said at", "It comes at", "Between", "Off by", "Held"), rows
        ),
    ]
    if len([s for s in check.all if s.asked_at < check.came]) > 1:
        parts.append(
            drawing(
                lambda width: curves.funnel(check, reader, width),
                "Along: when it was said. Up: the hour it named, with its interval. The line across is when it came; the "
                "dots are the rows of the table, a hollow one did not hold.",
            )
        )
    return parts


def _look(look: Look, reader: Reader) -> tuple[Child, ...]:
    said, way = look.said, f"{percent(look.share)} of the way"
    if said is None or look.error is None:
        return (way, reader.clock(look.at), "no forecast stood", UNKNOWN, UNKNOWN, UNKNOWN)
    off = f"{duration(abs(look.error))} {'late' if look.error > 0 else 'early'}"
    held = node("span", "yes", class_="good") if look.held else node("span", "no", class_="bad")
    between = f"{reader.clock(said.p05)} – {reader.clock(said.p95)}"
    return (way, reader.clock(look.at), reader.clock(said.p50), between, off, held)


def _safety(found: Findings, reader: Reader) -> Element:
    parts: list[Element] = [node("p", CAUTION, class_="caution")]
    for piece in found.pieces:
        parts += _safety_of(piece, reader)
    raised = [node("li", f"{reader.clock(time)} {text}. {why}") for time, text, why in found.alarms]
    parts.append(node("h3", "Safety alarms raised"))
    parts.append(node("ul", raised, class_="notes") if raised else node("p", "None."))
    return node("section", node("h2", "Food-safety record"), parts)


def _safety_of(piece: PieceFindings, reader: Reader) -> list[Element]:
    own, account, end, say = piece.settings, piece.safety, piece.safety.end, Composer(reader).say
    rows = [
        (f"Safe minimum of {reader.temperature(own.safe_minimum, 1)} read",
         reader.clock(end.safe_minimum_reached_at) if end.safe_minimum_reached_at else "not read"),
        ("Lethality of the table reached",
         reader.clock(account.lethal_at) if account.lethal_at else f"no, {percent(end.lethality_fraction)} of it"),
        (f"Between {reader.temperature(10)} and {reader.temperature(54.4)} on the way up", duration(account.come_up)),
        ("Under the holding floor once it was hot", duration(end.below_floor_seconds)),
    ]  # fmt: skip
    if end.cooling_stage:
        cooled = reader.clock(account.cooled_at) if account.cooled_at else say(end.cooling_stage)
        rows.append(("Cooled", cooled))
    for at, deed, note in account.deeds:
        words = deed.replace("-", " ") + (f": {note}" if note else "")
        rows.append(("After a safety alarm you said", f"{words}, {reader.clock(at)}"))
    notes = [node("li", say(note)) for note in end.notes if note != CLOSING]
    return [
        node("h3", own.name),
        table(f"{own.name}, with {reader.difference(account.tolerance, 1)} taken off for the probe",
               ("What", "When or how long"), rows),
        node("p", "Each rule by its name, as it stood when the cook ended:"),
        node("ul", notes, class_="notes"),
    ]  # fmt: skip


def _people(found: Findings, reader: Reader) -> Element:
    rows = [_call(call, reader) for call in found.woken]
    tests = [call for call in found.calls if call.test]
    held = [(reader.clock(h.time), h.text, h.why) for h in found.held_back]
    return node(
        "section",
        node("h2", "What woke you, and was it needed"),
        table("Wakes", ("At", "Told", "Seen after", "Next deed", "Needed"), rows)
        if rows else node("p", "Nothing woke you."),
        [node("p", f"Test wake at {reader.clock(c.time)}.") for c in tests],
        node("h3", "Held back"),
        table("Told without a noise, and why", ("At", "Text", "Why"), held)
        if held else node("p", "Nothing."),
        node("h3", "How the alarms did"),
        table("By the names of ISA-18.2 and OPC UA Part 9", ("", ""), figure_rows(figures_of([trail_of(found.cook)]))),
    )  # fmt: skip


def _call(call: Call, reader: Reader) -> tuple[Child, ...]:
    told = call.text if call.times == 1 else f"{call.text} (told {call.times} times)"
    seen = duration(call.acknowledged_at - call.time) if call.acknowledged_at is not None else "not acknowledged"
    deed = (
        f"{call.deed[1].replace('-', ' ')} after {duration(call.deed[0] - call.time)}"
        if call.deed
        else "none within 1 h"
    )
    needed: Child = "not judged"
    if call.needed is not None:
        needed = node("span", "yes", class_="good") if call.needed else node("span", "no", class_="bad")
    return (reader.clock(call.time), told, seen, deed, needed)


def _notes(found: Findings, reader: Reader) -> Element:
    cook = found.cook
    rows = [
        (name, value)
        for name, value in (
            ("Verdict", cook.verdict),
            ("Weather", cook.weather),
            ("Photos", ", ".join(cook.photos)),
            ("Wood", "" if cook.wood is None else reader.mass(cook.wood, 1)),
            ("Yield", "" if found.yield_fraction is None else f"{percent(found.yield_fraction)} of the raw weight"),
        )
        if value
    ]
    words = (
        table("What the cook wrote", ("", ""), rows)
        if rows
        else node("p", "No verdict, weather or weights were written down.")
    )
    return node("section", node("h2", "Notes"), words)
