"""A picture of curves as plain values, all in the reader's unit and words: what the drawing program is given as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import isnan, nan, sin
from statistics import median

from daemon.core.pieces.stage import ON_THE_PIT
from daemon.core.readings.trace import MINUTE
from daemon.core.settings import Role, subject_of
from daemon.core.snapshot import PieceView, PitView, Snapshot
from daemon.shell.library.cook import KeptCook
from daemon.shell.report.curves import minute_times
from daemon.shell.report.findings import findings
from daemon.shell.report.plane import Plane
from daemon.texts.composer import Composer
from daemon.texts.reader import CELSIUS, Reader

HEADROOM = 12.0
"""°C above the highest value shown."""
EXAMPLE_MINUTES = 300
AHEAD = 6 * 3600.0
"""s of the forecast fan that are shown."""


@dataclass(frozen=True, slots=True)
class Line:
    """name: for the legend. pit: it is the pit's, else a piece's. times: s on the sheet's axis. stalls: (from, to)."""

    name: str
    pit: bool
    times: tuple[float, ...]
    values: tuple[float, ...]
    stalls: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Fan:
    """A forecast, p05 to p95 about p50. line: index of the line it goes on from."""

    line: int
    times: tuple[float, ...]
    p05: tuple[float, ...]
    p50: tuple[float, ...]
    p95: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Stage:
    """row: index of the line of its piece."""

    row: int
    start: float
    end: float
    word: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """width, height: pixels. start, end: of the time axis, s; low, high: of the temperature axis, in `unit`. hours: ticks as
    (s, label). bands: (from, to, low, high). fires: times of logs; wakes: times. small: for a phone, no stages below."""

    title: str
    unit: str
    width: int
    height: int
    start: float
    end: float
    low: float
    high: float
    hours: tuple[tuple[float, str], ...]
    bands: tuple[tuple[float, float, float, float], ...]
    lines: tuple[Line, ...]
    fans: tuple[Fan, ...] = ()
    stages: tuple[Stage, ...] = ()
    fires: tuple[float, ...] = ()
    wakes: tuple[float, ...] = ()
    small: bool = False
    log: str = ""
    woke: str = ""
    """What the legend calls fires and wakes."""


def cook_sheet(cook: KeptCook, reader: Reader = CELSIUS) -> Sheet:
    """A whole kept cook on one sheet."""
    found, reader = findings(cook), replace(reader, wall_offset=cook.wall_offset)
    words = Composer(reader).words
    times = tuple(minute_times(found))
    lines = [Line(words("report.picture.pit"), True, times, _in(reader, found.pit))]
    for piece in found.pieces:
        on = piece.on_at if piece.on_at is not None else found.end
        core = [v if t >= on else nan for t, v in zip(times, piece.core, strict=True)]
        lines.append(Line(piece.settings.name, False, times, _in(reader, core), piece.stalls))
    ends = [since for since, _ in found.bands[1:]] + [found.end]
    sheet = Sheet(
        title=words("report.title", name=cook.name, day=reader.day(found.start)),
        unit=reader.unit,
        width=1200,
        height=720 + 40 * len(found.pieces),
        start=found.start,
        end=found.end,
        low=0.0,
        high=0.0,
        hours=(),
        bands=tuple(
            (since, until, reader.degrees(band.low), reader.degrees(band.high))
            for (since, band), until in zip(found.bands, ends, strict=True)
        ),
        lines=tuple(lines),
        stages=tuple(
            Stage(row, s.start, s.end, words("report.code", code=s.stage))
            for row, piece in enumerate(found.pieces, start=1)
            for s in piece.stages
            if s.stage != "waiting"
        ),
        fires=tuple(d.time for d in found.deeds if d.kind == "log" and not d.seen),
        wakes=tuple(call.time for call in found.woken),
        log=words("report.picture.log"),
        woke=words("report.picture.calls") if cook.imported else words("report.picture.woke"),
    )
    return _scaled(sheet, reader)


