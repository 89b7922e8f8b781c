"""The food-safety record of each piece. It informs; it never certifies."""

from __future__ import annotations

from daemon.core.food_safety.record import CLOSING
from daemon.shell.report.blocks import table, words_for
from daemon.shell.report.findings import Findings, PieceFindings
from daemon.shell.report.markup import Element, node
from daemon.texts.composer import Composer
from daemon.texts.reader import Reader, duration


def of_safety(found: Findings, reader: Reader) -> Element:
    """A table a piece, with the rules it was judged by, and the alarms."""
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
