"""Drawings as the pages of a PDF: vectors to size, the typeface embedded."""

from __future__ import annotations

import io
from collections.abc import Sequence

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from leanmix import __version__
from leanmix.drawing import XY, Clipped, Drawing, Line, Pen, Polygon, Polyline, Shape, Text, font_file, writable

__all__ = ["to_pdf"]

_POINTS_PER_MM = 72 / 25.4
_FACES = {False: "LeanRegular", True: "LeanBold"}
_ROUND = 1


def to_pdf(pages: Sequence[Drawing], title: str, subject: str = "") -> bytes:
    """Write drawings as one PDF, a page each, 1 mm to 1 mm.

    Parameters
    ----------
    pages : sequence of Drawing
        At least one.
    title, subject : str
        For the file's own properties.

    Returns
    -------
    bytes
        The same pages give the same bytes: no date and no random number goes in.

    Raises
    ------
    ValueError
        When there is no page.
    """
    if not pages:
        raise ValueError("a PDF needs a page")
    for bold, name in _FACES.items():
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(font_file(bold=bold))))
    out = io.BytesIO()
    canvas = Canvas(out, invariant=1, pageCompression=1, initialFontName=_FACES[False])
    canvas.setTitle(writable(title))
    canvas.setSubject(writable(subject))
    canvas.setCreator(f"leanmix {__version__}")
    for page in pages:
        canvas.setPageSize((page.width_mm * _POINTS_PER_MM, page.height_mm * _POINTS_PER_MM))
        canvas.scale(_POINTS_PER_MM, _POINTS_PER_MM)
        canvas.setLineCap(_ROUND)
        canvas.setLineJoin(_ROUND)
        for shape in page.shapes:
            _draw(canvas, shape)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _draw(canvas: Canvas, s: Shape) -> None:
    if isinstance(s, Text):
        _write(canvas, s)
    elif isinstance(s, Clipped):
        canvas.saveState()
        window = canvas.beginPath()
        window.rect(*s.lower_left, s.upper_right[0] - s.lower_left[0], s.upper_right[1] - s.lower_left[1])
        canvas.clipPath(window, stroke=0, fill=0)
        for inner in s.shapes:
            _draw(canvas, inner)
        canvas.restoreState()
    elif isinstance(s, Line):
        _chain(canvas, (s.start, s.end), s.pen, None, closed=False)
    elif isinstance(s, Polyline):
        _chain(canvas, s.points, s.pen, None, closed=False)
    elif isinstance(s, Polygon):
        _chain(canvas, s.points, s.pen, s.fill, closed=True)
    else:
        stroke, fill = _tools(canvas, s.pen, s.fill)
        canvas.circle(*s.centre, s.radius_mm, stroke=stroke, fill=fill)


def _tools(canvas: Canvas, pen: Pen | None, fill: float | None) -> tuple[int, int]:
    if pen is not None:
        canvas.setLineWidth(pen.width_mm)
        canvas.setStrokeGray(pen.grey)
        canvas.setDash(list(pen.dash_mm))
    if fill is not None:
        canvas.setFillGray(fill)
    return int(pen is not None), int(fill is not None)


def _chain(canvas: Canvas, points: tuple[XY, ...], pen: Pen | None, fill: float | None, *, closed: bool) -> None:
    stroke, filled = _tools(canvas, pen, fill)
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    if closed:
        path.close()
    canvas.drawPath(path, stroke=stroke, fill=filled)


def _write(canvas: Canvas, s: Text) -> None:
    canvas.setFont(_FACES[s.bold], s.size_mm)
    canvas.setFillGray(s.grey)
    put = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}[s.anchor]
    if not s.turn_deg:
        put(*s.at, writable(s.text))
        return
    canvas.saveState()
    canvas.translate(*s.at)
    canvas.rotate(s.turn_deg)
    put(0, 0, writable(s.text))
    canvas.restoreState()
