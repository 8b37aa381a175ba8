"""A pose as shapes: the front view, drawn once for paper, screen and CAD."""

from __future__ import annotations

import math
from collections.abc import Callable

from leanmix.drawing import XY, Circle, Line, Pen, Polygon, Polyline, Shape, Text
from leanmix.paper.pose import Pose, SidePlaces

__all__ = ["LAYERS", "front_view", "reach_mm", "rounded_outline"]

LAYERS = (
    "rear", "board", "chassis", "parts", "suspension arms", "runner", "shock", "guide", "mount", "link", "arm",
    "balance point", "hole centres", "labels",
)  # fmt: skip

_FINE, _THIN, _BOLD, _HEAVY = Pen(0.15), Pen(0.25), Pen(0.5), Pen(0.8)
_AXIS = Pen(0.15, 0.35, (3.0, 1.0, 0.5, 1.0))
_HIDDEN = Pen(0.2, 0.35, (1.5, 1.0))
_PIN_MM = 0.9
_SKI_HALF_MM = 11.0
_BODIES = ("chassis", "upright", "lower_arm", "upper_arm", "mount", "link", "arm")

Placer = Callable[[XY], XY]


def reach_mm(pose: Pose) -> tuple[float, float, float]:
    """Room a pose takes [mm of the machine]: left of the centreline mark, right of it, height over the board."""
    xs = [0.0]
    ys = [pose.balance_point[1]]
    for side in pose.sides:
        xs += [p[0] for p in side.points.values()]
        ys += [p[1] for p in side.points.values()]
        wheel = pose.runner_radius_mm
        edge = 2 * wheel * abs(math.sin(math.radians(side.upright_deg))) + 0.3 * wheel if wheel else _SKI_HALF_MM
        xs += [side.points["contact"][0] - edge, side.points["contact"][0] + edge]
        ys.append(2 * wheel)
    for part in pose.parts:
        xs += [p[0] + d for p in part.corners for d in (-part.radius_mm, part.radius_mm)]
        ys += [p[1] + part.radius_mm for p in part.corners]
    return max(-min(xs), 0.0), max(*xs, 0.0), max(ys)


def front_view(pose: Pose, scale: float = 1.0, *, holes: bool = False) -> tuple[Shape, ...]:
    """The machine from behind, layer by layer in the order of `LAYERS`.

    Parameters
    ----------
    pose : Pose
        What to draw.
    scale : float
        Paper mm for each mm of the machine; line widths stay. The centreline's mark on the board is (0, 0).
    holes : bool
        Mark every pivot and ball with a cross to size, and say which side is which (7 mm under the board).
    """

    def at(p: XY) -> XY:
        return p[0] * scale, p[1] * scale

    left, right, up = reach_mm(pose)
    foot, roof = pose.centreline
    share = min(1.0, (up + 2.0 - foot[1]) / (roof[1] - foot[1]))  # not past the highest part
    top = (foot[0] + share * (roof[0] - foot[0]), foot[1] + share * (roof[1] - foot[1]))
    out: list[Shape] = [
        Line(at((-left - 6, 0.0)), at((right + 6, 0.0)), _BOLD, "board"),
        Line(at(foot), at(top), _AXIS, "chassis"),
        *_rear(pose, at),
        *_balance_mark(at(pose.balance_point)),
    ]
    for part in sorted(pose.parts, key=lambda p: _BODIES.index(p.body)):
        fill = 0.85 if part.body == "chassis" else None
        out.append(Polygon(tuple(map(at, rounded_outline(part.corners, part.radius_mm))), _THIN, fill, "parts"))
    for side in pose.sides:
        out += _mechanism(side, at)
        out += _runner(pose, side, at)
        if holes:
            out += [mark for p in side.points.values() for mark in _cross(at(p), 2.5)]
            x, _ = at(side.points["contact"])
            out.append(Text((x, -7.0), side.side, 3.5, "middle", bold=True, layer="labels"))
    return tuple(sorted(out, key=lambda s: LAYERS.index(getattr(s, "layer", "labels"))))


def _cross(p: XY, reach: float) -> list[Shape]:
    x, y = p
    return [
        Line((x - reach, y), (x + reach, y), _FINE, "hole centres"),
        Line((x, y - reach), (x, y + reach), _FINE, "hole centres"),
    ]


def _rear(pose: Pose, at: Placer) -> list[Shape]:
    half = pose.rear_half_mm
    box = ((-half, 0.0), (half, 0.0), (half, 0.6 * half), (-half, 0.6 * half))
    return [Polygon(tuple(map(at, box)), _HIDDEN, None, "rear")]


def _balance_mark(p: XY) -> list[Shape]:
    """The usual sign: a ring with two opposite quarters black."""
    r, (x, y) = 2.4, p
    out: list[Shape] = [Circle(p, r, None, 1.0, "balance point")]
    for start in (0, 180):
        turn = [math.radians(start + 9 * i) for i in range(11)]
        wedge = (p, *((x + r * math.cos(t), y + r * math.sin(t)) for t in turn))
        out.append(Polygon(wedge, None, 0.0, "balance point"))
    return [*out, Circle(p, r, _THIN, None, "balance point")]


