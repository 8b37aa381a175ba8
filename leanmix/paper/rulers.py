"""Scale bar, check lines that show how far a printer is off, and tiles of a drawing larger than the paper."""

from __future__ import annotations

import math
from collections.abc import Sequence

from leanmix.drawing import XY, Clipped, Drawing, Line, Pen, Polygon, Shape, Text, moved, text_corners
from leanmix.paper.flow import MARGIN_MM, Block, Paper, figure, fitted

__all__ = ["CHECK_MM", "check_line", "scale_bar", "scale_block", "tiled"]

CHECK_MM = 150.0
_INK = Pen(0.25)
_FINE = Pen(0.12)
_CUT = Pen(0.12, 0.4, (2.0, 1.5))
# printers rarely miss by more
_OFF_PERCENT = (-2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0)


def scale_bar(length_mm: int = 100) -> tuple[Shape, ...]:
    """A bar of 10 mm fields from (0, 0) to (length, 4), numbered above."""
    shapes: list[Shape] = []
    for at in range(0, length_mm, 10):
        box = ((at, 0.0), (at + 10.0, 0.0), (at + 10.0, 4.0), (at, 4.0))
        shapes.append(Polygon(box, _INK, 0.0 if (at // 10) % 2 == 0 else None, "scale"))
    for at in range(0, length_mm + 1, 10):
        unit = " mm" if at == length_mm else ""
        shapes.append(Text((float(at), 5.2), f"{at}{unit}", 2.4, "middle", layer="scale"))
    return tuple(shapes)


def check_line(length_mm: float = CHECK_MM, *, upright: bool = False) -> tuple[Shape, ...]:
    """A line to lay a ruler on, from (0, 0); where the ruler's own mark for `length_mm` falls, the scale names the error.

    A print that is e too large puts the place p of the drawing at p(1 + e) on the ruler, so the mark for e stands at
    length / (1 + e). Marks 0.5 % apart, from −2 % to 2 %, long ones for whole percents.
    """
    reach = length_mm / (1 + _OFF_PERCENT[0] / 100) + 4
    shapes: list[Shape] = [
        Line((0.0, 0.0), (reach, 0.0), _INK, "scale"),
        Line((0.0, -4.0), (0.0, 4.0), _INK, "scale"),
    ]
    for off in _OFF_PERCENT:
        at = length_mm / (1 + off / 100)
        tall = 6.0 if off == 0 else 3.6 if off == int(off) else 2.0
        shapes.append(Line((at, 0.0), (at, tall), _FINE if off else _INK, "scale"))
        if off in (-2, 0, 2):
            sign = f"{off:+g} %" if off else "exact"
            side = {-2.0: "start", 2.0: "end"}.get(off, "middle")
            shapes.append(Text((at, tall + 1.0), sign.replace("-", "−"), 2.2, side, layer="scale"))  # type: ignore[arg-type]
    return tuple(map(_upright, shapes)) if upright else tuple(shapes)


def _upright(shape: Shape) -> Shape:
    """Turned a quarter counter-clockwise about the origin."""
    if isinstance(shape, Line):
        return Line((-shape.start[1], shape.start[0]), (-shape.end[1], shape.end[0]), shape.pen, shape.layer)
    if isinstance(shape, Text):
        at = (-shape.at[1], shape.at[0])
        return Text(at, shape.text, shape.size_mm, shape.anchor, 90.0, shape.bold, shape.grey, shape.layer)
    raise TypeError(f"{type(shape).__name__} is not turned")


def scale_block() -> Block:
    """Scale bar and level check line with how to read them, as a block for a page."""
    words = (
        "Print at 100 %, not fitted to the page. Lay a ruler's 0 on the left end of the thin line:",
        f"where the ruler shows {CHECK_MM:g} mm, read how far the printer is off. More than 0.5 %: do not drill from it.",
    )
    shapes: list[Shape] = [moved(s, 4, 26) for s in scale_bar()]
    shapes += [moved(s, 4, 12) for s in check_line()]
    shapes += [Text((4, 4.2 - 3.4 * i), line, 2.4) for i, line in enumerate(words)]
    return figure(shapes, 35.0)


def tiled(
    shapes: Sequence[Shape], width_mm: float, height_mm: float, paper: Paper, title: str, foot: str
) -> tuple[Drawing, ...]:
    """Cut a drawing to sheets that overlap by 10 mm, each with its place in the whole, cut lines and check lines.

    Parameters
    ----------
    shapes : sequence of Shape
        The drawing, to size, on (0, 0) … (width, height).
    width_mm, height_mm : float
        Size of the whole.
    paper : Paper
        Sheets; turned on their side where that takes fewer.
    title, foot : str
        Head and foot of each sheet.

    Returns
    -------
    tuple of Drawing
        Row by row from the upper left.
    """
    edge, lap = MARGIN_MM - 5, 10.0
    head, foot_room, side_room = 12.0, 20.0, 14.0

    def count(wide: float, high: float) -> tuple[int, int, float, float]:
        room_x, room_y = wide - 2 * edge - side_room, high - 2 * edge - head - foot_room
        across = max(1, math.ceil((width_mm - lap - 1e-9) / (room_x - lap)))
        down = max(1, math.ceil((height_mm - lap - 1e-9) / (room_y - lap)))
        return across, down, room_x, room_y

    wide, high = paper.width_mm, paper.height_mm
    if math.prod(count(high, wide)[:2]) < math.prod(count(wide, high)[:2]):
        wide, high = high, wide
    across, down, room_x, room_y = count(wide, high)
    sheets = []
    for row in range(down):
        for column in range(across):
            left, top = column * (room_x - lap), height_mm - row * (room_y - lap)
            x0, y0 = edge + side_room, edge + foot_room
            corners = (x0, y0), (x0 + room_x, y0 + room_y)
            placed = (moved(s, x0 - left, y0 + room_y - top) for s in shapes)
            window = Clipped(*corners, tuple(s for s in placed if not isinstance(s, Text) or _whole(s, *corners)))
            place = f"sheet {row * across + column + 1} of {across * down}"
            if across * down > 1:
                place += f" (row {row + 1}, column {column + 1}; overlap {lap:g} mm)"
            lines = _cut_lines(x0, y0, room_x, room_y, lap, (column > 0, column < across - 1, row < down - 1, row > 0))
            sheets.append(
                Drawing(
                    wide,
                    high,
                    (
                        window,
                        *lines,
                        Text((edge, high - edge - 3), fitted(title, wide - 2 * edge, 3.0, bold=True), 3.0, bold=True),
                        Text((edge, high - edge - 8), fitted(f"{place} · {foot}", wide - 2 * edge, 2.4), 2.4),
                        *(moved(s, x0, edge + 7) for s in check_line()),
                        Text((x0, edge + 0.5), _CHECK_WORDS, 2.2),
                        *(moved(s, edge + 8, y0) for s in check_line(upright=True)),
                    ),
                    f"{title}, {place}",
                )
            )
    return tuple(sheets)


def _whole(text: Text, lower_left: XY, upper_right: XY) -> bool:
    """Whether writing lies on the sheet uncut; what does not is on the neighbour."""
    return all(
        lower_left[0] <= x <= upper_right[0] and lower_left[1] <= y <= upper_right[1] for x, y in text_corners(text)
    )


_CHECK_WORDS = f"Print at 100 %. Ruler's 0 at the end of each thin line: where it shows {CHECK_MM:g} mm, read how far off the print is."


def _cut_lines(
    x0: float, y0: float, wide: float, high: float, lap: float, shared: tuple[bool, bool, bool, bool]
) -> list[Shape]:
    """Dashed lines half-way through each overlap: cut one sheet there and lay it on its neighbour's line."""
    left, right, below, above = shared
    out: list[Shape] = []
    if left:
        out.append(Line((x0 + lap / 2, y0), (x0 + lap / 2, y0 + high), _CUT))
    if right:
        out.append(Line((x0 + wide - lap / 2, y0), (x0 + wide - lap / 2, y0 + high), _CUT))
    if below:
        out.append(Line((x0, y0 + lap / 2), (x0 + wide, y0 + lap / 2), _CUT))
    if above:
        out.append(Line((x0, y0 + high - lap / 2), (x0 + wide, y0 + high - lap / 2), _CUT))
    return out
