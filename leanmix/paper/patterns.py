"""Patterns to size: servo arm, link with its rod, test-fit gauge, and the hole centres they share with CAD."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from leanmix.drawing import XY, Circle, Line, Pen, Polygon, Shape, Text, moved, text_width_mm
from leanmix.linkage import SIDES, SideGeometry, SideName, side_geometry
from leanmix.machine import CAP_SCREWS, MachineFile, rod_fit, values
from leanmix.paper.front_view import rounded_outline

__all__ = [
    "GAUGE_STEPS_MM",
    "Hole",
    "Pattern",
    "arm_pattern",
    "gauge_pattern",
    "holes_of",
    "link_pattern",
    "mount_pattern",
]

_INK = Pen(0.3)
_FINE = Pen(0.12)
_AXIS = Pen(0.12, 0.3, (4.0, 1.0, 0.6, 1.0))
_SMALL = 2.5
GAUGE_STEPS_MM = (-0.1, 0.0, 0.1, 0.2, 0.3)


@dataclass(frozen=True, slots=True)
class Pattern:
    """A part's pattern to size.

    Attributes
    ----------
    name : str
        What it is.
    width_mm, height_mm : float
        Room it takes; shapes lie on (0, 0) … (width, height).
    shapes : tuple of Shape
        Layers "outline", "holes", "axes", "sizes".
    """

    name: str
    width_mm: float
    height_mm: float
    shapes: tuple[Shape, ...]


@dataclass(frozen=True, slots=True)
class Hole:
    """A hole to drill: place on its part [mm], size, and what for."""

    part: str
    at: XY
    diameter_mm: float
    what: str


def _cross(at: XY, reach: float) -> list[Shape]:
    x, y = at
    return [
        Line((x - reach, y), (x + reach, y), _FINE, "axes"),
        Line((x, y - reach), (x, y + reach), _FINE, "axes"),
    ]


def _size(x0: float, x1: float, y: float, text: str, drop: float = 0.0, *, left: bool = False) -> list[Shape]:
    """A dimension line with its text above, or beside it (`left` or right) where it is short.

    `drop` is how far down the end ticks reach.
    """
    out: list[Shape] = [Line((x0, y), (x1, y), _FINE, "sizes")]
    for x in (x0, x1):
        out.append(Line((x, y - drop - 1.2), (x, y + 1.2), _FINE, "sizes"))
        out.append(Line((x - 0.8, y - 0.8), (x + 0.8, y + 0.8), _INK, "sizes"))
    if text_width_mm(text, _SMALL) > x1 - x0 - 1.0:
        out.append(
            Text((x0 - 2.0, y - 0.9), text, _SMALL, "end", layer="sizes")
            if left
            else Text((x1 + 2.0, y - 0.9), text, _SMALL, layer="sizes")
        )
    else:
        out.append(Text(((x0 + x1) / 2, y + 1.0), text, _SMALL, "middle", layer="sizes"))
    return out


def _mm(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") + " mm"


def _bar(x0: float, x1: float, y: float, radius: float) -> tuple[XY, ...]:
    """Outline of a rounded bar lying level."""
    turn = [math.pi * i / 24 for i in range(25)]
    right = [(x1 + radius * math.sin(t), y + radius * math.cos(t)) for t in turn]
    left = [(x0 - radius * math.sin(t), y - radius * math.cos(t)) for t in turn]
    return tuple(right + left)


def _ball_screw(source: MachineFile) -> str:
    """Thread of the link ball's screw on the arm: of the first screw that names the arm, else M3."""
    named = [s.thread for s in source.machine.screws if "arm" in s.name.lower()]
    return named[0] if named else "M3"


def arm_pattern(source: MachineFile) -> tuple[Pattern, ...]:
    """Servo arm(s) with hole centres: one double arm, or an arm for each side that differs."""
    m = source.machine
    thread = _ball_screw(source)
    left, right = m.left.arm.radius_mm.at, m.right.arm.radius_mm.at
    if m.servo.arrangement == "double_arm":
        return (_arm("servo arm, double", thread, (-left, right), "seen from behind"),)
    if left == right:
        return (_arm("servo arm, make two", thread, (left,), "from the axis outwards"),)
    return (
        _arm("servo arm, left", thread, (left,), "from the axis outwards"),
        _arm("servo arm, right", thread, (right,), "from the axis outwards"),
    )


