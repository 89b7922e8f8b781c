"""The fire: its bands, its deeds, its places and how long it was outside the band."""

from __future__ import annotations

from daemon.core.settings import Band
from daemon.shell.report import curves
from daemon.shell.report.blocks import drawing, key, table, words_for
from daemon.shell.report.findings import Findings, Spell
from daemon.shell.report.markup import Element, node
from daemon.texts.reader import UNKNOWN, Reader, duration


def the_fire(found: Findings, reader: Reader) -> Element:
    """reader: whoever reads it, as in every section."""
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
