"""Two places that fit: a point held by two distances can lie on either side of the line between their far ends.

For each point, with all others where they settled, the places where any two of its readings meet are tried
against all of its readings. A place far from the settled one that fits as well means that the machine file
decided, not the readings; one that fits far better means that the survey settled on the wrong side.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.survey.layout import Layout
from leanmix.survey.places import PointName
from leanmix.survey.readings import SIGMAS_PER_TOL, Reading, Survey

__all__ = ["Elsewhere", "elsewhere"]

Array = NDArray[np.float64]

# nearer than this is the same place [mm]
SAME_PLACE_MM = 2.0
# a residual beyond this counts no further: one gross error must not hide a fold [σ]
MOST_SIGMAS = 4.0
# added to each σ for the other points' own uncertainty, as a share of the length over which it acts
OTHERS_MM = 0.3


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Another place for a point.

    Parameters
    ----------
    point : PointName
        The point.
    y_mm, z_mm : float
        The other place, in world axes.
    cost_here, cost_there : float
        Sum of squared residuals of the point's own readings, each at most 16.
    """

    point: PointName
    y_mm: float
    z_mm: float
    cost_here: float
    cost_there: float


@dataclass(frozen=True, slots=True)
class _Ring:
    y: float
    z: float
    radius: float
    sigma: float


@dataclass(frozen=True, slots=True)
class _Line:
    upright: bool
    at: float
    sigma: float


def elsewhere(layout: Layout, survey: Survey, q: Array, unknowns: int) -> tuple[Elsewhere, ...]:
    """Other places that each point's own readings allow.

    Parameters
    ----------
    layout : Layout
        Slots.
    survey : Survey
        Readings; those set aside must be marked so.
    q : ndarray, shape (slots,)
        Where the survey settled.
    unknowns : int
        Number of unknowns.

    Returns
    -------
    tuple of Elsewhere
        At most one a point: the best-fitting place at least 2 mm from the settled one.
    """
    shown_elsewhere = {m.point.place for s in survey.sheets for m in s.marks}
    by_place: dict[str, list[tuple[Reading, tuple[PointName, ...]]]] = {}
    for reading in survey.readings:
        if reading.aside:
            continue
        ends = layout.resolve(reading.points)
        for place in {p.place for p in ends}:
            by_place.setdefault(place, []).append((reading, ends))
    found = []
    for point, spot in layout.spots.items():
        twin = (
            point.side == "right"
            and point.place not in layout.differ
            and PointName(point.place, "left") in layout.spots
        )
        if twin or point.place in shown_elsewhere or not 0 <= spot.z < unknowns or not 0 <= spot.y < unknowns:
            continue
        mine = by_place.get(point.place, [])
        if any(r.kind in ("level", "cant", "corner", "behind") for r, _ in mine):
            continue
        if other := _elsewhere(point, list(_constraints(layout, survey, q, point, mine)), q, layout):
            found.append(other)
    return tuple(found)


def _constraints(
    layout: Layout, survey: Survey, q: Array, point: PointName, mine: list[tuple[Reading, tuple[PointName, ...]]]
) -> Iterator[_Ring | _Line]:
    spot = layout.spots[point]
    for r, ends in mine:
        sigma = survey.tolerance(r) / SIGMAS_PER_TOL
        reads = r.reads - survey.pin_allowance_mm(r)
        if r.kind in ("height", "top", "under"):
            if _same(layout, ends[0], point):
                yield _Line(False, reads, sigma)
        elif r.kind == "offset":
            if _same(layout, ends[0], point):
                yield _Line(True, spot.hand * reads, sigma)
        elif r.kind in ("pins", "over", "inside"):
            yield from _length(layout, q, point, r, ends, reads, sigma)


