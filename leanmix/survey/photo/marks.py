"""The card to print and hold beside the machine, and finding its marks in a picture to a fraction of a pixel.

Each mark is a disc of four quarters, two black: its middle is where the quarters meet, which neither blur nor
bow moves. The card has twelve of them round a rectangle, so that one click near each corner is enough: the
other eight are found by themselves and tell the lens's bow.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from leanmix.drawing import Circle, Drawing, Line, Polygon, Text
from leanmix.survey.photo.camera import CardMark, PictureTrouble
from leanmix.survey.photo.lens import Lens, project

__all__ = ["CARD_MM", "MARK_MM", "card_drawing", "card_marks_mm", "find_mark", "find_rest"]

Array = NDArray[np.float64]
Finder = Callable[[tuple[float, float], float], tuple[float, float, float] | None]

# between the middles of the corner marks
CARD_MM = (180.0, 120.0)
MARK_MM = 10.0
COLUMNS, ROWS = 4, 4
MARGIN_MM = 15.0


def card_marks_mm(card_mm: tuple[float, float] = CARD_MM) -> Array:
    """Middles of the twelve marks [mm], shape (12, 2): the four corners first, as they are numbered, then the rest.

    Parameters
    ----------
    card_mm : tuple of float
        Width and height between the corner marks, as measured on the print.
    """
    w, h = card_mm
    corners = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)]
    ring = [
        (w * i / (COLUMNS - 1), h * j / (ROWS - 1))
        for j in range(ROWS)
        for i in range(COLUMNS)
        if (i in (0, COLUMNS - 1)) != (j in (0, ROWS - 1))
    ]
    return np.array(corners + ring)


def card_drawing() -> Drawing:
    """The card as a drawing on paper, to be printed at full size on A4 and checked with calipers."""
    w, h = CARD_MM
    shapes: list[Circle | Line | Polygon | Text] = []
    for n, (x, y) in enumerate(card_marks_mm() + MARGIN_MM):
        shapes.append(Circle((float(x), float(y)), MARK_MM / 2))
        for start in (0, 180):
            arc = [start + 90 * k / 12 for k in range(13)]
            edge = [(float(x + MARK_MM / 2 * math.cos(math.radians(a))), float(y + MARK_MM / 2 * math.sin(math.radians(a)))) for a in arc]  # fmt: skip
            shapes.append(Polygon(((float(x), float(y)), *edge), pen=None, fill=0.0))
        if n < 4:
            side = 1 if n in (0, 3) else -1
            shapes.append(Text((float(x) + side * 9, float(y) - 2), str(n + 1), 6, "start" if side > 0 else "end"))
    middle = MARGIN_MM + w / 2
    lines = (
        "leanmix card: print at full size, glue on something flat and stiff.",
        f"Measure mark 1 to mark 2 ({w:g} mm) and mark 1 to mark 4 ({h:g} mm) and give what you find.",
        "Hold it in the plane of the pins, beside or behind the machine. Do not crop the picture.",
    )
    for k, line in enumerate(lines):
        shapes.append(Text((middle, MARGIN_MM + h / 2 + 6 - 6 * k), line, 3.2, anchor="middle"))
    return Drawing(w + 2 * MARGIN_MM, h + 2 * MARGIN_MM, tuple(shapes), "card")


def find_mark(grey: Array, near_px: tuple[float, float], radius_px: float) -> tuple[float, float, float] | None:
    """Middle of a mark near a click.

    The point p that all grey-level edges round it run through: Σ g gᵀ (p − q) = 0 over the pixels q with
    gradient g (Förstner & Gülch, ISPRS Intercommission Workshop, 1987, from memory).

    Parameters
    ----------
    grey : ndarray, shape (height, width)
        Grey levels, 0 to 255.
    near_px : tuple of float
        Where it was clicked, from the upper left corner.
    radius_px : float
        Radius of the mark in the picture.

    Returns
    -------
    tuple of float or None
        x, y and σ [px]; None where no such mark is near.
    """
    window = max(0.55 * radius_px, 3.0)
    x, y = near_px
    for _ in range(12):
        found = _edge_meeting(grey, x, y, window)
        if found is None or math.hypot(found[0] - near_px[0], found[1] - near_px[1]) > 0.8 * radius_px:
            return None
        move = math.hypot(found[0] - x, found[1] - y)
        x, y = found[0], found[1]
        if move < 0.01:
            break
    # what is left after convergence: read-out noise and pixel steps, seen on rendered cards as 0.05 to 0.2 px
    return x, y, 0.2


def _edge_meeting(grey: Array, x: float, y: float, window: float) -> tuple[float, float] | None:
    half = math.ceil(window) + 2
    x0, y0 = math.floor(x - 0.5) - half, math.floor(y - 0.5) - half
    size = 2 * half + 2
    if x0 < 0 or y0 < 0 or x0 + size > grey.shape[1] or y0 + size > grey.shape[0]:
        return None
    patch = grey[y0 : y0 + size, x0 : x0 + size].astype(np.float64)
    gy, gx = np.gradient(patch)
    # pixel middles lie at half steps
    px, py = np.meshgrid(np.arange(size) + x0 + 0.5, np.arange(size) + y0 + 0.5)
    weight = np.exp(-(((px - x) ** 2 + (py - y) ** 2) / (2 * (window / 2) ** 2)))
    weight[(px - x) ** 2 + (py - y) ** 2 > window**2] = 0.0
    xx, yy, xy = (weight * gx * gx).sum(), (weight * gy * gy).sum(), (weight * gx * gy).sum()
    if xx * yy - xy * xy < 0.02 * (xx + yy) ** 2 or np.ptp(patch) < 30:
        return None
    right = np.array([(weight * (gx * gx * px + gx * gy * py)).sum(), (weight * (gx * gy * px + gy * gy * py)).sum()])
    at = np.linalg.solve(np.array([[xx, xy], [xy, yy]]), right)
    return float(at[0]), float(at[1])


def find_rest(find: Finder, corners: tuple[CardMark, ...], lens: Lens, card_mm: tuple[float, float]) -> tuple[CardMark, ...]:  # fmt: skip
    """The other eight marks of the printed card, found from where its corners put them.

    Parameters
    ----------
    find : callable
        Place and radius [px] to x, y and σ [px], or None: `find_mark` on some picture.
    corners : tuple of CardMark
        The four corners.
    lens : Lens
        Homography from the corners alone.
    card_mm : tuple of float
        Size of the card.

    Returns
    -------
    tuple of CardMark
        Those that were found, possibly none (another card, or hidden behind the machine).

    Raises
    ------
    PictureTrouble
        When there are not four corners.
    """
    if len(corners) != 4:
        raise PictureTrouble("the card needs its four corner marks.", "Click them in the order of their numbers.")
    plane = card_marks_mm(card_mm)
    guess = project(lens, plane)
    found = []
    for (x_mm, y_mm), (x, y) in zip(plane[4:], guess[4:], strict=True):
        radius = mark_radius_px(lens, (float(x_mm), float(y_mm)))
        if hit := find((float(x), float(y)), radius):
            found.append(CardMark(float(x_mm), float(y_mm), hit[0], hit[1], hit[2]))
    return tuple(found)


def mark_radius_px(lens: Lens, at_mm: tuple[float, float]) -> float:
    """Radius of a mark in the picture at a place of the card."""
    a, b = project(lens, np.array([at_mm, (at_mm[0] + MARK_MM / 2, at_mm[1])]))
    return float(np.hypot(*(b - a)))
