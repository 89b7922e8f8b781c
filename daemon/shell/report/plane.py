"""The plane curves are drawn on: axes, ticks and paths as SVG, one unit of the drawing a CSS pixel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import ceil, floor, isnan

from daemon.shell.report.markup import Element, node, number
from daemon.texts.reader import Reader

QUARTER = 900.0
HOUR_STEPS = (1, 2, 3, 4, 6, 12, 24)
HOUR_ROOM, MINUTES_PER_HOUR = 46.0, 60
"""Drawing units between labels of the time axis, at least."""
DEGREE_STEPS = (5, 10, 20, 25, 50, 100)
DEGREE_ROOM = 34.0


@dataclass(frozen=True, slots=True)
class Plane:
    """Where times (engine s) and values (low..high, any unit) come to lie."""

    left: float
    top: float
    width: float
    height: float
    start: float
    end: float
    low: float
    high: float

    @property
    def right(self) -> float:
        return self.left + self.width

    @property
    def bottom(self) -> float:
        return self.top + self.height

    def x(self, time: float) -> float:
        return self.left + self.width * (time - self.start) / (self.end - self.start)

    def y(self, value: float) -> float:
        return self.bottom - self.height * (value - self.low) / (self.high - self.low)

    def line(self, times: Sequence[float], values: Sequence[float]) -> str:
        """Path data. Gaps (NaN) and what lies outside the plane are left out; where there are more points than pixels, the
        lowest and the highest of each pixel stay."""
        parts, pen = [], "M"
        for point in _thinned(times, values, self.width):
            if point is None or not self.low <= point[1] <= self.high:
                pen = "M"
                continue
            parts.append(f"{pen}{number(self.x(point[0]))} {number(self.y(point[1]))}")
            pen = "L"
        return "".join(parts)

    def area(self, times: Sequence[float], low: Sequence[float], high: Sequence[float]) -> str:
        """Path data of the ground between two lines; values outside the plane are set on its edge."""
        there = [(self.x(t), self.y(min(max(v, self.low), self.high))) for t, v in zip(times, high, strict=True)]
        back = [(self.x(t), self.y(min(max(v, self.low), self.high))) for t, v in zip(times, low, strict=True)]
        points = [*there, *reversed(back)]
        return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points) + "Z" if points else ""

    def hours(self, reader: Reader) -> list[tuple[float, str]]:
        """Whole local hours for the time axis, as far apart as their labels need."""
        room = (self.end - self.start) * HOUR_ROOM / self.width / 3600.0
        step = next((s for s in HOUR_STEPS if s >= room), HOUR_STEPS[-1])
        first = ceil((self.start + reader.wall_offset) / QUARTER) * QUARTER - reader.wall_offset
        quarters = (first + i * QUARTER for i in range(int((self.end - first) // QUARTER) + 1))
        return [(t, reader.hour(t)) for t in quarters if (at := reader.local(t)).minute == 0 and at.hour % step == 0]

    def degrees(self, reader: Reader) -> list[tuple[float, str]]:
        """(°C, label) at round numbers of the reader's unit."""
        low, high = reader.degrees(self.low), reader.degrees(self.high)
        step = next((s for s in DEGREE_STEPS if s * self.height / (high - low) >= DEGREE_ROOM), DEGREE_STEPS[-1])
        shown = range(ceil(low / step), floor(high / step) + 1)
        return [((n * step - 32) / 1.8 if reader.fahrenheit else float(n * step), f"{n * step}") for n in shown]

    def time_axis(self, reader: Reader, to: float) -> Iterable[Element]:
        """Upright lines down to `to`, labels under the plane."""
        for time, label in self.hours(reader):
            x = self.x(time)
            yield node("line", class_="grid", x1=x, x2=x, y1=self.top, y2=to)
            anchor = "end" if x > self.right - 16 else "start" if x < self.left + 16 else "middle"
            yield node("text", label, x=x, y=to + 15, text_anchor=anchor)

    def value_axis(self, ticks: Iterable[tuple[float, str]]) -> Iterable[Element]:
        for value, label in ticks:
            y = self.y(value)
            yield node("line", class_="grid", x1=self.left, x2=self.right, y1=y, y2=y)
            yield node("text", label, x=self.left - 5, y=y + 4, text_anchor="end")


def _thinned(times: Sequence[float], values: Sequence[float], pixels: float) -> Iterable[tuple[float, float] | None]:
    bucket = max(1, ceil(len(values) / pixels * 2))
    for begin in range(0, len(values), bucket):
        some = slice(begin, begin + bucket)
        part = [(t, v) for t, v in zip(times[some], values[some], strict=True) if not isnan(v)]
        if not part:
            yield None
            continue
        lowest, highest = min(part, key=lambda p: p[1]), max(part, key=lambda p: p[1])
        yield from sorted({lowest, highest})