def watch_sheet(
    view: Snapshot,
    minutes: Sequence[int],
    series: Mapping[str, Sequence[float]],
    reader: Reader,
    own: PitView | None = None,
) -> Sheet:
    """The last hours of a pit of a running watch with its forecast fans. minutes: engine minute numbers, oldest first. series:
    channel -> minute medians of the same length, °C, NaN where nothing good was read. own: the pit, None = the first."""
    times = tuple((m + 0.5) * MINUTE for m in minutes)
    own = own or view.pit
    here = ("", own.id)  # where there is one pit, nothing names it
    probes = [c for c in view.channels if c.role is Role.PIT and c.pit in here]
    places = [series[c.id] for c in probes if c.id in series]
    pit = [median(k) if (k := [v for v in row if not isnan(v)]) else nan for row in zip(*places, strict=True)]
    words = Composer(reader).words
    lines = [Line(words("report.picture.pit"), True, times if pit else (), _in(reader, pit))]
    fans: list[Fan] = []
    for piece in view.pieces:
        if piece.on_at is None or piece.stage == "done" or piece.channel is None or piece.channel not in series:
            continue
        if piece.pit not in here:
            continue
        core = [v if t >= piece.on_at else nan for t, v in zip(times, series[piece.channel], strict=True)]
        lines.append(Line(piece.name, False, times, _in(reader, core)))
        fans += _fan(piece, len(lines) - 1, view.time, reader)
    end = max([view.time, *(fan.times[-1] for fan in fans)])
    start = minutes[0] * MINUTE if minutes else view.time - MINUTE
    sheet = Sheet(
        title=words("report.picture.watch", pit=own.name, value=own.celsius, at=view.time),
        unit=reader.unit,
        width=720,
        height=420,
        start=start,
        end=end,
        low=0.0,
        high=0.0,
        hours=(),
        bands=((start, end, reader.degrees(own.band.low), reader.degrees(own.band.high)),),
        lines=tuple(lines),
        fans=tuple(fans),
        fires=tuple(
            f.at
            for f in view.fires
            if f.sign == "log-added" and subject_of(f.pit) == own.subject and start <= f.at <= end
        ),
        small=True,
        log=words("report.picture.log"),
    )
    return _scaled(sheet, reader)


def example_sheet(now: float, reader: Reader) -> Sheet:
    """Made curves of a chuck roll, under a title that says so: to try the way of a picture while nothing cooks."""
    minutes, words = range(-EXAMPLE_MINUTES, 1), Composer(reader).words
    times = tuple(now + minute * MINUTE for minute in minutes)
    pit = [121.0 + 6.0 * sin(minute / 11.0) for minute in minutes]
    core = [70.0 - 32.0 * (minute / EXAMPLE_MINUTES) ** 2 for minute in minutes]
    ahead = tuple(now + 1800.0 * step for step in range(9))
    middle = [70.0 + 3.0 * step for step in range(9)]
    edges = [[c + side * 0.8 * step for step, c in enumerate(middle)] for side in (-1, 1)]
    sheet = Sheet(
        title=words("report.picture.test", at=now),
        unit=reader.unit,
        width=720,
        height=420,
        start=times[0],
        end=ahead[-1],
        low=0.0,
        high=0.0,
        hours=(),
        bands=((times[0], ahead[-1], reader.degrees(107.0), reader.degrees(135.0)),),
        lines=(
            Line(words("report.picture.pit"), True, times, _in(reader, pit)),
            Line(words("report.picture.example"), False, times, _in(reader, core)),
        ),
        fans=(Fan(1, ahead, _in(reader, edges[0]), _in(reader, middle), _in(reader, edges[1])),),
        small=True,
    )
    return _scaled(sheet, reader)


def _fan(piece: PieceView, line: int, now: float, reader: Reader) -> list[Fan]:
    """While it lies on the fire: the forecast's own points from now on."""
    points = [p for p in piece.fan if now <= p.time <= now + AHEAD] if piece.stage in ON_THE_PIT else []
    if len(points) < 2:
        return []
    p05, p50, p95 = (_in(reader, [getattr(p, name) for p in points]) for name in ("p05", "p50", "p95"))
    return [Fan(line, tuple(p.time for p in points), p05, p50, p95)]


def _in(reader: Reader, values: Sequence[float]) -> tuple[float, ...]:
    return tuple(round(reader.degrees(v), 2) for v in values)


def _scaled(sheet: Sheet, reader: Reader) -> Sheet:
    """With the axes that hold everything on it."""
    every = [v for line in sheet.lines for v in line.values if not isnan(v)]
    every += [v for fan in sheet.fans for v in (*fan.p05, *fan.p95)] + [v for band in sheet.bands for v in band[2:]]
    room = HEADROOM * (1.8 if reader.fahrenheit else 1.0)
    low, high = min(reader.degrees(0.0), *every), max(every) + room
    # the axis has about 60 pixels for a label, a plane's has less
    plane = Plane(0, 0, 0.7 * sheet.width, 1, sheet.start, sheet.end, 0, 1)
    return replace(sheet, low=low, high=high, hours=tuple(plane.hours(reader)))
