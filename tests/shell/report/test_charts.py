"""Curves as PNG: what is on the sheet, what the drawing process gives back, and what it must not cost the watch.

PNG signature and IHDR after the PNG specification (W3C, third edition, 5.2 and 11.2.1).
"""

from __future__ import annotations

import asyncio
import os
import struct
import subprocess
import sys
from math import isnan
from pathlib import Path

import pytest

from daemon.core.readings.trace import MINUTE
from daemon.shell.notify.chart import LARGEST
from daemon.shell.report.picture import drawer
from daemon.shell.report.picture.drawer import Drawer, NotDrawn
from daemon.shell.report.picture.sheet import Sheet, cook_sheet, watch_sheet
from daemon.texts.reader import Reader
from tests.shell.report.report_cooks import at, kept, mark, quiet_night, stage, stall, told
from tests.shell.web.page_curves import CHANNELS, NIGHT
from tests.shell.web.page_scenario import snapshot_at

ROOT = Path(__file__).parents[3]


def last_hours(fahrenheit: bool = False) -> Sheet:
    last = int(NIGHT // MINUTE)
    minutes = range(last - 360, last)
    series = {name: [value(m * MINUTE) for m in minutes] for name, (_, _, value) in CHANNELS.items()}
    return watch_sheet(snapshot_at(NIGHT), minutes, series, Reader(fahrenheit))


def whole_cook() -> Sheet:
    from daemon.core.orders import MarkKind

    night = quiet_night()
    night["events"] += [mark(60, MarkKind.LOG), stall(200, True), stall(300, False), told(100, "pit-falling/pit")]
    night["events"] += [stage(200, "stall")]
    return cook_sheet(kept(**night))


def size_of(png: bytes) -> tuple[int, int]:
    assert png[:8] == b"\x89PNG\r\n\x1a\n" and png[12:16] == b"IHDR"
    width, height = struct.unpack(">II", png[16:24])
    return width, height


async def test_the_last_hours_make_a_small_picture_while_the_loop_goes_on() -> None:
    sheet = last_hours()
    drawing, turns = asyncio.ensure_future(Drawer().draw(sheet)), 0
    while not drawing.done():
        await asyncio.sleep(0.01)
        turns += 1
    assert turns > 5, "a drawing in the loop would leave none"
    png = await drawing
    assert size_of(png) == (sheet.width, sheet.height) == (720, 420)
    assert 3_000 < len(png) <= LARGEST


async def test_a_whole_cook_makes_a_large_one() -> None:
    sheet = whole_cook()
    assert size_of(await Drawer().draw(sheet)) == (sheet.width, sheet.height)


def test_what_is_on_the_sheet_of_the_last_hours() -> None:
    view, sheet = snapshot_at(NIGHT), last_hours()
    assert [line.name for line in sheet.lines] == ["pit", *(piece.name for piece in view.pieces)]
    assert len(sheet.fans) == len(view.pieces)
    for fan, piece in zip(sheet.fans, view.pieces, strict=True):
        shown = [p for p in piece.fan if NIGHT <= p.time <= NIGHT + 6 * 3600]
        assert fan.times == tuple(p.time for p in shown)
        assert fan.p50 == tuple(round(p.p50, 2) for p in shown)
    assert sheet.bands == ((sheet.start, sheet.end, view.pit.band.low, view.pit.band.high),)
    assert sheet.start == (int(NIGHT // MINUTE) - 360) * MINUTE
    assert sheet.fires == tuple(f.at for f in view.fires)
    warm = last_hours(fahrenheit=True)
    assert warm.lines[0].values[-1] == pytest.approx(sheet.lines[0].values[-1] * 1.8 + 32, abs=0.02)


def test_what_is_on_the_sheet_of_a_cook() -> None:
    night = quiet_night()
    night["events"] = [stage(30, "on"), stage(599, "off")]
    sheet = cook_sheet(kept(**night))
    assert all(isnan(v) for v in sheet.lines[1].values[:30])  # in the kitchen the probe says nothing of the meat
    assert sheet.lines[1].values[30:] == tuple(round(v, 2) for v in night["core"][30:])
    assert [(s.start, s.end, s.word) for s in sheet.stages] == [(at(30), at(599), "on"), (at(599), at(600), "off")]
    assert whole_cook().lines[1].stalls == ((at(200), at(300)),)
    assert whole_cook().fires == (at(60),) and whole_cook().wakes == (at(100),)


async def test_a_missing_library_is_named_with_its_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drawer, "find_spec", lambda name: None)
    with pytest.raises(NotDrawn, match=r"pip install 'pitvigil\[report\]'"):
        await Drawer().draw(whole_cook())


async def test_a_drawing_that_takes_too_long_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    slow, pid = tmp_path / "slow.py", tmp_path / "pid"
    slow.write_text(f"import os, time\nopen({str(pid)!r}, 'w').write(str(os.getpid()))\ntime.sleep(600)\n")
    monkeypatch.setattr(drawer, "PROGRAM", slow)
    work = asyncio.ensure_future(Drawer(time_limit=5.0).draw(whole_cook()))
    while not work.done() and not (pid.exists() and pid.read_text()):
        await asyncio.sleep(0.01)
    with pytest.raises(NotDrawn, match="more than 5 s"):
        await work
    with pytest.raises(ProcessLookupError):
        os.kill(int(pid.read_text()), 0)


@pytest.mark.parametrize(
    ("program", "why"),
    [
        ("raise ValueError('no such colour')", "no such colour"),
        ("print('not a picture')", "failed"),
        ("import sys; sys.exit(3)", "3"),
    ],
)
async def test_a_drawing_that_fails_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, program: str, why: str
) -> None:
    broken = tmp_path / "broken.py"
    broken.write_text(program)
    monkeypatch.setattr(drawer, "PROGRAM", broken)
    with pytest.raises(NotDrawn, match=why):
        await Drawer().draw(whole_cook())


def test_the_watch_neither_loads_the_library_nor_grows() -> None:
    """PSS (proc(5), smaps_rollup) before and after two drawings; in a thread the library would stay with some 40 MB."""
    code = (
        "import asyncio, sys\n"
        "import daemon.wiring.watch, daemon.commands.report\n"
        "from daemon.shell.report.picture.drawer import Drawer\n"
        "from tests.shell.report.test_charts import last_hours\n"
        "def pss():\n"
        "    lines = open('/proc/self/smaps_rollup').read().splitlines()\n"
        "    return next(int(line.split()[1]) for line in lines if line.startswith('Pss:'))\n"
        "sheet = last_hours()\n"
        "before = pss()\n"
        "async def twice():\n"
        "    for _ in range(2): await Drawer().draw(sheet)\n"
        "asyncio.run(twice())\n"
        "assert 'matplotlib' not in sys.modules and 'PIL' not in sys.modules\n"
        "print(pss() - before)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) < 4096
