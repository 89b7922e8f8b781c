"""A cook file read again: what it asks of the cook that may be running."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import ValidationError

from config.config_error import ConfigError
from config.cook import Cook
from config.loader import piece_id, read_both
from config.rig import Rig
from daemon.core.orders import ChangeCook, StartCook
from daemon.core.pieces.changes import difference
from daemon.core.settings import CookSettings

NOT_BEGUN = frozenset({"waiting", "done"})
"""Stages of pieces that nobody would miss."""
BY = "cook file"


@dataclass(frozen=True, slots=True)
class FileOrder:
    """order: what to give the core, or None. words: what is done or why nothing is, for the log; "" when nothing changed."""

    order: StartCook | ChangeCook | None = None
    words: str = ""


def files_read(rig_path: Path, cook_path: Path | None) -> tuple[Rig, Cook | None, ConfigError | None]:
    """Both files. What is wrong with the cook file alone is handed back: a cook that runs can go on without it. Raises
    ConfigError for the rig file."""
    read = read_both(rig_path, cook_path)
    if read.rig is None or any(problem.file == str(rig_path) for problem in read.problems):
        raise read.error()
    return (read.rig, None, read.error()) if read.problems else (read.rig, read.cook, None)


def fits(cook: Cook, rig: Rig) -> bool:
    """A cook read earlier can be cooked on this rig."""
    known = {None, *(channel.id for channel in rig.channels)}
    return all(piece.channel in known for piece in cook.pieces) and cook.hold.channel in known


def meant_by(text: str | None) -> Cook | None:
    """What a cook file of an earlier start meant, or None where it cannot be told any more."""
    if text is None:
        return None
    try:
        return Cook.model_validate(tomllib.loads(text))
    except (tomllib.TOMLDecodeError, ValidationError):
        return None


def merged(running: CookSettings, meant: CookSettings, before: Cook | None, file: Cook) -> CookSettings:
    """The running cook with what changed in the file since the last start; what was done meanwhile on the page stays.

    Without an earlier file to compare with, the file is taken whole."""
    if before is None:
        return meant
    ids = [piece.id for piece in meant.pieces]  # in the order of the file's own
    new = dict(zip(ids, file.pieces, strict=True))
    old = {piece_id(p.id, p.name): p for p in before.pieces}
    wanted = {piece.id: piece for piece in meant.pieces}
    pieces = []
    for piece in running.pieces:
        if piece.id in old and piece.id not in new:
            continue  # taken out of the file
        changed = piece.id in new and new[piece.id] != old.get(piece.id)
        if changed:
            moved = piece.id not in old or new[piece.id].channel != old[piece.id].channel
            pieces.append(wanted[piece.id] if moved else replace(wanted[piece.id], channel=piece.channel))
        else:
            pieces.append(piece)
    kept = {piece.id for piece in running.pieces}
    pieces += [piece for piece in meant.pieces if piece.id not in kept and piece.id not in old]
    return replace(
        running,
        name=meant.name if file.name != before.name else running.name,
        band=meant.band if file.band != before.band else running.band,
        bands=meant.bands if file.bands != before.bands else running.bands,
        serve_at=meant.serve_at if file.serve_at != before.serve_at else running.serve_at,
        rest=meant.rest if file.rest_minutes != before.rest_minutes else running.rest,
        hold=meant.hold if file.hold != before.hold else running.hold,
        reminders=meant.reminders if file.reminders != before.reminders else running.reminders,
        wood=meant.wood if file.wood != before.wood else running.wood,
        guests=meant.guests if file.guests != before.guests else running.guests,
        portion=meant.portion if file.portion != before.portion else running.portion,
        pieces=tuple(pieces),
    )


def order_of(
    file: Cook, meant: CookSettings, before: str | None, running: CookSettings, stages: dict[str, str]
) -> FileOrder:
    """file, meant: the file read now, and the core's settings of it. before: text of the file at the last start.
    running: the cook the core has. stages: piece id -> stage.

    Files are compared by what they mean. A cook with meat on is changed, never started anew; a file that names another cook
    waits until that one has ended."""
    if file == meant_by(before):
        return FileOrder()
    if all(stage in NOT_BEGUN for stage in stages.values()):
        return FileOrder(StartCook(meant, BY), f"the cook file starts {meant.name}")
    if meant.id != running.id:
        return FileOrder(None, f"{running.name} goes on: the cook file names {meant.name}; end the running cook first")
    meant = merged(running, meant, meant_by(before), file)
    found = difference(running, meant)
    parts = (
        ("added", found.added),
        ("removed", found.removed),
        ("changed", found.changed),
        ("probe moved", found.probe),
    )
    said = "; ".join(f"{word}: {', '.join(ids)}" for word, ids in parts if ids) or "no piece is touched"
    return FileOrder(ChangeCook(meant, BY), f"the cook file changes {running.name}: {said}")
