"""The shapes a drawing is made of. Every length is in mm on paper, y counts upwards."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["XY", "Anchor", "Circle", "Clipped", "Drawing", "Line", "Pen", "Polygon", "Polyline", "Shape", "Text"]

XY = tuple[float, float]
Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Pen:
    """How a line is drawn.

    Parameters
    ----------
    width_mm : float
        Line width.
    grey : float
        0 black to 1 white.
    dash_mm : tuple of float
        Lengths of stroke and gap in turn; empty for a full line.
    """

    width_mm: float = 0.25
    grey: float = 0.0
    dash_mm: tuple[float, ...] = ()


PEN = Pen()


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line; `layer` names what it shows (used by DXF and SVG)."""

    start: XY
    end: XY
    pen: Pen = PEN
    layer: str = ""


@dataclass(frozen=True, slots=True)
class Polyline:
    """An open chain of straight lines, two points at least."""

    points: tuple[XY, ...]
    pen: Pen = PEN
    layer: str = ""


@dataclass(frozen=True, slots=True)
class Polygon:
    """A closed outline; `fill` is a grey from 0 black to 1 white, `pen` or `fill` may be None."""

    points: tuple[XY, ...]
    pen: Pen | None = PEN
    fill: float | None = None
    layer: str = ""


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle; `fill` and `pen` as for `Polygon`."""

    centre: XY
    radius_mm: float
    pen: Pen | None = PEN
    fill: float | None = None
    layer: str = ""


@dataclass(frozen=True, slots=True)
class Text:
    """One line of writing.

    Parameters
    ----------
    at : XY
        Point on the baseline: its start, middle or end, as `anchor` says.
    text : str
        What to write.
    size_mm : float
        Size of the type (em); capitals are 0.73 of it high.
    anchor : str
        "start", "middle" or "end".
    turn_deg : float
        Direction of writing, counter-clockwise from level.
    bold : bool
        Bold face.
    grey : float
        0 black to 1 white.
    layer : str
        What it belongs to.
    """

    at: XY
    text: str
    size_mm: float = 3.0
    anchor: Anchor = "start"
    turn_deg: float = 0.0
    bold: bool = False
    grey: float = 0.0
    layer: str = ""


@dataclass(frozen=True, slots=True)
class Clipped:
    """Shapes of which only what lies inside a rectangle is shown (for tiles of a large drawing)."""

    lower_left: XY
    upper_right: XY
    shapes: tuple[Shape, ...]


Shape = Line | Polyline | Polygon | Circle | Text | Clipped


@dataclass(frozen=True, slots=True)
class Drawing:
    """One picture or page.

    Parameters
    ----------
    width_mm, height_mm : float
        Size of the paper.
    shapes : tuple of Shape
        In the order of drawing: later ones lie over earlier ones.
    title : str
        Name of the picture, for the file's own title.
    """

    width_mm: float
    height_mm: float
    shapes: tuple[Shape, ...]
    title: str = ""