def _length(layout: Layout, q: Array, point: PointName, r: Reading, ends: tuple[PointName, ...], reads: float, sigma: float) -> Iterator[_Ring | _Line]:  # fmt: skip
    spot = layout.spots[point]
    a, b = ends
    if a.place == b.place:
        if point.place not in layout.differ:
            yield _Line(True, spot.hand * reads / 2, sigma / 2)
        else:
            far = layout.spots[PointName(point.place, "right" if point.side == "left" else "left")]
            yield _Ring(float(far.sign * q[far.y]), float(q[far.z]), reads, sigma)
        return
    if not (_same(layout, a, point) or _same(layout, b, point)):
        return
    # a reading taken on the other side of an alike pair is looked at in the mirror
    mirror = point not in (a, b)
    far = layout.spots[b if a.place == point.place else a]
    step = float(q[far.b] - q[spot.b]) + r.behind_mm
    flat = max(reads**2 - step**2, 0.0) ** 0.5
    yield _Ring(float((-1.0 if mirror else 1.0) * far.sign * q[far.y]), float(q[far.z]), flat, sigma)


def _same(layout: Layout, name: PointName, point: PointName) -> bool:
    return name == point or (name.place == point.place and point.place not in layout.differ)


def _elsewhere(point: PointName, held: list[_Ring | _Line], q: Array, layout: Layout) -> Elsewhere | None:
    spot = layout.spots[point]
    here = np.array([[float(spot.sign * q[spot.y]), float(q[spot.z])]])
    if len(held) < 2:
        return None
    tries = np.array([m for a, b in itertools.combinations(held, 2) for m in _meet(a, b)]).reshape(-1, 2)
    away = tries[np.hypot(*(tries - here).T) > SAME_PLACE_MM]
    if not away.size:
        return None
    cost = _cost(held, away)
    best = int(np.argmin(cost))
    return Elsewhere(point, float(away[best, 0]), float(away[best, 1]), float(_cost(held, here)[0]), float(cost[best]))


def _meet(a: _Ring | _Line, b: _Ring | _Line) -> list[tuple[float, float]]:
    if isinstance(a, _Line) and isinstance(b, _Line):
        if a.upright == b.upright:
            return []
        return [(a.at, b.at) if a.upright else (b.at, a.at)]
    if isinstance(a, _Line):
        return _meet(b, a)
    if isinstance(b, _Line):
        half = max(a.radius**2 - (b.at - (a.y if b.upright else a.z)) ** 2, 0.0) ** 0.5
        return [(b.at, a.z + s * half) if b.upright else (a.y + s * half, b.at) for s in (-1.0, 1.0)]
    dy, dz = b.y - a.y, b.z - a.z
    d = math.hypot(dy, dz)
    if d < SAME_PLACE_MM:
        return []
    along = (a.radius**2 - b.radius**2 + d * d) / (2 * d)
    half = max(a.radius**2 - along**2, 0.0) ** 0.5
    return [(a.y + (along * dy - s * half * dz) / d, a.z + (along * dz + s * half * dy) / d) for s in (-1.0, 1.0)]


def _cost(held: list[_Ring | _Line], at: Array) -> Array:
    """Sum of squared residuals at places of shape (n, 2), each at most `MOST_SIGMAS`²."""
    rings = np.array([(h.y, h.z, h.radius, h.sigma) for h in held if isinstance(h, _Ring)]).reshape(-1, 4).T
    lines = np.array([(h.at, h.sigma, h.upright) for h in held if isinstance(h, _Line)]).reshape(-1, 3).T
    off_rings = np.hypot(at[:, :1] - rings[0], at[:, 1:] - rings[1]) - rings[2]
    off_lines = np.where(lines[2] > 0, at[:, :1], at[:, 1:]) - lines[0]
    off = np.hstack([off_rings, off_lines]) / np.hypot(np.concatenate([rings[3], lines[1]]), OTHERS_MM)
    return np.asarray(np.minimum(off**2, MOST_SIGMAS**2).sum(axis=1), dtype=np.float64)