def _arm(name: str, thread: str, ends: Sequence[float], view: str) -> Pattern:
    hole = CAP_SCREWS[thread].hole_fine_mm
    half = max(4.0, hole)
    low, high = min(0.0, *ends), max(0.0, *ends)
    x, y = 18.0 - low, 9.0 + half
    at = [x + end for end in ends]
    shapes: list[Shape] = [
        Polygon(_bar(x + low, x + high, y, half), _INK, None, "outline"),
        Line((x + low - half - 4, y), (x + high + half + 4, y), _AXIS, "axes"),
    ]
    for centre in at:
        shapes += [Circle((centre, y), hole / 2, _INK, None, "holes"), *_cross((centre, y), hole / 2 + 1.5)]
    # the spline's boss: cut from a bought horn, so only its centre is to size
    shapes += [Circle((x, y), 2.9, _INK, None, "holes"), *_cross((x, y), 4.4)]
    sizes = y + half + 3.5
    if len(ends) == 2:
        shapes += _size(at[0], x, sizes, _mm(-ends[0]), half + 3.5, left=True)
        shapes += _size(x, at[1], sizes, _mm(ends[1]), half + 3.5)
        shapes += _size(at[0], at[1], sizes + 6.5, f"{_mm(ends[1] - ends[0])} ball to ball", half + 10.0)
    else:
        shapes += _size(x, at[0], sizes, _mm(ends[0]), half + 3.5)
    words = f"{name}, {view}; ball holes Ø{hole:g} mm for {thread}, servo axis in the large ring"
    shapes.append(Text((0, 3.0), words, _SMALL, layer="sizes"))
    top = sizes + (13.0 if len(ends) == 2 else 6.5)
    return Pattern(name, max(x + high + half + 8, 110.0), top, tuple(shapes))


def link_pattern(source: MachineFile) -> tuple[Pattern, ...]:
    """Link between ball centres with the rod to cut: one where both sides are alike, else two."""
    n = values(source.machine)
    geos = [side_geometry(source.machine, n, side) for side in SIDES]
    keys = [(float(g.link_length_mm), float(g.rod_end_mm), float(g.thread_in_mm)) for g in geos]
    if max(abs(a - b) for a, b in zip(*keys, strict=True)) < 0.005:
        return (_link("link, make two", geos[0]),)
    return tuple(_link(f"link, {g.side}", g) for g in geos)


def _link(name: str, geo: SideGeometry) -> Pattern:
    length, end, inside = float(geo.link_length_mm), float(geo.rod_end_mm), float(geo.thread_in_mm)
    rod = rod_fit(length, end, inside, float(geo.rod_diameter_mm))
    r, ball = float(geo.rod_diameter_mm) / 2, max(3.5, float(geo.rod_diameter_mm) * 1.3)
    x0, y = 12.0, 22.0
    x1 = x0 + length
    shapes: list[Shape] = []
    for x, way in ((x0, 1.0), (x1, -1.0)):
        face = x + way * end
        shapes += [
            Circle((x, y), ball, _INK, None, "outline"),
            Circle((x, y), ball * 0.55, _FINE, None, "outline"),
            *_cross((x, y), ball + 1.5),
        ]
        if end > ball:
            box = (
                (x + way * ball * 0.9, y - r - 1.2),
                (face, y - r - 1.2),
                (face, y + r + 1.2),
                (x + way * ball * 0.9, y + r + 1.2),
            )
            shapes.append(Polygon(box, _INK, None, "outline"))
    begin, stop = x0 + end - inside, x1 - end + inside
    if rod.cut_mm > 0:
        shapes.append(
            Polygon(
                ((begin, y - r), (stop, y - r), (stop, y + r), (begin, y + r)), Pen(0.2, 0, (1.5, 0.8)), None, "rod"
            )
        )
        shapes += _size(begin, stop, y - ball - 8.0, f"rod to cut {_mm(rod.cut_mm)}", 0.0)
    shapes += _size(x0, x1, y + ball + 3.5, f"{_mm(length)} ball to ball", ball + 3.5)
    words = f"{name}; Ø{2 * r:g} mm rod, {_mm(inside)} of thread in each end"
    shapes.append(Text((0, 3.0), words, _SMALL, layer="sizes"))
    return Pattern(name, max(x1 + ball + 8, 95.0), y + ball + 10.0, tuple(shapes))


def gauge_pattern(source: MachineFile) -> Pattern:
    """Test-fit gauge: a 10 mm tongue and slots about the guide's clearance, to be printed as the mount is."""
    clearance = source.machine.left.guide.clearance_mm.at
    tongue, depth, wall = 10.0, 12.0, 4.0
    plays = sorted({round(max(0.0, clearance + step), 2) for step in GAUGE_STEPS_MM})
    y = 14.0
    base = 6.0
    x = wall + 2.0
    corners: list[XY] = [(2.0, y), (2.0, y + base + depth)]
    shapes: list[Shape] = []
    for play in plays:
        wide = tongue + play
        corners += [(x, y + base + depth), (x, y + base), (x + wide, y + base), (x + wide, y + base + depth)]
        shapes.append(
            Text(
                (x + wide / 2, y + 2.0), f"+{play:g}", _SMALL, "middle", bold=play == round(clearance, 2), layer="sizes"
            )
        )
        x += wide + wall
    corners += [(x, y + base + depth), (x, y)]
    shapes.insert(0, Polygon(tuple(corners), _INK, None, "outline"))
    tx = x + 10.0
    shapes += [
        Polygon(((tx, y), (tx + tongue, y), (tx + tongue, y + base + depth), (tx, y + base + depth)), _INK, None, "outline"),
        *_size(tx, tx + tongue, y + base + depth + 3.0, _mm(tongue), 3.0),
        Text((0, 7.2), f"test-fit gauge: tongue {_mm(tongue)}, slots wider by the play shown in mm; {_mm(depth)} deep.", _SMALL, layer="sizes"),
        Text((0, 3.0), f"Print both as mount and guide are printed. This guide wants +{clearance:g} mm: that slot must slip freely.", _SMALL, layer="sizes"),
    ]  # fmt: skip
    return Pattern("test-fit gauge", tx + tongue + 6, y + base + depth + 9.0, tuple(shapes))


