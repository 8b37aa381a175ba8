"""Circles of an SVG drawing with all its transforms undone."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException
from defusedxml.ElementTree import fromstring

from leanmix.errors import FileTrouble
from leanmix.survey.hole import Hole

__all__ = ["svg_holes"]

# lengths that a CSS absolute unit stands for [mm] (CSS Values and Units, 6.2: 1 in = 96 px = 2.54 cm)
UNITS = {"mm": 1.0, "cm": 10.0, "in": 25.4, "pt": 25.4 / 72, "pc": 25.4 / 6, "px": 25.4 / 96, "": 25.4 / 96, "q": 0.25}
DEEPEST = 60
# longer attributes than any program writes for a circle; their patterns would be searched for ever
MOST_TEXT = 2000
INKSCAPE_LABEL = "{http://www.inkscape.org/namespaces/inkscape}label"
# affine: x' = a x + c y + e, y' = b x + d y + f
Affine = tuple[float, float, float, float, float, float]
SAME: Affine = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"


def svg_holes(raw: bytes, shown: str, unit_mm: float | None) -> Iterator[Hole]:
    """Circles of an SVG text; see `holes.read_holes`."""
    try:
        root = fromstring(raw, forbid_dtd=False, forbid_entities=True, forbid_external=True)
    except (ParseError, DefusedXmlException, ValueError, RecursionError) as error:
        raise FileTrouble(f"{shown}: is no SVG drawing this can read.", "Export it again as plain SVG.") from error
    if _name(root) != "svg":
        raise FileTrouble(f"{shown}: is no SVG drawing.", "Export it again as plain SVG.")
    yield from _walk(root, _page(root, unit_mm), "", 0)


def _name(element: Element) -> str:
    return element.tag.rsplit("}", 1)[-1] if isinstance(element.tag, str) else ""


def _length(text: str | None) -> tuple[float, str] | None:
    match = re.fullmatch(rf"\s*({NUMBER})\s*([a-zA-Z]*)\s*", (text or "")[:40])
    if match is None or match[2].lower() not in UNITS:
        return None
    return float(match[1]), match[2].lower()


def _page(root: Element, unit_mm: float | None) -> Affine:
    """From the drawing's own units to mm, y turned up."""
    box = [float(v) for v in re.findall(NUMBER, root.get("viewBox", "")[:MOST_TEXT])]
    width, height = _length(root.get("width")), _length(root.get("height"))
    x0, y0, wide, high = box if len(box) == 4 and box[2] > 0 and box[3] > 0 else (0.0, 0.0, 0.0, 0.0)
    if unit_mm is not None:
        scale = unit_mm
    elif width is not None and wide > 0:
        scale = width[0] * UNITS[width[1]] / wide
    else:
        # a user unit is a CSS pixel unless a view box says otherwise
        scale = UNITS["px"]
    bottom = y0 + high if high > 0 else (height[0] * UNITS[height[1]] / scale if height is not None else 0.0)
    return (scale, 0.0, 0.0, -scale, -scale * x0, scale * bottom)


def _times(m: Affine, n: Affine) -> Affine:
    a, b, c, d, e, f = m
    g, h, i, j, k, o = n
    return (a * g + c * h, b * g + d * h, a * i + c * j, b * i + d * j, a * k + c * o + e, b * k + d * o + f)


def _transform(text: str | None) -> Affine:
    out = SAME
    for name, inside in re.findall(r"(\w+)\s*\(([^)]*)\)", (text or "")[:MOST_TEXT]):
        v = [float(x) for x in re.findall(NUMBER, inside)]
        out = _times(out, _one(name, v))
    return out


