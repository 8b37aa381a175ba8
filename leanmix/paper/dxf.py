"""Drawings for CAD: DXF in mm, layers named as in the drawing, through ezdxf."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import TYPE_CHECKING

from leanmix import __version__
from leanmix.drawing import Circle, Clipped, Line, Pen, Polygon, Shape, Text, writable

if TYPE_CHECKING:
    from ezdxf.layouts.layout import Modelspace

__all__ = ["to_dxf"]

_MM = 4
_CAPITALS = 0.729
_ALIGN = {"start": "LEFT", "middle": "CENTER", "end": "RIGHT"}


def to_dxf(shapes: Iterable[Shape], remarks: Iterable[str] = ()) -> str:
    """Write shapes as DXF (release 2010) text, 1 unit = 1 mm.

    Parameters
    ----------
    shapes : iterable of Shape
        Fills are left out; so is what a `Clipped` cuts away, which is written whole.
    remarks : iterable of str
        Comment lines at the top: what it is, for which machine.
    """
    # imported only here: it is slow to load, and most commands draw no DXF
    from ezdxf.filemanagement import new

    document = new("R2010", setup=["linetypes"], units=_MM)
    document.header["$MEASUREMENT"] = 1
    document.header["$LTSCALE"] = 0.1  # ezdxf's own patterns are made for drawings in inches times ten
    space = document.modelspace()
    for shape in shapes:
        _add(space, shape)
    for name in {e.dxf.layer for e in space} - {layer.dxf.name for layer in document.layers}:
        document.layers.add(name)
    out = io.StringIO()
    document.write(out)
    notes = "".join(f"999\n{writable(r)}\n" for r in (f"leanmix {__version__}, mm", *remarks))
    return notes + out.getvalue()


def _attributes(layer: str, pen: Pen | None) -> dict[str, object]:
    # line weights of DXF are hundredths of a mm from a fixed row; the nearest of those we use
    weight = min((13, 18, 25, 35, 50, 70, 90), key=lambda w: abs(w / 100 - pen.width_mm)) if pen else 18
    kind = "CONTINUOUS" if pen is None or not pen.dash_mm else "DASHED" if len(pen.dash_mm) == 2 else "CENTER"
    return {"layer": layer or "drawing", "lineweight": weight, "linetype": kind}


def _add(space: Modelspace, s: Shape) -> None:
    if isinstance(s, Clipped):
        for inner in s.shapes:
            _add(space, inner)
    elif isinstance(s, Text):
        from ezdxf.enums import TextEntityAlignment

        text = space.add_text(
            writable(s.text),
            height=s.size_mm * _CAPITALS,
            rotation=s.turn_deg,
            dxfattribs={"layer": s.layer or "drawing"},
        )
        text.set_placement(s.at, align=TextEntityAlignment[_ALIGN[s.anchor]])
    elif isinstance(s, Line):
        space.add_line(s.start, s.end, dxfattribs=_attributes(s.layer, s.pen))
    elif isinstance(s, Circle):
        space.add_circle(s.centre, s.radius_mm, dxfattribs=_attributes(s.layer, s.pen))
    elif isinstance(s, Polygon):
        space.add_lwpolyline(s.points, close=True, dxfattribs=_attributes(s.layer, s.pen))
    else:
        space.add_lwpolyline(s.points, dxfattribs=_attributes(s.layer, s.pen))
