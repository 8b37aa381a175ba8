"""The labelled drawing of the points, as on paper, for the terminal."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from leanmix.drawing import Circle, Line, Text
from leanmix.screens.sketch import Sketch, Window

if TYPE_CHECKING:
    from leanmix.machine import Machine

__all__ = ["labelled_sketch"]

# right of this the sheet lists the points' names, which a terminal shows elsewhere [mm on the sheet]
LIST_FROM_MM = 118.0


def labelled_sketch(machine: Machine, named: Collection[str], columns: int, rows: int) -> tuple[Sketch, Window]:
    """Strokes and letters of `leanmix.survey.points_drawing`, without its list of names.

    Parameters
    ----------
    machine : Machine
        What is drawn.
    named : collection of str
        Letters to stand out.
    columns, rows : int
        Cells there are for it: letters that would fall on one cell stand side by side.
    """
    from leanmix.survey import points_drawing

    drawing = points_drawing(machine)
    sketch = Sketch()
    for shape in drawing.shapes:
        if isinstance(shape, Line) and shape.start[0] < LIST_FROM_MM:
            faint = shape.pen.width_mm < 0.2
            heavy = shape.pen.width_mm >= 0.5
            sketch.line(shape.start, shape.end, "ghost" if faint else "metal" if heavy else "ground")
        elif isinstance(shape, Circle):
            sketch.circle(shape.centre, shape.radius_mm, "metal")
    window = Window(0.0, LIST_FROM_MM, 0.0, drawing.height_mm)
    dot_mm = window.per_dot(columns, rows)
    taken: set[tuple[int, int]] = set()
    for shape in drawing.shapes:
        if isinstance(shape, Text) and shape.at[0] < LIST_FROM_MM:
            letter = len(shape.text) == 1
            x, y = shape.at[0], shape.at[1] + (1.3 if letter else 0.0)
            while letter and (round(x / (2 * dot_mm)), round(y / (4 * dot_mm))) in taken:
                x += 2 * dot_mm
            taken.add((round(x / (2 * dot_mm)), round(y / (4 * dot_mm))))
            ink = "chosen" if shape.text in named else "strong" if letter else "faint"
            sketch.mark(x, y, shape.text, ink)
    return sketch, window
