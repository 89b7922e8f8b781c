"""The report's drawings as inline SVG: the whole cook, the places of the pit, and the forecasts closing in on the truth."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isnan, nan

from daemon.core.readings.trace import MINUTE
from daemon.shell.report.blocks import words_for
from daemon.shell.report.findings import Findings, PieceFindings, StageSpan
from daemon.shell.report.forecast_checks import ForecastCheck
from daemon.shell.report.markup import Children, Element, node
from daemon.shell.report.plane import Plane
from daemon.texts.reader import Reader

LEFT, RIGHT, TOP, AXIS = 36.0, 10.0, 10.0, 22.0
PLOT = 290.0
"""Height of the temperatures, drawing units."""
RAIL, RIBBON = 20.0, 36.0
LETTER = 8.0
"""Width of a letter of the labels, about."""
HEADROOM = 12.0
"""°C above the hottest minute."""
ZOOM_MARGIN = 8.0
"""°C around band and readings in the drawing of the pit."""


def whole_cook(found: Findings, reader: Reader, width: float) -> Element:
    """Pit and pieces over the whole cook; under it rails for fire, wakes and the stages of each piece."""
    rails = 2 * RAIL + RIBBON * len(found.pieces) + 6
    plane = Plane(LEFT, TOP, width - LEFT - RIGHT, PLOT, found.start, found.end, *_range(found))
    times = minute_times(found)
    foot = plane.bottom + rails
    return _svg(
        width, foot + AXIS,
        words_for(reader)("report.whole.label", pieces=len(found.pieces), start=found.start, end=found.end),
        _band(found, plane),
        plane.value_axis(plane.degrees(reader)),
        plane.time_axis(reader, foot),
        _meal(found, plane, reader),
        [_stall(piece, number, plane, times) for number, piece in enumerate(found.pieces)],
        node("path", class_="line pit", d=plane.line(times, found.pit)),
        [
            node("path", class_=f"line piece s{number}", d=plane.line(times, _on(piece, times)))
            for number, piece in enumerate(found.pieces)
        ],
        _fire_rail(found, plane, plane.bottom + 6, reader),
        _wake_rail(found, plane, plane.bottom + 6 + RAIL, reader),
        [
            _ribbon(piece, number, plane, plane.bottom + 6 + 2 * RAIL + RIBBON * number, reader)
            for number, piece in enumerate(found.pieces)
        ],
    )  # fmt: skip


def the_pit(found: Findings, reader: Reader, width: float) -> Element:
    """Every place of the pit near its band."""
    values = [v for v in found.pit if not isnan(v)]
    places = pit_places(found)
    every = [v for _, series in places for v in series if not isnan(v)] or values or [0.0]
    low = min(b.low for _, b in found.bands) - 4 * ZOOM_MARGIN
    high = max(max(b.high for _, b in found.bands), max(every)) + ZOOM_MARGIN
    plane = Plane(LEFT, TOP, width - LEFT - RIGHT, 0.7 * PLOT, found.start, found.end, low, high)
    times = minute_times(found)
    return _svg(
        width, plane.bottom + AXIS,
        words_for(reader)("report.fire.places-label"),
        _band(found, plane),
        plane.value_axis(plane.degrees(reader)),
        plane.time_axis(reader, plane.bottom),
        [
            node("path", class_=f"line place s{number}", d=plane.line(times, series))
            for number, (_, series) in enumerate(places)
        ],
    )  # fmt: skip


def funnel(check: ForecastCheck, reader: Reader, width: float) -> Element:
    """How what was said closed in on what came: the hour asked along, the hour promised up."""
    said = [s for s in check.all if s.asked_at < check.came]
    times = [s.asked_at for s in said]
    margin = 0.05 * (max(s.p95 for s in said) - min(s.p05 for s in said)) + QUARTER_HOUR
    low = min(check.came, min(s.p05 for s in said)) - margin
    high = max(check.came, max(s.p95 for s in said)) + margin
    left = LEFT + 12
    plane = Plane(left, TOP, width - left - RIGHT, 0.6 * PLOT, times[0], check.came, low, high)
    upright = Plane(0, 0, plane.height, 1, low, high, 0, 1)
    truth = plane.y(check.came)
    return _svg(
        width, plane.bottom + AXIS,
        words_for(reader)("report.forecast.label", came=check.came),
        plane.value_axis(upright.hours(reader)),
        plane.time_axis(reader, plane.bottom),
        node("path", class_="spread", d=plane.area(times, [s.p05 for s in said], [s.p95 for s in said])),
        node("path", class_="line middle", d=plane.line(times, [s.p50 for s in said])),
        node("line", class_="truth", x1=plane.left, x2=plane.right, y1=truth, y2=truth),
        [
            node("circle", class_="look" if look.held else "look missed", cx=plane.x(look.at), cy=plane.y(look.said.p50), r=5)
            for look in check.looks
            if look.said is not None
        ],
    )  # fmt: skip


QUARTER_HOUR = 900.0


def minute_times(found: Findings) -> list[float]:
    """The middle of each minute, engine s."""
    return [(m + 0.5) * MINUTE for m in found.cook.minutes]


def pit_places(found: Findings) -> list[tuple[str, Sequence[float]]]:
    """Name and series of every pit channel."""
    cook = found.cook
    return [(c.place or c.name, cook.series[c.id]) for c in cook.pit_channels]


# --- parts -----------------------------------------------------------------------------------------------------


def _svg(width: float, height: float, label: str, *children: Children) -> Element:
    return node("svg", *children, view_box=f"0 0 {width:.0f} {height:.0f}", role="img", aria_label=label)


def _range(found: Findings) -> tuple[float, float]:
    every = [v for series in (found.pit, *(p.core for p in found.pieces)) for v in series if not isnan(v)]
    high = max([*every, *(band.high for _, band in found.bands)]) + HEADROOM
    return min(0.0, *every) if every else 0.0, high


def _band(found: Findings, plane: Plane) -> list[Element]:
    ends = [since for since, _ in found.bands[1:]] + [found.end]
    return [
        node("rect", class_="band", x=plane.x(since), y=plane.y(band.high), width=plane.x(until) - plane.x(since),
             height=plane.y(band.low) - plane.y(band.high))
        for (since, band), until in zip(found.bands, ends, strict=True)
    ]  # fmt: skip


def _meal(found: Findings, plane: Plane, reader: Reader) -> list[Element]:
    serve = found.cook.settings.serve_at
    if serve is None or not found.start < serve < found.end:
        return []
    x, said = plane.x(serve), words_for(reader)("report.whole.meal", at=serve)
    return [
        node("line", class_="meal", x1=x, x2=x, y1=plane.top, y2=plane.bottom),
        node(
            "text",
            said,
            class_="strong",
            x=x - 5,
            y=plane.top + 12,
            text_anchor="end",
        ),
    ]


def _on(piece: PieceFindings, times: Sequence[float]) -> list[float]:
    """The core from when it went on: before, the probe lay in the kitchen."""
    return [v if piece.on_at is not None and t >= piece.on_at else nan for t, v in zip(times, piece.core, strict=True)]


def _stall(piece: PieceFindings, number: int, plane: Plane, times: Sequence[float]) -> Iterable[Element]:
    for begun, ended in piece.stalls:
        inside = [v if begun <= t <= ended else nan for t, v in zip(times, piece.core, strict=True)]
        yield node("path", class_=f"stalled s{number}", d=plane.line(times, inside))


def _fire_rail(found: Findings, plane: Plane, top: float, reader: Reader) -> Iterable[Element]:
    middle, words = top + RAIL / 2, words_for(reader)
    yield node("line", class_="rail", x1=plane.left, x2=plane.right, y1=middle + 6, y2=middle + 6)
    yield node("text", words("report.whole.fire"), x=plane.left - 5, y=middle + 5, text_anchor="end")
    for deed in found.deeds:
        x, seen = plane.x(deed.time), " seen" if deed.seen else ""
        if deed.seen:
            title = node("title", words("report.whole.deed-seen", at=deed.time, deed=deed.kind))
        else:
            title = node("title", words("report.whole.deed", at=deed.time, deed=deed.kind))
        match deed.kind:
            case "lid-open":
                yield node("rect", title, class_=f"lid{seen}", x=x - 3.5, y=middle - 4, width=7, height=8)
            case "damper":
                yield node("circle", title, class_="lid", cx=x, cy=middle, r=3)
            case _:
                yield node("path", title, class_=f"log{seen}", d=f"M{x - 4:.1f} {middle + 5:.1f}l4 -10l4 10z")


def _wake_rail(found: Findings, plane: Plane, top: float, reader: Reader) -> Iterable[Element]:
    middle, words = top + RAIL / 2, words_for(reader)
    yield node("line", class_="rail", x1=plane.left, x2=plane.right, y1=middle + 6, y2=middle + 6)
    yield node(
        "text",
        words("report.whole.calls") if found.cook.imported else words("report.whole.woke"),
        x=plane.left - 5,
        y=middle + 5,
        text_anchor="end",
    )
    for call in found.calls:
        title = node("title", words("report.whole.call", at=call.time, text=call.text))
        shape = "wake test" if call.test else "wake"
        yield node("circle", title, class_=shape, cx=plane.x(call.time), cy=middle, r=5)


def _ribbon(piece: PieceFindings, number: int, plane: Plane, top: float, reader: Reader) -> Iterable[Element]:
    yield node("text", piece.settings.name, class_="strong", x=plane.left, y=top + 11)
    for span in piece.stages:
        if span.stage != "waiting":
            yield from _stage(span, number, plane, top + 15, reader)


def _stage(span: StageSpan, number: int, plane: Plane, top: float, reader: Reader) -> Iterable[Element]:
    words = words_for(reader)
    word = words("report.code", code=span.stage)
    x, width = plane.x(span.start), plane.x(span.end) - plane.x(span.start)
    title = node("title", words("report.whole.stage", stage=span.stage, start=span.start, end=span.end))
    yield node("rect", title, class_=f"stage {span.stage} s{number}", x=x, y=top, width=width, height=17)
    if width > LETTER * len(word) + 6:
        yield node("text", word, class_="strong", x=x + 4, y=top + 13)
