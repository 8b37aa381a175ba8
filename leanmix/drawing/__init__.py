"""Line drawings in mm: frozen shapes, made once, written as SVG or PNG (and by `leanmix.paper` as PDF or DXF).

Origin at the lower left corner, x to the right, y up, all in mm on paper. Black line work and greys only, so
that every picture reads in black and white.
"""

from leanmix.drawing.braille import Raster
from leanmix.drawing.chart import Series, chart, nice_ticks
from leanmix.drawing.font import font_file, text_width_mm, writable
from leanmix.drawing.layout import crowded, moved, text_corners
from leanmix.drawing.png import to_png
from leanmix.drawing.shapes import XY, Anchor, Circle, Clipped, Drawing, Line, Pen, Polygon, Polyline, Shape, Text
from leanmix.drawing.svg import to_svg

__all__ = [
    "XY",
    "Anchor",
    "Circle",
    "Clipped",
    "Drawing",
    "Line",
    "Pen",
    "Polygon",
    "Polyline",
    "Raster",
    "Series",
    "Shape",
    "Text",
    "chart",
    "crowded",
    "font_file",
    "moved",
    "nice_ticks",
    "text_corners",
    "text_width_mm",
    "to_png",
    "to_svg",
    "writable",
]
