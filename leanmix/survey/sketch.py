"""Which point is which: a labelled drawing of this machine's own front view, and the same in plain text."""

from __future__ import annotations

import numpy as np

from leanmix.drawing import Circle, Drawing, Line, Pen, Polygon, Shape, Text
from leanmix.machine import Machine
from leanmix.survey.layout import machine_spots
from leanmix.survey.places import PLACES

__all__ = ["points_drawing", "points_text"]

WIDTH_MM = 180.0
LEGEND_STEP_MM = 5.0
MARGIN_MM = 12.0
LABEL_MM = 4.5

# what is drawn between the points: pairs of letters' places and how heavy the line is
_BARS = (
    ("arm_centre", "arm_ball", 0.9),
    ("arm_ball", "mount_ball", 0.5),
    ("guide_top", "guide_bottom", 1.4),
    ("upper_eye", "lower_eye", 1.0),
    ("upper_pivot", "upper_ball", 0.9),
    ("lower_pivot", "lower_ball", 0.9),
    ("upper_ball", "lower_ball", 0.5),
    ("lower_ball", "contact", 0.3),
)
_FRONT = tuple(p for p in PLACES if p.view in ("front", "both"))


def _spots(machine: Machine) -> dict[str, tuple[float, float]]:
    return {n.place: (out, up) for n, (out, up, _) in machine_spots(machine).items() if n.side == "left"}


def points_drawing(machine: Machine) -> Drawing:
    """The machine's left half seen from in front, every point lettered, with the list of names beside it.

    Parameters
    ----------
    machine : Machine
        Drawn to scale, as its file stands now.
    """
    spots = _spots(machine)
    own = [spots[p.name] for p in _FRONT]
    low, high = np.min([*own, (0.0, 0.0)], axis=0), np.max(own, axis=0)
    wide = 0.52 * WIDTH_MM
    scale = wide / max(float(high[0] - low[0]), 1.0)
    height = max(float(high[1] - low[1]) * scale, LEGEND_STEP_MM * (len(_FRONT) + 4)) + 2 * MARGIN_MM

    def at(name: str) -> tuple[float, float]:
        out, up = spots[name]
        return (MARGIN_MM + (out - float(low[0])) * scale, MARGIN_MM + (up - float(low[1])) * scale)

    base, zero = MARGIN_MM - float(low[1]) * scale, MARGIN_MM - float(low[0]) * scale
    shapes: list[Shape] = [
        Line((4, base), (MARGIN_MM + wide + 6, base), Pen(0.35)),
        Line((zero, 4), (zero, height - 4), Pen(0.2, 0.5, (6, 1.5, 1, 1.5))),
        Text((4, base - 5), "board", 2.6, grey=0.3),
        Text((zero + 1.5, base + 2), "centreline", 2.6, grey=0.3),
    ]
    shapes += [Line(at(a), at(b), Pen(w, 0.6)) for a, b, w in _BARS]
    taken: list[tuple[float, float]] = []
    for place in _FRONT:
        x, y = at(place.name)
        shapes.append(Circle((x, y), 1.1, Pen(0.3), 1.0))
        lx, ly = _label_place(x, y, [at(p.name) for p in _FRONT], taken)
        taken.append((lx, ly))
        shapes += [Line((x, y), (lx, ly), Pen(0.15, 0.4)), Polygon(_box(lx, ly), Pen(0.2), 1.0)]
        shapes.append(Text((lx, ly - 1.35), place.letter, 3.6, "middle", bold=True))
    x0 = MARGIN_MM + wide + 14
    for i, place in enumerate(_FRONT):
        y = height - MARGIN_MM - i * LEGEND_STEP_MM
        shapes += [
            Text((x0, y), place.letter, 3.4, bold=True),
            Text((x0 + 6, y), f"{place.plain}  ({place.name})", 3.0),
        ]
    below = height - MARGIN_MM - (len(_FRONT) + 1) * LEGEND_STEP_MM
    shapes.append(Text((x0, below), "Left side, seen from in front; right likewise.", 2.6, grey=0.3))
    return Drawing(WIDTH_MM + 2 * MARGIN_MM, height, tuple(shapes), f"{machine.name}: points to measure")


def _box(x: float, y: float) -> tuple[tuple[float, float], ...]:
    h = LABEL_MM / 2
    return ((x - h, y - h), (x + h, y - h), (x + h, y + h), (x - h, y + h))


def _label_place(x: float, y: float, points: list[tuple[float, float]], taken: list[tuple[float, float]]) -> tuple[float, float]:  # fmt: skip
    """The place round a point, by ring and direction, that keeps furthest from other points and labels."""
    best, room = (x + 6.0, y), -1.0
    for reach in (6.0, 9.0):
        for angle in np.radians(np.arange(0, 360, 30)):
            here = (x + reach * float(np.cos(angle)), y + reach * float(np.sin(angle)))
            others = [p for p in points if p != (x, y)] + taken
            gap = min((float(np.hypot(here[0] - p[0], here[1] - p[1])) for p in others), default=99.0)
            gap = min(gap, 8.0) - 0.15 * reach
            if gap > room:
                best, room = here, gap
    return best


def points_text(machine: Machine, columns: int = 72, rows: int = 24) -> str:
    """The same for a terminal: letters where the points are, dots for the parts between them, then the names.

    Parameters
    ----------
    machine : Machine
        Drawn to scale, as its file stands now.
    columns, rows : int
        Room for the drawing itself.
    """
    spots = _spots(machine)
    own = np.array([spots[p.name] for p in _FRONT])
    low, high = np.minimum(own.min(axis=0), 0.0), own.max(axis=0)
    # a character cell is about twice as high as wide
    per_mm = min((columns - 1) / (high[0] - low[0]), 2.0 * (rows - 1) / (high[1] - low[1]))

    def cell(spot: tuple[float, float]) -> tuple[int, int]:
        return round((spot[0] - low[0]) * per_mm), round((high[1] - spot[1]) * per_mm / 2.0)

    wide, tall = cell((float(high[0]), float(low[1])))
    page = [[" "] * (wide + 1) for _ in range(tall + 1)]
    for a, b, _ in _BARS:
        (xa, ya), (xb, yb) = cell(spots[a]), cell(spots[b])
        steps = max(abs(xb - xa), abs(yb - ya), 1)
        for k in range(steps + 1):
            page[round(ya + (yb - ya) * k / steps)][round(xa + (xb - xa) * k / steps)] = "."
    letters: dict[tuple[int, int], str] = {}
    for place in _FRONT:
        x, y = cell(spots[place.name])
        # two points in one cell: the second steps aside
        while (x, y) in letters:
            x += 1
        letters[(x, y)] = place.letter
    for (x, y), letter in letters.items():
        row = page[y]
        row.extend(" " * (x + 1 - len(row)))
        row[x] = letter
    drawn = "\n".join("".join(row).rstrip() for row in page)
    floor = "-" * (wide + 1)
    names = "\n".join(f"  {p.letter}  {p.plain:<20} {p.name:<13} {p.where}" for p in PLACES)
    return (
        f"{drawn}\n{floor}\nLeft side, seen from in front (centreline at the left edge); right likewise.\n\n{names}\n"
    )
