"""A drawing as PNG: drawn several times too large in greys, then reduced, so that thin lines stay smooth."""

from __future__ import annotations

import io
import itertools
import math
from functools import lru_cache

from PIL import Image, ImageDraw, ImageFont

from leanmix.drawing.font import font_file, writable
from leanmix.drawing.shapes import XY, Circle, Clipped, Drawing, Line, Pen, Polygon, Polyline, Shape, Text

__all__ = ["to_png"]

_MM_PER_INCH = 25.4
_PIXELS_MAX = 60_000_000  # of the large picture: 60 MB of greys


def to_png(drawing: Drawing, dpi: float = 150.0) -> bytes:
    """Draw as an 8-bit grey PNG.

    Parameters
    ----------
    drawing : Drawing
        What to draw.
    dpi : float
        Dots per inch, 10 to 1200; written into the file too.

    Raises
    ------
    ValueError
        When `dpi` is out of range or the picture would be larger than 60 million dots.
    """
    if not 10 <= dpi <= 1200:
        raise ValueError(f"dpi = {dpi:g} is not from 10 to 1200")
    wide = max(1, round(drawing.width_mm * dpi / _MM_PER_INCH))
    high = max(1, round(drawing.height_mm * dpi / _MM_PER_INCH))
    if wide * high > _PIXELS_MAX:
        raise ValueError(f"{wide} × {high} dots are too many; lower the dpi")
    times = max(1, min(4, math.isqrt(_PIXELS_MAX // (wide * high))))
    image = Image.new("L", (wide * times, high * times), 255)
    canvas = _Canvas(image, dpi * times / _MM_PER_INCH, drawing.height_mm)
    for shape in drawing.shapes:
        canvas.draw(shape)
    out = io.BytesIO()
    canvas.image.reduce(times).save(out, "PNG", dpi=(dpi, dpi), optimize=False)
    return out.getvalue()


def _tone(grey: float) -> int:
    return round(255 * min(max(grey, 0.0), 1.0))


@lru_cache(maxsize=64)
def _font(pixels: float, bold: bool) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(font_file(bold=bold)), pixels, layout_engine=ImageFont.Layout.BASIC)


def _dashes(points: list[XY], lengths: list[float]) -> list[list[XY]]:
    """Cut a chain of lines into its strokes; `lengths` are stroke and gap in turn, same unit as the points."""
    if len(lengths) % 2:
        lengths = lengths * 2
    strokes: list[list[XY]] = [[points[0]]]
    turn, left = 0, lengths[0]
    for a, b in itertools.pairwise(points):
        length, done = math.dist(a, b), 0.0
        while length - done > left:
            done += left
            x = a[0] + (b[0] - a[0]) * done / length
            y = a[1] + (b[1] - a[1]) * done / length
            if turn % 2 == 0:
                strokes[-1].append((x, y))
            else:
                strokes.append([(x, y)])
            turn += 1
            left = lengths[turn % len(lengths)]
        left -= length - done
        if turn % 2 == 0:
            strokes[-1].append(b)
    return [s for s in strokes if len(s) > 1]


class _Canvas:
    def __init__(self, image: Image.Image, dots_per_mm: float, height_mm: float) -> None:
        self.image = image
        self._pencil = ImageDraw.Draw(image)
        self._scale = dots_per_mm
        self._height = height_mm

    def _xy(self, p: XY) -> XY:
        return p[0] * self._scale, (self._height - p[1]) * self._scale

    def draw(self, s: Shape) -> None:
        if isinstance(s, Line):
            self._stroke([s.start, s.end], s.pen)
        elif isinstance(s, Polyline):
            self._stroke(list(s.points), s.pen)
        elif isinstance(s, Polygon):
            if s.fill is not None:
                self._pencil.polygon([self._xy(p) for p in s.points], fill=_tone(s.fill))
            if s.pen is not None:
                self._stroke([*s.points, s.points[0]], s.pen)
        elif isinstance(s, Circle):
            self._circle(s)
        elif isinstance(s, Text):
            self._write(s)
        else:
            self._clip(s)

    def _stroke(self, points: list[XY], pen: Pen) -> None:
        dots = [self._xy(p) for p in points]
        width = max(1, round(pen.width_mm * self._scale))
        # stroke and gap no shorter than a dot, or cutting would never end
        dash = [max(1.0, d * self._scale) for d in pen.dash_mm]
        for chain in _dashes(dots, dash) if dash else [dots]:
            self._pencil.line(chain, fill=_tone(pen.grey), width=width, joint="curve")

    def _circle(self, s: Circle) -> None:
        x, y = self._xy(s.centre)
        r = s.radius_mm * self._scale
        if s.fill is not None:
            self._pencil.ellipse((x - r, y - r, x + r, y + r), fill=_tone(s.fill))
        if s.pen is None:
            return
        if s.pen.dash_mm:
            turn = [2 * math.pi * i / 96 for i in range(97)]
            ring = [(s.centre[0] + s.radius_mm * math.cos(t), s.centre[1] + s.radius_mm * math.sin(t)) for t in turn]
            self._stroke(ring, s.pen)
            return
        width = max(1, round(s.pen.width_mm * self._scale))
        outer = r + width / 2
        self._pencil.ellipse((x - outer, y - outer, x + outer, y + outer), outline=_tone(s.pen.grey), width=width)

    def _write(self, s: Text) -> None:
        shown = writable(s.text)
        font = _font(round(max(1.0, s.size_mm * self._scale), 2), s.bold)
        side = {"start": "ls", "middle": "ms", "end": "rs"}[s.anchor]
        x, y = self._xy(s.at)
        if not s.turn_deg:
            self._pencil.text((x, y), shown, fill=_tone(s.grey), font=font, anchor=side)
            return
        # turned writing: on a square of its own with the pivot in its middle
        reach = int(font.getlength(shown) + 2 * s.size_mm * self._scale) + 2
        stencil = Image.new("L", (2 * reach, 2 * reach), 0)
        ImageDraw.Draw(stencil).text((reach, reach), shown, fill=255, font=font, anchor=side)
        turned = stencil.rotate(s.turn_deg, resample=Image.Resampling.BICUBIC)
        self.image.paste(_tone(s.grey), (round(x) - reach, round(y) - reach), turned)

    def _clip(self, s: Clipped) -> None:
        left, top = self._xy((s.lower_left[0], s.upper_right[1]))
        right, bottom = self._xy((s.upper_right[0], s.lower_left[1]))
        box = (max(0, round(left)), max(0, round(top)), round(right), round(bottom))
        apart = _Canvas(self.image.copy(), self._scale, self._height)
        for shape in s.shapes:
            apart.draw(shape)
        self.image.paste(apart.image.crop(box), box[:2])