def _mechanism(side: SidePlaces, at: Placer) -> list[Shape]:
    p = {name: at(place) for name, place in side.points.items()}
    out: list[Shape] = [
        Line(p["lower pivot"], p["lower ball"], _HEAVY, "suspension arms"),
        Line(p["upper pivot"], p["upper ball"], _HEAVY, "suspension arms"),
        Line(p["lower ball"], p["upper ball"], _BOLD, "suspension arms"),
        *_spring(p["shock upper eye"], p["shock lower eye"]),
        *_guide(at(side.guide[0]), at(side.guide[1])),
        Line(p["mount ball"], p["shock upper eye"], _HEAVY, "mount"),
        Line(p["arm ball"], p["mount ball"], _BOLD, "link"),
        Line(p["servo axis"], p["arm ball"], _HEAVY, "arm"),
    ]
    layers = {
        "servo axis": "arm", "arm ball": "arm", "mount ball": "mount", "shock upper eye": "shock",
        "shock lower eye": "shock",
    }  # fmt: skip
    for name, place in p.items():
        if name != "contact":
            out.append(Circle(place, _PIN_MM, _THIN, 1.0, layers.get(name, "suspension arms")))
    return out


def _spring(top: XY, foot: XY) -> list[Shape]:
    """Shock: rod, and coils over the middle of it."""
    length = math.dist(top, foot)
    if length < 1e-6:
        return []
    ux, uy = (foot[0] - top[0]) / length, (foot[1] - top[1]) / length
    wide = min(2.6, 0.12 * length)
    coils: list[XY] = []
    turns = 9
    for k in range(turns + 1):
        along = length * (0.22 + 0.56 * k / turns)
        off = 0.0 if k in (0, turns) else wide * (1 if k % 2 else -1)
        coils.append((top[0] + ux * along - uy * off, top[1] + uy * along + ux * off))
    return [Line(top, foot, _FINE, "shock"), Polyline(tuple(coils), _THIN, "shock")]


def _guide(a: XY, b: XY) -> list[Shape]:
    """Where mount and guide touch: two faces and a centre line running on past them."""
    length = math.dist(a, b)
    if length < 1e-6:
        return []
    ux, uy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
    out: list[Shape] = []
    for off in (-2.2, 2.2):
        shift = (-uy * off, ux * off)
        out.append(Line((a[0] + shift[0], a[1] + shift[1]), (b[0] + shift[0], b[1] + shift[1]), _BOLD, "guide"))
    more = 4.0
    out.append(Line((a[0] - ux * more, a[1] - uy * more), (b[0] + ux * more, b[1] + uy * more), _AXIS, "guide"))
    return out


def _runner(pose: Pose, side: SidePlaces, at: Placer) -> list[Shape]:
    foot = side.points["contact"]
    ball = side.points["lower ball"]
    c, s = math.cos(math.radians(side.upright_deg)), math.sin(math.radians(side.upright_deg))

    def turned(x: float, y: float) -> XY:
        return at((foot[0] + c * x - s * y, foot[1] + s * x + c * y))

    if pose.runner == "wheel":
        r = pose.runner_radius_mm
        half = 0.22 * r
        tyre = ((-half, 0.0), (half, 0.0), (half, 2 * r), (-half, 2 * r))
        stub = Line(at(ball), turned(0.0, r), _BOLD, "runner")
        return [Polygon(tuple(turned(*p) for p in tyre), _BOLD, 1.0, "runner"), stub]
    keel = ((-_SKI_HALF_MM, 3.0), (-_SKI_HALF_MM + 3, 0.0), (_SKI_HALF_MM - 3, 0.0), (_SKI_HALF_MM, 3.0))
    return [
        Line(at(ball), turned(0.0, 3.0), _BOLD, "runner"),
        Polyline(tuple(turned(*p) for p in keel), _HEAVY, "runner"),
    ]


def rounded_outline(corners: tuple[XY, ...], radius: float) -> tuple[XY, ...]:
    """Outline of a core (point, bar or polygon) with its rounding: the hull's side for a bar, offset corners else."""
    if len(corners) == 1:
        turn = [2 * math.pi * i / 48 for i in range(48)]
        return tuple((corners[0][0] + radius * math.cos(t), corners[0][1] + radius * math.sin(t)) for t in turn)
    ring = corners if _area(corners) >= 0 else corners[::-1]
    out: list[XY] = []
    n = len(ring)
    for k in range(n):
        before, here, after = ring[k - 1], ring[k], ring[(k + 1) % n]
        first = math.atan2(here[1] - before[1], here[0] - before[0]) - math.pi / 2
        last = math.atan2(after[1] - here[1], after[0] - here[0]) - math.pi / 2
        sweep = (last - first) % (2 * math.pi)
        if n > 2 and sweep > math.pi:  # an inner corner: the offset edges cross, one point is enough for a picture
            sweep -= 2 * math.pi
        steps = max(1, int(abs(sweep) / 0.2))
        for i in range(steps + 1):
            t = first + sweep * i / steps
            out.append((here[0] + radius * math.cos(t), here[1] + radius * math.sin(t)))
    return tuple(out)


def _area(ring: tuple[XY, ...]) -> float:
    return sum(a[0] * b[1] - a[1] * b[0] for a, b in zip(ring, ring[1:] + ring[:1], strict=True)) / 2
