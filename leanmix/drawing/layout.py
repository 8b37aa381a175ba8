"""Moving shapes, the room that writing takes, and whether writing lies over writing."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

from leanmix.drawing.font import text_width_mm
from leanmix.drawing.shapes import XY, Circle, Clipped, Drawing, Line, Polygon, Polyline, Shape, Text

__all__ = ["crowded", "moved", "text_corners"]

# of the em: above and below the baseline, letters with tails and capitals (Vera's capitals are 0.729)
_ABOVE, _BELOW = 0.74, 0.21


def moved(shape: Shape, right_mm: float, up_mm: float) -> Shape:
    """The same shape, moved by `right_mm` and `up_mm` on the paper [mm]."""

    def there(p: XY) -> XY:
        return p[0] + right_mm, p[1] + up_mm

    if isinstance(shape, Line):
        return replace(shape, start=there(shape.start), end=there(shape.end))
    if isinstance(shape, Polyline | Polygon):
        return replace(shape, points=tuple(map(there, shape.points)))
    if isinstance(shape, Circle):
        return replace(shape, centre=there(shape.centre))
    if isinstance(shape, Text):
        return replace(shape, at=there(shape.at))
    return Clipped(
        there(shape.lower_left),
        there(shape.upper_right),
        tuple(moved(inner, right_mm, up_mm) for inner in shape.shapes),
    )


def text_corners(text: Text) -> tuple[XY, XY, XY, XY]:
    """Corners of the box that a line of writing takes [mm], counter-clockwise from its lower left."""
    width = text_width_mm(text.text, text.size_mm, bold=text.bold)
    begin = {"start": 0.0, "middle": -width / 2, "end": -width}[text.anchor]
    cos, sin = math.cos(math.radians(text.turn_deg)), math.sin(math.radians(text.turn_deg))

    def corner(along: float, over: float) -> XY:
        return text.at[0] + along * cos - over * sin, text.at[1] + along * sin + over * cos

    low, high = -_BELOW * text.size_mm, _ABOVE * text.size_mm
    return corner(begin, low), corner(begin + width, low), corner(begin + width, high), corner(begin, high)


def _texts(shapes: Iterable[Shape]) -> Iterator[Text]:
    for shape in shapes:
        if isinstance(shape, Text) and shape.text.strip():
            yield shape
        elif isinstance(shape, Clipped):
            yield from _texts(shape.shapes)


def _apart(a: tuple[XY, ...], b: tuple[XY, ...], slack_mm: float) -> bool:
    # two convex boxes are apart where one of their edges separates them
    for p, q in itertools.chain(zip(a, a[1:] + a[:1], strict=True), zip(b, b[1:] + b[:1], strict=True)):
        nx, ny = q[1] - p[1], p[0] - q[0]
        size = math.hypot(nx, ny)
        if size == 0:
            continue
        one = [(x * nx + y * ny) / size for x, y in a]
        two = [(x * nx + y * ny) / size for x, y in b]
        if max(one) - slack_mm <= min(two) or max(two) - slack_mm <= min(one):
            return True
    return False


def crowded(drawing: Drawing, slack_mm: float = 0.0, edge_mm: float = 0.0) -> list[str]:
    """What cannot be read in a drawing: writing over writing, or past the paper's edge.

    Parameters
    ----------
    drawing : Drawing
        A page or picture.
    slack_mm : float
        Boxes may reach this far into one another before it counts [mm].
    edge_mm : float
        Border of the paper that must stay free of writing [mm].

    Returns
    -------
    list of str
        One sentence each; empty when all can be read.
    """
    found = []
    boxes = [(t, text_corners(t)) for t in _texts(drawing.shapes)]
    for text, box in boxes:
        xs, ys = [p[0] for p in box], [p[1] for p in box]
        if (
            min(xs) < edge_mm - 1e-6
            or max(xs) > drawing.width_mm - edge_mm + 1e-6
            or min(ys) < edge_mm - 1e-6
            or max(ys) > drawing.height_mm - edge_mm + 1e-6
        ):
            found.append(f"{text.text!r} runs past the edge")
    # sorted by left edge, a box need only be held against those that begin before it ends
    spans = sorted(((min(p[0] for p in b), max(p[0] for p in b), t, b) for t, b in boxes), key=lambda s: s[0])
    for i, (_, right, text, box) in enumerate(spans):
        for left, _, other, other_box in spans[i + 1 :]:
            if left >= right:
                break
            if not _apart(box, other_box, slack_mm):
                found.append(f"{text.text!r} lies over {other.text!r}")
    return found
