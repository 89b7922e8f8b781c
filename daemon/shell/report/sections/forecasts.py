"""What was foretold of each piece, against what came."""

from __future__ import annotations

from daemon.shell.report import curves
from daemon.shell.report.blocks import drawing, off_by, table, words_for, yes_or_no
from daemon.shell.report.findings import Findings, PieceFindings
from daemon.shell.report.forecast_checks import ForecastCheck, Look
from daemon.shell.report.markup import Child, Element, node
from daemon.texts.reader import UNKNOWN, Reader


def of_forecasts(found: Findings, reader: Reader) -> Element:
    """How many held, then a table a goal."""
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
    held = yes_or_no(bool(look.held), words)
    return (way, reader.clock(look.at), reader.clock(said.p50), between, off_by(look.error, words), held)