def mount_pattern(source: MachineFile) -> tuple[Pattern, ...]:
    """Sliding mount with its hole centres: the right one, and the left one too where it is not its mirror image."""
    m = source.machine
    names = {"both", "centre"}
    alike = (
        m.left.mount == m.right.mount
        and m.left.guide == m.right.guide
        and {p.side for p in m.parts if p.on == "mount"} <= names
    )
    if alike:
        return (_mount(source, "right", "mount, right; the left one is its mirror image"),)
    return tuple(_mount(source, side, f"mount, {side}") for side in SIDES)


def _mount(source: MachineFile, name: SideName, words: str) -> Pattern:
    m = source.machine
    side = m.left if name == "left" else m.right
    hole = CAP_SCREWS[_ball_screw(source)].hole_fine_mm
    sign = 1.0 if name == "right" else -1.0
    ball, eye, bearing = side.mount.ball, side.mount.eye, side.guide.bearing_centre

    def at(out: float, up: float) -> XY:
        return sign * (out - ball.out.at), up - ball.up.at

    cant = math.radians(side.guide.cant_deg.at)
    half = side.guide.bearing_length_mm.at / 2
    ends = [at(bearing.out.at + k * half * math.sin(cant), bearing.up.at - k * half * math.cos(cant)) for k in (-1, 1)]
    drawn: list[Shape] = []
    for part in m.parts:
        if part.on == "mount" and part.side in ("both", name):
            corners = tuple(at(p.out.at, p.up.at) for p in part.points)
            drawn.append(Polygon(rounded_outline(corners, part.radius_mm.at), _INK, None, "outline"))
    drawn.append(Line(ends[0], ends[1], _AXIS, "axes"))
    for place in (at(ball.out.at, ball.up.at), at(eye.out.at, eye.up.at)):
        drawn += [Circle(place, hole / 2, _INK, None, "holes"), *_cross(place, hole / 2 + 1.5)]
    xs = [x for s in drawn for x in _span(s, 0)]
    ys = [y for s in drawn for y in _span(s, 1)]
    shapes = [moved(s, 6.0 - min(xs), 14.0 - min(ys)) for s in drawn]
    down = ball.up.at - eye.up.at
    says = (
        f"{words}; seen from behind; holes Ø{hole:g} mm: the cross nearer the top is the "
        f"{'ball' if down > 0 else 'eye'}'s",
        f"eye from ball: {_mm(abs(eye.out.at - ball.out.at))} {'out' if eye.out.at >= ball.out.at else 'in'}, "
        f"{_mm(abs(down))} {'down' if down >= 0 else 'up'}; dash-dot line: length and tilt ({side.guide.cant_deg.at:g}°) of the guide's touch",
    )
    shapes += [Text((0, 7.2 - 4.2 * i), line, _SMALL, layer="sizes") for i, line in enumerate(says)]
    return Pattern(words, max(max(xs) - min(xs) + 12, 165.0), max(ys) - min(ys) + 18.0, tuple(shapes))


def _span(s: Shape, axis: int) -> tuple[float, ...]:
    if isinstance(s, Circle):
        return s.centre[axis] - s.radius_mm, s.centre[axis] + s.radius_mm
    if isinstance(s, Line):
        return s.start[axis], s.end[axis]
    return tuple(p[axis] for p in s.points) if isinstance(s, Polygon) else ()


def holes_of(source: MachineFile) -> tuple[Hole, ...]:
    """Hole centres of the parts that are made: on the arm from the servo axis, on the mount from its ball; + out, + up."""
    m = source.machine
    hole = CAP_SCREWS[_ball_screw(source)].hole_fine_mm
    out: list[Hole] = []
    for side in SIDES:
        s = m.left if side == "left" else m.right
        out.append(Hole(f"arm {side}", (0.0, 0.0), 5.8, "servo axis"))
        out.append(Hole(f"arm {side}", (s.arm.radius_mm.at, 0.0), hole, "link ball"))
        eye = (s.mount.eye.out.at - s.mount.ball.out.at, s.mount.eye.up.at - s.mount.ball.up.at)
        out.append(Hole(f"mount {side}", (0.0, 0.0), hole, "link ball"))
        out.append(Hole(f"mount {side}", eye, hole, "shock's upper eye"))
    return tuple(out)