def _one(name: str, v: list[float]) -> Affine:
    if name == "matrix" and len(v) == 6:
        return (v[0], v[1], v[2], v[3], v[4], v[5])
    if name == "translate" and v:
        return (1.0, 0.0, 0.0, 1.0, v[0], v[1] if len(v) > 1 else 0.0)
    if name == "scale" and v:
        return (v[0], 0.0, 0.0, v[1] if len(v) > 1 else v[0], 0.0, 0.0)
    if name == "rotate" and v:
        c, s = math.cos(math.radians(v[0])), math.sin(math.radians(v[0]))
        turn: Affine = (c, s, -s, c, 0.0, 0.0)
        if len(v) == 3:
            return _times(_times((1, 0, 0, 1, v[1], v[2]), turn), (1, 0, 0, 1, -v[1], -v[2]))
        return turn
    if name == "skewX" and v:
        return (1.0, 0.0, math.tan(math.radians(v[0])), 1.0, 0.0, 0.0)
    if name == "skewY" and v:
        return (1.0, math.tan(math.radians(v[0])), 0.0, 1.0, 0.0, 0.0)
    return SAME


def _label(element: Element) -> str:
    for child in element:
        if _name(child) == "title" and child.text and child.text.strip():
            return child.text.strip()
    return element.get(INKSCAPE_LABEL) or element.get("data-name") or element.get("id") or ""


def _walk(element: Element, m: Affine, layer: str, depth: int) -> Iterator[Hole]:
    if depth > DEEPEST:
        return
    for child in element:
        name = _name(child)
        if name in ("defs", "symbol", "clipPath", "mask", "pattern", "marker"):
            continue
        here = _times(m, _transform(child.get("transform")))
        if name in ("g", "svg", "a"):
            yield from _walk(child, here, _label(child) or layer, depth + 1)
            continue
        ring = _ring(child, name)
        if ring is None:
            continue
        x, y, rx, ry = ring
        a, b, c, d, e, f = here
        # the lengths of the two half-axes after the transform; the smaller is the hole
        size = min(math.hypot(a * rx, b * rx), math.hypot(c * ry, d * ry))
        if size > 0:
            yield Hole(a * x + c * y + e, b * x + d * y + f, 2 * size, layer, _label(child))


def _ring(element: Element, name: str) -> tuple[float, float, float, float] | None:
    def number(key: str) -> float:
        found = _length(element.get(key, "0"))
        # inside the drawing a length without unit is a user unit, one with a unit is that many CSS pixels
        return 0.0 if found is None else found[0] * (UNITS[found[1]] / UNITS["px"] if found[1] else 1.0)

    if name == "circle":
        return number("cx"), number("cy"), number("r"), number("r")
    if name == "ellipse":
        return number("cx"), number("cy"), number("rx"), number("ry")
    if name == "path":
        return _path_ring(element.get("d", ""))
    return None


def _path_ring(d: str) -> tuple[float, float, float, float] | None:
    """Centre and radii of a path that is one closed ring of arcs, as drawing programs write circles."""
    pieces = re.findall(r"([a-zA-Z])([^a-zA-Z]*)", d) if len(d) <= MOST_TEXT else []
    if not pieces or pieces[0][0] not in "mM" or any(p not in "mMaAzZ" for p, _ in pieces):
        return None
    start = [float(v) for v in re.findall(NUMBER, pieces[0][1])]
    if len(start) != 2:
        return None
    at, points, radii = (start[0], start[1]), [(start[0], start[1])], []
    for letter, inside in pieces[1:]:
        v = [float(x) for x in re.findall(NUMBER, inside)] if letter in "aA" else []
        if len(v) % 7:
            return None
        for k in range(0, len(v), 7):
            rx, ry, _, _, _, x, y = v[k : k + 7]
            at = (at[0] + x, at[1] + y) if letter == "a" else (x, y)
            points.append(at)
            radii.append((rx, ry))
    if len(radii) < 2 or any(
        abs(r[0] - radii[0][0]) + abs(r[1] - radii[0][1]) > 1e-6 * (radii[0][0] + 1) for r in radii
    ):
        return None
    if math.dist(points[0], points[-1]) > 1e-6 * (radii[0][0] + 1):
        return None
    ring = points[:-1]
    x, y = sum(p[0] for p in ring) / len(ring), sum(p[1] for p in ring) / len(ring)
    return x, y, radii[0][0], radii[0][1]
