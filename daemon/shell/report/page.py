"""The report of a cook as one HTML file that asks nobody for anything: styles and drawings inside, no script, no link."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import replace
from importlib.resources import files
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon.core.food_safety.record import CLOSING
from daemon.core.readings.trace import MINUTE
from daemon.core.said import Said, say
from daemon.core.settings import Band
from daemon.shell.library.alarm_account import figures_of, trail_of
from daemon.shell.library.cook import KeptCook
from daemon.shell.report import curves
from daemon.shell.report.alarm_lines import figure_rows
from daemon.shell.report.blocks import Words, drawing, key, table, words_for
from daemon.shell.report.calls import Call
from daemon.shell.report.findings import Findings, PieceFindings, Spell, findings
from daemon.shell.report.forecast_checks import ForecastCheck, Look
from daemon.shell.report.lessons import lessons
from daemon.shell.report.markup import Child, Element, document, node
from daemon.shell.report.plan_account import PlanRow, plan_rows
from daemon.texts.composer import Composer
from daemon.texts.reader import CELSIUS, UNKNOWN, Reader, duration, percent

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
A_DAY = 86400.0


def report_html(cook: KeptCook, reader: Reader = CELSIUS) -> bytes:
    """The whole report. reader: whoever reads it, in the cook's own zone. A cook of a day takes a fraction of a second."""
    length = len(cook.minutes) * MINUTE
    reader = replace(reader, wall_offset=cook.wall_offset, weekday=length > A_DAY)
    composer = Composer(reader)
    found = findings(replace(cook, events=tuple(composer.spoken(event) for event in cook.events)))
    words = words_for(reader)
    title = words("report.title", name=cook.name, day=reader.day(found.start))
    body = node(
        "body",
        node("header", *_head(found, reader)),
        node("main", *_sections(found, reader)),
        node("footer", node("p", words("report.heat-caution")), node("p", words("report.made-by"))),
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
    cook, words = found.cook, words_for(reader)
    pieces = (words("report.piece", name=p.settings.name, weight=p.settings.weight) for p in found.pieces)
    day, zone = reader.day(found.start), reader.zone
    yield node("h1", cook.name)
    if cook.ended is None:
        when = words("report.when-running", pit=cook.pit, day=day, start=found.start, end=found.end, zone=zone)
    else:
        when = words("report.when", pit=cook.pit, day=day, start=found.start, end=found.end, zone=zone)
    yield node("p", when)
    if found.pieces:
        yield node("p", ", ".join(pieces), class_="quiet")


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
    judged, words = [call.needed for call in found.woken if call.needed is not None], words_for(reader)
    if judged:
        woken = words("report.figures.woken-judged", needed=sum(judged), judged=len(judged))
    else:
        woken = words("report.figures.woken-unjudged") if found.woken else words("report.figures.woken")
    cells = [
        (duration(found.figures.cooking), words("report.figures.cooking")),
        (percent(found.figures.in_band), words("report.figures.in-band")),
        (reader.difference(found.figures.swing), words("report.figures.swing")),
        (reader.difference(found.figures.spread), words("report.figures.spread")),
        (f"{len(found.woken)}", woken),
    ]
    if found.cook.wood is not None:
        cells.append((reader.mass(found.cook.wood, 1), words("report.figures.wood")))
    if found.yield_fraction is not None:
        cells.append((percent(found.yield_fraction), words("report.figures.yield")))
    terms = [node("div", node("dt", name), node("dd", value)) for value, name in cells]
    return node("dl", terms, class_="figures")


def _whole(found: Findings, reader: Reader) -> Element:
    words = words_for(reader)
    keys = [
        key("band", words("report.whole.band"), "band"),
        key("line pit", words("report.whole.pit")),
        *(
            key(f"line piece s{n}", words("report.whole.core", name=p.settings.name))
            for n, p in enumerate(found.pieces)
        ),
    ]
    if any(piece.stalls for piece in found.pieces):
        keys.append(key("stalled s0", words("report.whole.stall")))
    return node(
        "section",
        node("h2", words("report.whole.title")),
        node("ul", keys, class_="legend"),
        drawing(
            lambda width: curves.whole_cook(found, reader, width),
            words("report.whole.caption", unit=reader.unit),
        ),
    )


def _next_time(found: Findings, reader: Reader) -> Element:
    words = words_for(reader)
    advice = [node("li", node("strong", lesson.advice), lesson.evidence) for lesson in lessons(found, reader)]
    told = node("ol", advice, class_="lessons") if advice else node("p", words("report.next.nothing"))
    return node("section", node("h2", words("report.next.title")), told)


def _fire(found: Findings, reader: Reader) -> Element:
    named, words = [(name, series) for name, series in curves.pit_places(found)], words_for(reader)
    bands = [
        node("p", words("report.fire.band", low=b.low, high=b.high, since=since)) for since, b in _band_changes(found)
    ]
    spells = [_spell(s, True, reader) for s in found.low] + [_spell(s, False, reader) for s in found.high]
    spells.sort(key=lambda row: row[0])
    logs = sum(d.kind == "log" for d in found.deeds if not d.seen)
    lids = sum(d.kind == "lid-open" for d in found.deeds)
    return node(
        "section",
        node("h2", words("report.fire.title")),
        bands,
        node("p", words("report.fire.deeds", logs=logs, lids=lids)),
        node("p", words("report.fire.held", held=found.held_at)) if found.held_at is not None else None,
        node("ul", [key(f"line place s{n}", name) for n, (name, _) in enumerate(named)], class_="legend"),
        drawing(lambda width: curves.the_pit(found, reader, width), words("report.fire.places-caption", unit=reader.unit)),
        _places(found, reader),
        table(words("report.fire.spells"),
               (words("report.fire.from"), words("report.fire.lasted"), words("report.fire.where"),
                words("report.fire.worst"), words("report.fire.next-log")), [row[1:] for row in spells])
        if spells else node("p", words("report.fire.no-spells")),
    )  # fmt: skip


def _band_changes(found: Findings) -> list[tuple[float, Band]]:
    """Without what was only said again."""
    before = [None, *(band for _, band in found.bands)]
    return [(since, band) for (since, band), last in zip(found.bands, before, strict=False) if band != last]


def _places(found: Findings, reader: Reader) -> Element | None:
    words = words_for(reader)
    if not found.places:
        return node("p", words("report.fire.no-places")) if len(curves.pit_places(found)) > 1 else None
    heads = (words("report.fire.place"), words("report.fire.mean"), words("report.fire.against-mean"))
    rows = [(h.place, reader.temperature(h.celsius), reader.difference(h.offset, 1, sign=True)) for h in found.places]
    return table(words("report.fire.places"), heads, rows)


def _spell(spell: Spell, under: bool, reader: Reader) -> tuple[float | str, ...]:
    words = words_for(reader)
    if not under:
        fed = UNKNOWN
    elif spell.fed_after is None:
        fed = words("report.fire.no-log")
    else:
        fed = words("report.fire.log-after", after=spell.fed_after)
    if spell.lid:
        where = words("report.fire.under-lid") if under else words("report.fire.over-lid")
    else:
        where = words("report.fire.under") if under else words("report.fire.over")
    return (spell.start, reader.clock(spell.start), duration(spell.seconds), where, reader.difference(spell.depth), fed)


def _piece(piece: PieceFindings, found: Findings, reader: Reader) -> Element:
    own, words = piece.settings, words_for(reader)
    rows = [
        (
            words("report.code", code=s.stage), reader.clock(s.start), duration(s.end - s.start),
            _core_at(piece, found, s.start, reader),
            words("report.of-piece.marked") if s.because == "mark" else s.because,
        )
        for s in piece.stages
    ]  # fmt: skip
    heads = (
        words("report.of-piece.stage"), words("report.fire.from"), words("report.fire.lasted"),
        words("report.of-piece.core-then"), words("report.of-piece.because"),
    )  # fmt: skip
    return node(
        "section",
        node("h2", own.name),
        node("p", words("report.of-piece.facts", facts=tuple(_facts(piece, found)))),
        [node("p", _stalled(piece, found, begun, ended, words)) for begun, ended in piece.stalls],
        table(words("report.of-piece.stages", name=own.name), heads, rows)
        if rows
        else node("p", words("report.of-piece.never-on")),
    )


def _facts(piece: PieceFindings, found: Findings) -> Iterable[Said]:
    own = piece.settings
    yield say("report.of-piece.cut", weight=own.weight, cut=own.cut)
    if own.tender_low is not None and own.tender_high is not None:
        yield say("report.of-piece.tender", low=own.tender_low, high=own.tender_high)
    if own.target is not None:
        yield say("report.of-piece.target", target=own.target)
    if piece.served is not None:
        raw, served = found.cook.weights[own.id]
        yield say("report.of-piece.served", served=served, raw=raw, share=piece.served)
    if len(piece.probes) > 1 or not piece.probes[0][1]:
        probes = tuple(
            say("report.of-piece.probe", name=name, since=since)
            if name
            else say("report.of-piece.no-probe", since=since)
            for since, name in piece.probes
        )
        yield say("report.of-piece.read-by", probes=probes)
    hand = tuple(
        say("report.of-piece.spot-where", core=core, at=at, where=where)
        if where
        else say("report.of-piece.spot", core=core, at=at)
        for at, core, where in piece.by_hand
    )
    if hand:
        yield say("report.of-piece.by-hand", readings=hand)


def _stalled(piece: PieceFindings, found: Findings, begun: float, ended: float, words: Words) -> str:
    first, lasted = found.cook.minutes[0], ended - begun
    inside = [v for v in piece.core[int(begun // MINUTE) - first : int(ended // MINUTE) - first] if v == v]
    if not inside:
        return words("report.of-piece.stalled-unread", start=begun, end=ended, lasted=lasted)
    return words(
        "report.of-piece.stalled", start=begun, end=ended, lasted=lasted, low=min(inside), high=max(inside)
    )  # fmt: skip


def _core_at(piece: PieceFindings, found: Findings, time: float, reader: Reader) -> str:
    index = int(time // MINUTE) - found.cook.minutes[0]
    value = piece.core[index] if 0 <= index < len(piece.core) else float("nan")
    return reader.temperature(value) if value == value else UNKNOWN


def _plan(rows: Iterable[PlanRow], reader: Reader) -> Element:
    words = words_for(reader)
    cells = [
        (
            words("report.plan.of-piece", name=row.name, step=row.step) if row.name else words("report.step", step=row.step),
            reader.clock(row.planned),
            words("report.plan.not-seen") if row.actual is None else reader.clock(row.actual),
            UNKNOWN if row.late is None else _off_by(row.late, words),
        )
        for row in rows
    ]  # fmt: skip
    heads = (
        words("report.plan.step"), words("report.plan.planned"), words("report.plan.actual"), words("report.plan.off-by")
    )  # fmt: skip
    return node("section", node("h2", words("report.plan.title")), table(words("report.plan.steps"), heads, cells))


def _off_by(seconds: float, words: Words) -> str:
    if abs(seconds) < MINUTE / 2:
        return words("report.on-time")
    return words("report.late", by=seconds) if seconds > 0 else words("report.early", by=-seconds)


def _forecasts(found: Findings, reader: Reader) -> Element:
    parts: list[Element] = []
    for piece in found.pieces:
        for check in piece.checks:
            parts += _check(piece, check, reader)
    looks, words = [k for p in found.pieces for c in p.checks for k in c.looks if k.held is not None], words_for(reader)
    held = sum(1 for k in looks if k.held)
    told = words("report.forecast.held", looks=len(looks), held=held) if looks else words("report.forecast.none")
    return node("section", node("h2", words("report.forecast.title")), node("p", told), parts)


def _check(piece: PieceFindings, check: ForecastCheck, reader: Reader) -> list[Element]:
    words = words_for(reader)
    name = words("report.forecast.goal", name=piece.settings.name, goal=check.goal.value, core=check.celsius)
    heads = (
        words("report.forecast.when"), words("report.forecast.said-at"), words("report.forecast.comes-at"),
        words("report.forecast.between"), words("report.forecast.off-by"), words("report.forecast.held-head"),
    )  # fmt: skip
    rows = [_look(look, reader) for look in check.looks]
    parts = [
        node("h3", name),
        node("p", words("report.forecast.came", came=check.came)),
        table(words("report.forecast.said", goal=name), heads, rows),
    ]
    if len([s for s in check.all if s.asked_at < check.came]) > 1:
        parts.append(
            drawing(
                lambda width: curves.funnel(check, reader, width),
                words("report.forecast.caption"),
            )
        )
    return parts


def _look(look: Look, reader: Reader) -> tuple[Child, ...]:
    words = words_for(reader)
    said, way = look.said, words("report.forecast.way", share=look.share)
    if said is None or look.error is None:
        return (way, reader.clock(look.at), words("report.forecast.no-forecast"), UNKNOWN, UNKNOWN, UNKNOWN)
    between = words("report.forecast.range", early=said.p05, late=said.p95)
    held = _yes(bool(look.held), words)
    return (way, reader.clock(look.at), reader.clock(said.p50), between, _off_by(look.error, words), held)


def _yes(so: bool, words: Words) -> Element:
    return node("span", words("report.yes"), class_="good") if so else node("span", words("report.no"), class_="bad")


def _safety(found: Findings, reader: Reader) -> Element:
    words = words_for(reader)
    parts: list[Element] = [node("p", words("report.safety.caution"), class_="caution")]
    for piece in found.pieces:
        parts += _safety_of(piece, reader)
    raised = [node("li", words("report.safety.alarm", at=time, text=text, why=why)) for time, text, why in found.alarms]
    parts.append(node("h3", words("report.safety.alarms")))
    parts.append(node("ul", raised, class_="notes") if raised else node("p", words("report.safety.none")))
    return node("section", node("h2", words("report.safety.title")), parts)


def _safety_of(piece: PieceFindings, reader: Reader) -> list[Element]:
    own, account, end, said = piece.settings, piece.safety, piece.safety.end, Composer(reader).say
    words, reached = words_for(reader), end.safe_minimum_reached_at
    rows = [
        (words("report.safety.minimum", minimum=own.safe_minimum),
         reader.clock(reached) if reached else words("report.safety.not-read")),
        (words("report.safety.lethality"),
         reader.clock(account.lethal_at) if account.lethal_at
         else words("report.safety.not-lethal", share=end.lethality_fraction)),
        (words("report.safety.come-up", low=10.0, high=54.4), duration(account.come_up)),
        (words("report.safety.below-floor"), duration(end.below_floor_seconds)),
    ]  # fmt: skip
    if end.cooling_stage:
        cooled = reader.clock(account.cooled_at) if account.cooled_at else said(end.cooling_stage)
        rows.append((words("report.safety.cooled"), cooled))
    for at, deed, note in account.deeds:
        if note:
            did = words("report.safety.did-note", deed=deed, note=note, at=at)
        else:
            did = words("report.safety.did", deed=deed, at=at)
        rows.append((words("report.safety.deed"), did))
    notes = [node("li", said(note)) for note in end.notes if note != CLOSING]
    return [
        node("h3", own.name),
        table(words("report.safety.record", name=own.name, tolerance=account.tolerance),
               (words("report.safety.what"), words("report.safety.how-long")), rows),
        node("p", words("report.safety.rules")),
        node("ul", notes, class_="notes"),
    ]  # fmt: skip


def _people(found: Findings, reader: Reader) -> Element:
    words = words_for(reader)
    rows = [_call(call, reader) for call in found.woken]
    heads = (
        words("report.calls.at"), words("report.calls.told"), words("report.calls.seen-after"),
        words("report.calls.next-deed"), words("report.calls.needed"),
    )  # fmt: skip
    held_heads = (words("report.calls.at"), words("report.calls.text"), words("report.calls.why"))
    figures = figure_rows(figures_of([trail_of(found.cook)]), words)
    tests = [call for call in found.calls if call.test]
    held = [(reader.clock(h.time), h.text, h.why) for h in found.held_back]
    return node(
        "section",
        node("h2", words("report.calls.title")),
        table(words("report.calls.wakes"), heads, rows) if rows else node("p", words("report.calls.nothing")),
        [node("p", words("report.calls.test", at=c.time)) for c in tests],
        node("h3", words("report.calls.held-back")),
        table(words("report.calls.held-back-why"), held_heads, held)
        if held else node("p", words("report.calls.none-held")),
        node("h3", words("report.calls.alarms")),
        table(words("report.calls.names"), ("", ""), figures),
    )  # fmt: skip


def _call(call: Call, reader: Reader) -> tuple[Child, ...]:
    words, seen_at = words_for(reader), call.acknowledged_at
    told = call.text if call.times == 1 else words("report.calls.told-times", text=call.text, times=call.times)
    seen = words("report.calls.not-acknowledged") if seen_at is None else duration(seen_at - call.time)
    deed = words("report.calls.no-deed")
    if call.deed:
        deed = words("report.calls.deed-after", deed=call.deed[1], after=call.deed[0] - call.time)
    needed: Child = words("report.calls.not-judged")
    if call.needed is not None:
        needed = _yes(call.needed, words)
    return (reader.clock(call.time), told, seen, deed, needed)


def _notes(found: Findings, reader: Reader) -> Element:
    cook, words, share = found.cook, words_for(reader), found.yield_fraction
    rows = [
        (name, value)
        for name, value in (
            (words("report.notes.verdict"), cook.verdict),
            (words("report.notes.weather"), cook.weather),
            (words("report.notes.photos"), ", ".join(cook.photos)),
            (words("report.notes.wood"), "" if cook.wood is None else reader.mass(cook.wood, 1)),
            (words("report.notes.yield"), "" if share is None else words("report.notes.of-raw", share=share)),
        )
        if value
    ]
    told = table(words("report.notes.wrote"), ("", ""), rows) if rows else node("p", words("report.notes.none"))
    return node("section", node("h2", words("report.notes.title")), told)
