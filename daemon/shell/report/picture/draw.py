"""The drawing program: a Sheet as JSON on standard input, a PNG on standard output. A process of its own, so that the
drawing library's memory goes when the picture is done. It imports nothing of pitvigil: it is started as a file.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
from typing import Any

DPI = 100
NICE = 10
SPARE_ME_LAST = "500"
"""When memory runs out, this process goes before the watch (Linux: /proc/self/oom_score_adj, proc(5))."""
PAPER, INK, FAINT, PIT, BAND = "#f8f7f5", "#1c1816", "#c9c4be", "#a83c08", "#2c5c1c"
PIECES = (("#0f567f", "-"), ("#8b2466", "--"), ("#45600f", ":"), ("#4b36a8", "-."), ("#6e5200", (0, (5, 1, 1, 1))))
ROW = 40.0
"""Pixels for the stages of one piece."""


def draw(sheet: dict[str, Any]) -> bytes:
    """PNG of the sheet's size."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib.figure import Figure

    small, width, height = sheet["small"], sheet["width"], sheet["height"]
    rows = len(sheet["lines"]) - 1 if sheet["stages"] else 0
    figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI, facecolor=PAPER)
    bottom, top = (40 + (18 if rows else 0) + ROW * rows) / height, (height - 62) / height
    axes = figure.add_axes((62 / width, bottom, (width - 82) / width, top - bottom), facecolor=PAPER)
    figure.text(
        62 / width, (height - 30) / height, sheet["title"], color=INK, weight="bold", fontsize=12 if small else 15
    )

    for start, end, low, high in sheet["bands"]:
        axes.fill_between([start, end], low, high, color=BAND, alpha=0.15, linewidth=0)
    for fan in sheet["fans"]:
        colour, _ = PIECES[(fan["line"] - 1) % len(PIECES)]
        axes.fill_between(fan["times"], fan["p05"], fan["p95"], color=colour, alpha=0.2, linewidth=0)
        axes.plot(fan["times"], fan["p50"], color=colour, linewidth=1, linestyle=":")
    for index, line in enumerate(sheet["lines"]):
        colour, style = (PIT, "-") if line["pit"] else PIECES[(index - 1) % len(PIECES)]
        for start, end in line["stalls"]:
            inside = [
                v if start <= t <= end else float("nan") for t, v in zip(line["times"], line["values"], strict=True)
            ]
            axes.plot(line["times"], inside, color=colour, linewidth=10, alpha=0.22, solid_capstyle="butt")
        axes.plot(line["times"], line["values"], color=colour, linestyle=style, linewidth=1.8, label=line["name"])
    floor, step = sheet["low"], 0.025 * (sheet["high"] - sheet["low"])
    if sheet["fires"]:
        axes.plot(
            sheet["fires"], [floor + step] * len(sheet["fires"]), "^", color=PIT, markersize=7, label=sheet["log"]
        )
    if sheet["wakes"]:
        axes.plot(
            sheet["wakes"],
            [floor + 3 * step] * len(sheet["wakes"]),
            "o",
            color="#a3160c",
            markersize=7,
            label=sheet["woke"],
        )

    axes.set_xlim(sheet["start"], sheet["end"])
    axes.set_ylim(sheet["low"], sheet["high"])
    axes.set_xticks([time for time, _ in sheet["hours"]], [] if rows else [label for _, label in sheet["hours"]])
    axes.set_ylabel(sheet["unit"], color=INK)
    _plain(axes)
    axes.legend(
        loc="lower left", bbox_to_anchor=(0, 1.0), ncols=8, frameon=False, fontsize=9 if small else 11, borderpad=0,
        borderaxespad=0.2, handlelength=2.4, columnspacing=1.4,
    )  # fmt: skip
    if rows:
        ribbons = figure.add_axes((62 / width, 40 / height, (width - 82) / width, ROW * rows / height), facecolor=PAPER)
        _stages(ribbons, sheet, rows, width - 82)
    out = io.BytesIO()
    figure.savefig(out, format="png", facecolor=PAPER)
    return _fewer_colours(out.getvalue())


def _stages(axes: Any, sheet: dict[str, Any], rows: int, width: float) -> None:
    for stage in sheet["stages"]:
        colour, _ = PIECES[(stage["row"] - 1) % len(PIECES)]
        row, length = rows - stage["row"], stage["end"] - stage["start"]
        axes.barh(
            row, length, left=stage["start"], height=0.55, color=colour, edgecolor=PAPER,
            alpha=0.5 if stage["word"] == "stall" else 0.22,
        )  # fmt: skip
        if length / (sheet["end"] - sheet["start"]) * width > 8 * len(stage["word"]):
            axes.text(stage["start"] + 0.02 * length, row, stage["word"], color=INK, va="center", fontsize=10)
    axes.set_xlim(sheet["start"], sheet["end"])
    axes.set_ylim(-0.5, rows - 0.5)
    axes.set_xticks([time for time, _ in sheet["hours"]], [label for _, label in sheet["hours"]])
    names = [line["name"] for line in sheet["lines"][1:]]
    axes.set_yticks([])
    for row, name in enumerate(names):
        axes.text(sheet["start"], rows - 1 - row + 0.33, f" {name}", color=INK, va="center", fontsize=10, weight="bold")
    _plain(axes)


def _plain(axes: Any) -> None:
    axes.grid(True, color=FAINT, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(colors=INK, length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _fewer_colours(png: bytes) -> bytes:
    """The same picture with a palette: a third of the size (Pillow comes with the drawing library)."""
    from PIL import Image

    out = io.BytesIO()
    with Image.open(io.BytesIO(png)) as image:
        image.convert("RGB").quantize(64, dither=Image.Dither.NONE).save(out, format="PNG", optimize=True)
    return min(png, out.getvalue(), key=len)


def _be_modest() -> None:
    with contextlib.suppress(OSError):
        os.nice(NICE)
    with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "w", encoding="ascii") as file:  # noqa: PTH123
        file.write(SPARE_ME_LAST)


if __name__ == "__main__":
    _be_modest()
    sys.stdout.buffer.write(draw(json.load(sys.stdin)))
