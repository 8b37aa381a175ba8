"""Lines over a pair of axes, told apart by dash and by a label at each, so that they read in black and white."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from leanmix.drawing.font import text_width_mm
from leanmix.drawing.shapes import XY, Line, Pen, Polygon, Polyline, Shape, Text

__all__ = ["Series", "chart", "nice_ticks"]

_AXIS, _GRID = Pen(0.25), Pen(0.1, 0.7)
_DASHES: tuple[tuple[float, ...], ...] = ((), (2.4, 1.2), (0.6, 1.0), (4.0, 1.0, 0.6, 1.0))
_SIZE = 2.5
# below this a step would be no number any more
SPAN_LEAST = 1e-300


@dataclass(frozen=True, slots=True)
class Series:
    """One line of a chart.

    Attributes
    ----------
    label : str
        Shown in the key above the chart.
    xs, ys : sequence of float
        Points; a NaN breaks the line.
    """

    label: str
    xs: Sequence[float]
    ys: Sequence[float]


def nice_ticks(low: float, high: float, about: int = 6) -> list[float]:
    """Round values, a step of 1, 2, 2.5 or 5 times a power of ten apart, from at or below `low` to at or above `high`."""
    span = high - low
    if not (math.isfinite(span) and span > SPAN_LEAST):
        low, high = (low - 1.0, low + 1.0) if math.isfinite(low) else (0.0, 1.0)
        span = high - low
    raw = span / max(1, about)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next((power * k for k in (1.0, 2.0, 2.5, 5.0) if power * k >= raw * 0.999), power * 10)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(k * step, 10) + 0.0 for k in range(first, last + 1)]


def chart(
    series: Sequence[Series],
    width_mm: float,
    height_mm: float,
    x_title: str,
    y_title: str,
    *,
    level: Sequence[tuple[float, str]] = (),
) -> tuple[Shape, ...]:
    """Draw lines over axes, within (0, 0) … (width, height).

    Parameters
    ----------
    series : sequence of Series
        At most four, each with its own dash.
    width_mm, height_mm : float
        Room for all of it [mm], at least 40 × 30.
    x_title, y_title : str
        What the axes count, with unit.
    level : sequence of (float, str)
        Heights [y units] marked across with a dotted line and words at one end.
    """
    points = [(x, y) for s in series for x, y in zip(s.xs, s.ys, strict=True) if math.isfinite(x + y)]
    xs, ys = [p[0] for p in points] or [0.0, 1.0], [p[1] for p in points] + [v for v, _ in level] or [0.0, 1.0]
    left_ticks = nice_ticks(min(ys), max(ys), max(3, int(height_mm / 12)))
    foot_ticks = nice_ticks(min(xs), max(xs), max(3, int(width_mm / 20)))
    labels = [_number(t) for t in left_ticks]
    room = max(text_width_mm(t, _SIZE) for t in labels)
    x0, x1 = room + 7.5, width_mm - 4.0
    y0, y1 = 10.0, height_mm - (7.0 if len(series) > 1 else 3.0)

    def place(x: float, y: float) -> XY:
        across = (x - foot_ticks[0]) / (foot_ticks[-1] - foot_ticks[0])
        up = (y - left_ticks[0]) / (left_ticks[-1] - left_ticks[0])
        return x0 + across * (x1 - x0), y0 + up * (y1 - y0)

    out: list[Shape] = []
    for t in foot_ticks:
        x = place(t, left_ticks[0])[0]
        out += [Line((x, y0), (x, y1), _GRID), Text((x, y0 - 3.6), _number(t), _SIZE, "middle")]
    for t, label in zip(left_ticks, labels, strict=True):
        y = place(foot_ticks[0], t)[1]
        out += [Line((x0, y), (x1, y), _GRID), Text((x0 - 1.2, y - 0.9), label, _SIZE, "end")]
    out.append(Polygon(((x0, y0), (x1, y0), (x1, y1), (x0, y1)), _AXIS))
    out.append(Text(((x0 + x1) / 2, 1.2), x_title, _SIZE, "middle"))
    out.append(Text((2.6, (y0 + y1) / 2), y_title, _SIZE, "middle", 90.0))
    for s, dash in zip(series, itertools.cycle(_DASHES)):
        for run in _runs(s):
            out.append(Polyline(tuple(place(x, y) for x, y in run), Pen(0.4, 0.0, dash)))
    drawn = [place(x, y) for x, y in points]
    out += _levels(level, drawn, lambda v: place(foot_ticks[0], v)[1], x0, x1, y1)
    if len(series) > 1:
        out += _key(series, x0, y1 + 2.6)
    return tuple(out)


def _number(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _runs(s: Series) -> list[list[XY]]:
    runs: list[list[XY]] = [[]]
    for x, y in zip(s.xs, s.ys, strict=True):
        if math.isfinite(x + y):
            runs[-1].append((float(x), float(y)))
        elif runs[-1]:
            runs.append([])
    return [r for r in runs if len(r) > 1]


def _levels(
    level: Sequence[tuple[float, str]],
    drawn: Sequence[XY],
    place: Callable[[float], float],
    x0: float,
    x1: float,
    top: float,
) -> list[Shape]:
    """Dotted lines across, their words at whichever end no line runs through them."""
    out: list[Shape] = []
    for value, words in level:
        y = place(value)
        out.append(Line((x0, y), (x1, y), Pen(0.2, 0.0, (0.4, 1.2))))
        base = y + 0.9 if y + 4.0 < top else y - 2.7
        wide = text_width_mm(words, _SIZE) + 3.0

        def hits(left: float, base: float = base, wide: float = wide) -> int:
            return sum(left <= x <= left + wide and base - 0.8 <= v <= base + 2.6 for x, v in drawn)

        if hits(x1 - wide) <= hits(x0):
            out.append(Text((x1 - 1.5, base), words, _SIZE, "end"))
        else:
            out.append(Text((x0 + 1.5, base), words, _SIZE))
    return out


def _key(series: Sequence[Series], left: float, y: float) -> list[Shape]:
    out: list[Shape] = []
    for s, dash in zip(series, itertools.cycle(_DASHES)):
        out.append(Line((left, y + 0.8), (left + 9.0, y + 0.8), Pen(0.4, 0.0, dash)))
        out.append(Text((left + 10.5, y), s.label, _SIZE))
        left += 10.5 + text_width_mm(s.label, _SIZE) + 6.0
    return out
