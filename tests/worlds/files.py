"""A drawn cook as files: `log.csv`, `rig.toml`, `cook.toml`, `truth.txt`, as `pitvigil replay log.csv --rig
rig.toml --cook cook.toml` reads them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.worlds.cooks import Cook, Piece
from tests.worlds.lanes import PER_MINUTE, STEP

EVENING = datetime(2026, 11, 27, tzinfo=UTC)
"""The day on which every drawn cook begins."""
LEAD_MINUTES = 22


def write(cook: Cook, directory: Path, *, lead_minutes: int = LEAD_MINUTES) -> None:
    """Four files in `directory`, which is made if need be."""
    directory.mkdir(parents=True, exist_ok=True)
    (directory / "log.csv").write_text(log_text(cook), encoding="utf-8")
    (directory / "rig.toml").write_text(rig_text(cook, lead_minutes), encoding="utf-8")
    (directory / "cook.toml").write_text(cook_text(cook), encoding="utf-8")
    (directory / "truth.txt").write_text(truth_text(cook), encoding="utf-8")


def begins(cook: Cook) -> datetime:
    """UTC of minute 0, to the second. The drawn cooks live in UTC."""
    return EVENING + timedelta(seconds=round(cook.start_hour * 3600))


def channels(cook: Cook) -> dict[str, str]:
    """Channel -> role, in the order of the columns."""
    meat = {f"core{number + 1}": "meat" for number in range(len(cook.pieces))}
    return {**dict.fromkeys(cook.pits, "pit"), **meat, "outside": "ambient"}


def _cell(value: float) -> str:
    return "" if value != value else f"{round(value * 4) / 4:g}"


def log_text(cook: Cook) -> str:
    start = begins(cook)
    columns = [*cook.pits.values(), *(piece.shown for piece in cook.pieces), cook.ambient]
    marks: dict[int, list[str]] = {}
    for mark in cook.marks:
        marks.setdefault(round(mark.minute * PER_MINUTE), []).append(mark.text)
    lines = ["time," + ",".join(channels(cook)) + ",mark"]
    for step in range(len(cook.air)):
        at = (start + timedelta(seconds=step * STEP)).strftime("%Y-%m-%dT%H:%M:%SZ")
        first, *others = marks.get(step, [""])
        lines.append(",".join([at, *(_cell(float(column[step])) for column in columns), first]))
        lines += [",".join([at, *([""] * len(columns)), text]) for text in others]
    return "\n".join(lines) + "\n"


def rig_text(cook: Cook, lead_minutes: int) -> str:
    parts = [
        f'[pit]\nid = "pit"\nname = "The pit"\nband = {{ low = {cook.low:g}, high = {cook.high:g} }}\n',
        f'[people]\nzone = "UTC"\nquiet_from = "22:00"\nquiet_until = "07:00"\nlead_minutes = {lead_minutes}\n',
        '[[devices]]\nkind = "serial-line"\nid = "board"\nport = "/dev/serial/by-id/usb-example-board"\nbaud = 115200\n'
        'line = { kind = "words", chip = "max31855", checksum = "crc16", thermocouple = "K" }\n',
    ]
    for number, (channel, role) in enumerate(channels(cook).items(), start=1):
        parts.append(
            f'[[channels]]\nid = "{channel}"\nname = "{channel}"\nrole = "{role}"\ndevice = "board"\n'
            f'source = "{number}"\nstale_after = 60\n'
        )
    return "\n".join(parts)


def cook_text(cook: Cook) -> str:
    parts = [f'id = "cook"\nname = "{cook.fire}, {cook.meat}, {cook.seed}, {cook.number}"\n']
    parts += [_piece_text(piece, f"core{number}") for number, piece in enumerate(cook.pieces, start=1)]
    return "\n".join(parts)


def _piece_text(piece: Piece, channel: str) -> str:
    lines = [
        "[[pieces]]",
        f'name = "{piece.id}"',
        f'id = "{piece.id}"',
        f'cut = "{piece.cut}"',
        f'channel = "{channel}"',
    ]
    lines += [f"weight = {piece.weight:g}", f"tender = [{piece.tender[0]:g}, {piece.tender[1]:g}]"]
    if piece.thickness is not None:
        lines.append(f"thickness = {piece.thickness:g}")
    lines.append(f'wrap = {{ material = "{piece.wrap[0]}", at = {piece.wrap[1]:g} }}' if piece.wrap else "wrap = false")
    return "\n".join(lines) + "\n"


def truth_text(cook: Cook) -> str:
    """For a reader: what happened, by the clock."""
    start = begins(cook)

    def clock(minute: float) -> str:
        return (start + timedelta(minutes=minute)).strftime("%H:%M")

    lines = [f"fire {cook.fire}, meat {cook.meat}, seed {cook.seed}, number {cook.number}"]
    lines += [f"band {cook.low:g} to {cook.high:g}; turns {cook.nature['turn']:.1f} min after a log; "
              f"alone for {cook.nature['unfed']:.0f} min after the last"]  # fmt: skip
    lines += [f"{clock(d.minute)} {d.word} {d.piece} {d.figure:.2f}".rstrip() for d in cook.deeds]
    for piece in cook.pieces:
        tender = "never" if piece.tender_at is None else clock(piece.tender_at)
        stalls = ", ".join(f"{clock(a)} to {clock(b)}" for a, b in piece.stalls) or "none"
        lines.append(
            f"{piece.id}: {piece.cut}, {piece.mass:.1f} kg, {200 * piece.half:.0f} cm; tender {tender}; stalls {stalls}"
        )
    return "\n".join(lines) + "\n"
