"""The cook as a whole: its figures, its curve, what to do differently, and the notes beside it."""

from __future__ import annotations

from daemon.shell.report import curves
from daemon.shell.report.blocks import drawing, key, table, words_for
from daemon.shell.report.findings import Findings
from daemon.shell.report.lessons import lessons
from daemon.shell.report.markup import Element, node
from daemon.texts.reader import Reader, duration, percent


def figures(found: Findings, reader: Reader) -> Element:
    """The row of figures at the top."""
    judged, words = [call.needed for call in found.woken if call.needed is not None], words_for(reader)
    if found.cook.imported:
        woken = words("report.figures.would-wake")
    elif judged:
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


def whole_cook(found: Findings, reader: Reader) -> Element:
    """The curve of the pit and every piece, with its key."""
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


def next_time(found: Findings, reader: Reader) -> Element:
    """Advice with its evidence, worst first."""
    words = words_for(reader)
    advice = [node("li", node("strong", lesson.advice), lesson.evidence) for lesson in lessons(found, reader)]
    told = node("ol", advice, class_="lessons") if advice else node("p", words("report.next.nothing"))
    return node("section", node("h2", words("report.next.title")), told)


def notes_beside(found: Findings, reader: Reader) -> Element:
    """What the cook wrote beside it."""
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
