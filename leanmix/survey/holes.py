"""Hole centres out of DXF and SVG drawings, in millimetres, with their layers and labels.

DXF: circles, full ellipses, rings of two arcs and polylines that close to a circle, blocks taken apart; a text
near a hole is its label. SVG: circles, ellipses and paths made of arcs alone, with all transforms; the label is
the element's own title, label or id, the layer its group's. SVG's y runs down and is turned up.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from leanmix.errors import FileTrouble
from leanmix.machine import printable, read_file
from leanmix.survey.hole import Hole

__all__ = ["read_holes"]

MAX_BYTES = 30 << 20
MOST_HOLES = 5000
# blocks within blocks multiply: this many entities are looked at, all blocks taken apart, and no more
MOST_ENTITIES = 30_000
MOST_LABEL = 80
# nothing of a small machine lies further out, or is smaller or larger than this [mm]
MOST_MM = 1e5
LEAST_HOLE_MM = 1e-3
# a label belongs to the hole within this many diameters of it, or this far [mm]
LABEL_DIAMETERS = 3.0
LABEL_MM = 8.0
# two outlines of one hole (chamfer, washer) share their centre this closely [mm]
SAME_MM = 0.01
# DXF header $INSUNITS to mm (DXF reference, from memory): inch, foot, mm, cm, m
DXF_UNITS = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0}


def read_holes(path: str | Path, unit_mm: float | None = None) -> tuple[Hole, ...]:
    """Every hole of a DXF or SVG file, largest y first, then by x.

    Parameters
    ----------
    path : str or Path
        Ends in .dxf or .svg.
    unit_mm : float or None
        Millimetres a drawing unit, where the file does not say or says it wrongly.

    Raises
    ------
    FileTrouble
        When the file cannot be read, is neither kind, is broken, or holds too much.
    """
    shown = str(path)
    kind = Path(shown).suffix.lower()
    if kind not in (".dxf", ".svg"):
        raise FileTrouble(f"{shown}: holes are read from .dxf and .svg.", "Export the drawing as one of these.")
    raw = read_file(path, MAX_BYTES, "30 MiB", "Export only the part with the holes.")
    if kind == ".dxf":
        holes = _dxf_holes(raw, shown, unit_mm)
    else:
        from leanmix.survey.svg import svg_holes

        holes = svg_holes(raw, shown, unit_mm)
    found: list[Hole] = []
    for hole in holes:
        if not (
            abs(hole.x_mm) <= MOST_MM and abs(hole.y_mm) <= MOST_MM and LEAST_HOLE_MM <= hole.diameter_mm <= MOST_MM
        ):
            continue
        if len(found) >= MOST_HOLES:
            raise _too_many(shown, "circles", MOST_HOLES)
        found.append(replace(hole, layer=printable(hole.layer, MOST_LABEL), label=printable(hole.label, MOST_LABEL)))
    return tuple(sorted(_merged(found), key=lambda h: (-round(h.y_mm, 3), round(h.x_mm, 3))))


def _too_many(shown: str, what: str, most: int) -> FileTrouble:
    return FileTrouble(f"{shown}: there are more than {most} {what} in it.", "Export only the part with the holes.")


def _merged(holes: list[Hole]) -> list[Hole]:
    out: list[Hole] = []
    for hole in sorted(holes, key=lambda h: h.diameter_mm):
        for i, other in enumerate(out):
            if math.hypot(hole.x_mm - other.x_mm, hole.y_mm - other.y_mm) < SAME_MM:
                out[i] = Hole(other.x_mm, other.y_mm, other.diameter_mm, other.layer, other.label or hole.label)
                break
        else:
            out.append(hole)
    return out


def _dxf_holes(raw: bytes, shown: str, unit_mm: float | None) -> Iterator[Hole]:
    import io

    import ezdxf
    from ezdxf import recover
    from ezdxf.lldxf.const import DXFError

    try:
        document, _ = recover.read(io.BytesIO(raw))
    except (
        DXFError,
        OSError,
        ValueError,
        LookupError,
        TypeError,
        AttributeError,
        ArithmeticError,
        RecursionError,
    ) as error:
        raise FileTrouble(
            f"{shown}: is no DXF drawing this can read.", "Export it again as DXF 2000 or later."
        ) from error
    if not isinstance(document, ezdxf.document.Drawing):
        raise FileTrouble(f"{shown}: is no DXF drawing.", "Export it again.")
    try:
        scale = unit_mm if unit_mm is not None else DXF_UNITS.get(int(document.header.get("$INSUNITS", 0) or 0), 1.0)
        circles, texts = _found(document.modelspace(), shown)
    except (DXFError, ValueError, ArithmeticError, TypeError, LookupError, AttributeError, RecursionError) as error:
        # a damaged entity fails anywhere in the library, in any of these ways
        raise FileTrouble(f"{shown}: something in the drawing is damaged.", "Export it again.") from error
    for x, y, r, layer in circles:
        label = _nearest(x, y, max(LABEL_DIAMETERS * 2 * r, LABEL_MM / scale), texts)
        yield Hole(x * scale, y * scale, 2 * r * scale, layer if layer != "0" else "", label)


def _found(space: Any, shown: str) -> tuple[list[tuple[float, float, float, str]], list[tuple[float, float, str]]]:
    """Circles with their layers, and texts with their places [drawing units]."""
    circles: list[tuple[float, float, float, str]] = []
    texts: list[tuple[float, float, str]] = []
    for entity in _flat(space, 0, itertools.count(1), shown):
        kind, layer = entity.dxftype(), str(entity.dxf.get("layer", ""))
        if kind in ("TEXT", "MTEXT", "ATTRIB"):
            words = entity.plain_text() if kind == "MTEXT" else str(entity.dxf.get("text", ""))
            at = entity.dxf.get("insert", None)
            if at is not None and words.strip():
                texts.append((at[0], at[1], words.strip()))
        elif (circle := _circle_of(entity, kind)) is not None:
            circles.append((*circle, layer))
        if max(len(circles), len(texts)) > MOST_HOLES:
            raise _too_many(shown, "circles or texts", MOST_HOLES)
    return circles, texts


def _nearest(x: float, y: float, reach: float, texts: list[tuple[float, float, str]]) -> str:
    near = [(math.hypot(tx - x, ty - y), words) for tx, ty, words in texts]
    best = min(near, default=(math.inf, ""))
    return best[1] if best[0] <= reach else ""


def _flat(space: Any, depth: int, looked_at: Iterator[int], shown: str) -> Iterator[Any]:
    """Entities with blocks taken apart, nested ones too, within reason."""
    from ezdxf.lldxf.const import DXFError

    for entity in space:
        if next(looked_at) > MOST_ENTITIES:
            raise _too_many(shown, "things", MOST_ENTITIES)
        if entity.dxftype() == "INSERT" and depth < 6:
            try:
                within = list(entity.virtual_entities())
            except (DXFError, ArithmeticError):  # a block drawn at no size at all
                continue
            yield from _flat(within, depth + 1, looked_at, shown)
            yield from entity.attribs
        else:
            yield entity


def _circle_of(entity: Any, kind: str) -> tuple[float, float, float] | None:
    dxf = entity.dxf
    if kind == "CIRCLE":
        centre = entity.ocs().to_wcs(dxf.center)
        return centre.x, centre.y, abs(dxf.radius)
    if kind == "ARC" and abs((dxf.end_angle - dxf.start_angle) % 360.0) < 1e-6:
        centre = entity.ocs().to_wcs(dxf.center)
        return centre.x, centre.y, abs(dxf.radius)
    if kind == "ELLIPSE" and abs(abs(dxf.end_param - dxf.start_param) - 2 * math.pi) < 1e-6:
        return dxf.center.x, dxf.center.y, dxf.major_axis.magnitude * min(dxf.ratio, 1.0)
    if kind == "LWPOLYLINE" and entity.closed:
        return _ring([(float(x), float(y), float(b)) for x, y, b in entity.get_points("xyb")])
    return None


def _ring(points: list[tuple[float, float, float]]) -> tuple[float, float, float] | None:
    """Centre and radius of a closed polyline whose every piece is an arc of one circle."""
    if len(points) < 2 or any(abs(b) < 1e-9 for *_, b in points):
        return None
    circles = []
    for (x0, y0, bulge), (x1, y1, _) in zip(points, [*points[1:], points[0]], strict=True):
        # bulge is the tangent of a quarter of the arc's angle (DXF reference, from memory)
        mx, my, dx, dy = (x0 + x1) / 2, (y0 + y1) / 2, x1 - x0, y1 - y0
        reach = (1 - bulge * bulge) / (4 * bulge)
        circles.append((mx - reach * dy, my + reach * dx, math.hypot(dx, dy) * (1 + bulge * bulge) / (4 * abs(bulge))))
    x, y, r = circles[0]
    same = all(math.hypot(cx - x, cy - y) < 1e-3 * r + 1e-9 and abs(cr - r) < 1e-3 * r + 1e-9 for cx, cy, cr in circles)
    turned = sum(4 * math.atan(b) for *_, b in points)
    return (x, y, r) if same and abs(abs(turned) - 2 * math.pi) < 1e-2 else None
