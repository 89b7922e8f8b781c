"""One piece: what it was, its stages and its stalls."""

from __future__ import annotations

from collections.abc import Iterable

from daemon.core.readings.trace import MINUTE
from daemon.core.said import Said, say
from daemon.shell.report.blocks import Words, table, words_for
from daemon.shell.report.findings import Findings, PieceFindings
from daemon.shell.report.markup import Element, node
from daemon.texts.reader import UNKNOWN, Reader, duration


def of_piece(piece: PieceFindings, found: Findings, reader: Reader) -> Element:
    """Its facts in a line, its stalls, a table of its stages."""
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
