"""A picture of the machine at a stop, with the place marked: on paper, and in braille dots for the terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from leanmix.drawing import XY, Circle, Clipped, Drawing, Line, Pen, Polygon, Polyline, Raster, Shape, Text

if TYPE_CHECKING:
    from leanmix.paper import Pose
    from leanmix.stops import Stop

__all__ = ["stop_drawing", "stop_lines"]

_WIDTH_MM, _HEIGHT_MM = 180.0, 130.0
_FOOT_MM, _HEAD_MM = 8.0, 16.0
_MARK = Pen(0.6)
# a terminal's cell is twice as high as wide: two dots across, four down
_ROWS_MAX = 34


def _fit(pose: Pose, width: float, height: float) -> tuple[float, XY]:
    """Scale and place of the centreline's mark that fit a pose into a rectangle."""
    from leanmix.paper import reach_mm

    left, right, up = reach_mm(pose)
    scale = min(width / (left + right + 14), height / (up + 4))
    return scale, (width / 2 + (left - right) / 2 * scale, 0.0)


def _seen(pose: Pose, stop: Stop) -> XY:
    """A stop's place on the pose's own picture [mm of the machine]: chassis axes turned with the centreline."""
    foot, top = pose.centreline
    tall = math.hypot(top[0] - foot[0], top[1] - foot[1])
    up = ((top[0] - foot[0]) / tall, (top[1] - foot[1]) / tall)
    out, height = -stop.at_mm[0], stop.at_mm[1]
    return foot[0] + up[1] * out + up[0] * height, foot[1] - up[0] * out + up[1] * height


def _words(stop: Stop) -> str:
    return f"{stop.throw_deg:.1f}° of arm leaning {stop.way}, {stop.lean_says}"


def stop_drawing(pose: Pose, stop: Stop, title: str) -> Drawing:
    """The machine from behind at a stop: a cross in a ring where it blocks, a ring alone where it only touches.

    Parameters
    ----------
    pose : Pose
        The machine at the stop's throw.
    stop : Stop
        What to mark.
    title : str
        Name of the picture.
    """
    from leanmix.drawing import moved, text_width_mm
    from leanmix.paper import front_view

    scale, (middle, _) = _fit(pose, _WIDTH_MM - 10, _HEIGHT_MM - _FOOT_MM - _HEAD_MM)
    shapes = [moved(s, middle + 5, _FOOT_MM) for s in front_view(pose, scale)]
    x, y = _seen(pose, stop)
    x, y = x * scale + middle + 5, y * scale + _FOOT_MM
    shapes.append(Circle((x, y), 3.0, _MARK, None, "labels"))
    if stop.blocks:
        shapes += [Line((x - 2.1, y - s), (x + 2.1, y + s), _MARK, "labels") for s in (2.1, -2.1)]
    head = stop.says.split(":")[0]
    size = min(3.4, 3.4 * (_WIDTH_MM - 10) / max(text_width_mm(head, 3.4, bold=True), 1.0))
    word = "blocks" if stop.blocks else "touches"
    shapes += [
        Text((5, _HEIGHT_MM - 6), head, size, bold=True, layer="labels"),
        Text((5, _HEIGHT_MM - 11), f"{word} at {_words(stop)}; seen from behind, left is left", 2.6, layer="labels"),
    ]
    return Drawing(_WIDTH_MM, _HEIGHT_MM, tuple(shapes), title)


def stop_lines(pose: Pose, stop: Stop, columns: int) -> list[str]:
    """The same for the terminal, one string a row; ✕ marks a block, ◇ a touch.

    Parameters
    ----------
    pose, stop
        As for `stop_drawing`.
    columns : int
        Width in character cells.
    """
    from leanmix.paper import front_view, reach_mm

    left, right, up = reach_mm(pose)
    scale = min(2 * columns / (left + right + 14), 4 * _ROWS_MAX / (up + 6))
    rows = math.ceil((up + 6) * scale / 4)
    middle = columns + (left - right) / 2 * scale
    raster = Raster(columns, rows)
    foot = 4.0 * rows - 3
    for shape in front_view(pose, scale):
        _dots(raster, shape, middle, foot)
    lines = raster.lines()
    x, y = _seen(pose, stop)
    column, row = int((middle + x * scale) // 2), int((foot - y * scale) // 4)
    if 0 <= row < rows and 0 <= column < columns:
        lines[row] = lines[row][:column] + ("✕" if stop.blocks else "◇") + lines[row][column + 1 :]
    return [line.rstrip() for line in lines]


def _dots(raster: Raster, shape: Shape, middle: float, foot: float) -> None:
    if isinstance(shape, Text):
        return
    if isinstance(shape, Clipped):
        for inner in shape.shapes:
            _dots(raster, inner, middle, foot)
        return
    if isinstance(shape, Line):
        points: tuple[XY, ...] = (shape.start, shape.end)
    elif isinstance(shape, Circle):
        turn = [math.radians(15 * i) for i in range(25)]
        cx, cy = shape.centre
        points = tuple((cx + shape.radius_mm * math.cos(t), cy + shape.radius_mm * math.sin(t)) for t in turn)
    elif isinstance(shape, Polygon):
        points = (*shape.points, shape.points[0])
    elif isinstance(shape, Polyline):
        points = shape.points
    dashed = 3 if isinstance(shape, Line) and shape.pen.dash_mm else 1
    raster.path([middle + p[0] for p in points], [foot - p[1] for p in points], every=dashed)
