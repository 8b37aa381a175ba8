"""A drawing as SVG, in mm, one group for each run of shapes of a layer."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from html import escape

from leanmix.drawing.font import text_width_mm, writable
from leanmix.drawing.shapes import XY, Clipped, Drawing, Line, Pen, Polygon, Polyline, Shape, Text

__all__ = ["to_svg"]

_FONT = "'Bitstream Vera Sans','DejaVu Sans',Verdana,sans-serif"


def to_svg(drawing: Drawing) -> str:
    """Write a drawing as SVG 1.1 text: one user unit is 1 mm, with plain layer names as group ids."""
    w, h = _n(drawing.width_mm), _n(drawing.height_mm)
    writer = _Writer(drawing.height_mm)
    body = "\n".join(writer.runs(drawing.shapes))
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}">\n'
        f"<title>{escape(writable(drawing.title))}</title>\n"
        f'<rect width="{w}" height="{h}" fill="#ffffff"/>\n{body}\n</svg>\n'
    )


def _n(value: float) -> str:
    return f"{round(value, 4) + 0.0:g}" if abs(value) < 1e4 else f"{value:.3f}"


def _tone(grey: float) -> str:
    level = round(255 * min(max(grey, 0.0), 1.0))
    return f"#{level:02x}{level:02x}{level:02x}"


def _pen(pen: Pen | None) -> str:
    if pen is None:
        return 'stroke="none"'
    dash = f' stroke-dasharray="{" ".join(map(_n, pen.dash_mm))}"' if pen.dash_mm else ""
    return (
        f'stroke="{_tone(pen.grey)}" stroke-width="{_n(pen.width_mm)}" '
        f'stroke-linecap="round" stroke-linejoin="round"{dash}'
    )


class _Writer:
    def __init__(self, height_mm: float) -> None:
        self._height = height_mm
        self._clips = itertools.count(1)
        self._ids: set[str] = set()

    def runs(self, shapes: tuple[Shape, ...]) -> Iterator[str]:
        for layer, run in itertools.groupby(shapes, key=lambda s: getattr(s, "layer", "")):
            rows = "\n".join(self._shape(s) for s in run)
            if not layer:
                yield rows
                continue
            name = re.sub(r"[^A-Za-z0-9_-]+", "-", layer)
            once = "" if name in self._ids else f' id="{name}"'
            self._ids.add(name)
            yield f'<g{once} class="{name}">\n{rows}\n</g>'

    def _xy(self, p: XY) -> str:
        return f"{_n(p[0])},{_n(self._height - p[1])}"

    def _shape(self, s: Shape) -> str:
        if isinstance(s, Line):
            return self._path((s.start, s.end), s.pen)
        if isinstance(s, Polyline):
            return self._path(s.points, s.pen)
        if isinstance(s, Clipped):
            return self._clipped(s)
        if isinstance(s, Text):
            return self._text(s)
        fill = "none" if s.fill is None else _tone(s.fill)
        if isinstance(s, Polygon):
            return f'<polygon points="{" ".join(map(self._xy, s.points))}" fill="{fill}" {_pen(s.pen)}/>'
        x, y = s.centre[0], self._height - s.centre[1]
        return f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(s.radius_mm)}" fill="{fill}" {_pen(s.pen)}/>'

    def _path(self, points: tuple[XY, ...], pen: Pen) -> str:
        return f'<polyline points="{" ".join(map(self._xy, points))}" fill="none" {_pen(pen)}/>'

    def _text(self, s: Text) -> str:
        x, y = s.at[0], self._height - s.at[1]
        shown = writable(s.text)
        # the width is stated, so that a viewer without the face still keeps each line in its place
        width = text_width_mm(s.text, s.size_mm, bold=s.bold)
        turn = f' transform="rotate({_n(-s.turn_deg)} {_n(x)} {_n(y)})"' if s.turn_deg else ""
        anchor = f' text-anchor="{s.anchor}"' if s.anchor != "start" else ""
        weight = ' font-weight="bold"' if s.bold else ""
        length = f' textLength="{_n(width)}" lengthAdjust="spacingAndGlyphs"' if width > 0 else ""
        return (
            f'<text x="{_n(x)}" y="{_n(y)}" font-family="{_FONT}" font-size="{_n(s.size_mm)}"'
            f'{weight}{anchor}{length} fill="{_tone(s.grey)}"{turn}>{escape(shown)}</text>'
        )

    def _clipped(self, s: Clipped) -> str:
        name = f"clip{next(self._clips)}"
        x, y = s.lower_left[0], self._height - s.upper_right[1]
        w, h = s.upper_right[0] - s.lower_left[0], s.upper_right[1] - s.lower_left[1]
        inner = "\n".join(self.runs(s.shapes))
        return (
            f'<clipPath id="{name}"><rect x="{_n(x)}" y="{_n(y)}" width="{_n(w)}" height="{_n(h)}"/></clipPath>\n'
            f'<g clip-path="url(#{name})">\n{inner}\n</g>'
        )
