"""What a survey leaves open, in words, and the reading that would close it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.survey.layout import Layout
from leanmix.survey.places import PointName
from leanmix.survey.readings import Reading, describe, plain_name

__all__ = ["Open", "open_points", "spread_words"]

Array = NDArray[np.float64]

# share of an open direction that a point must carry to be named
NAMED = 0.02
# share of two points' motion that must go together for them to hang together
TOGETHER = 0.1
# direction cosine from which a motion counts as plainly sideways or upright
PLAIN = 0.97


@dataclass(frozen=True, slots=True)
class Open:
    """Points that the readings leave open.

    Parameters
    ----------
    points : tuple of PointName
        The points that can still move together.
    ways : int
        In how many independent ways.
    words : str
        A sentence for people.
    remedy : Reading or None
        The one further reading that holds them best.
    """

    points: tuple[PointName, ...]
    ways: int
    words: str
    remedy: Reading | None


def _slots(layout: Layout, name: PointName, unknowns: int) -> tuple[int, int]:
    spot = layout.spots[name]
    return (spot.y if 0 <= spot.y < unknowns else -1, spot.z if 0 <= spot.z < unknowns else -1)


def _names(layout: Layout) -> list[PointName]:
    twin = {n for n in layout.spots if n.side == "right" and n.place not in layout.differ}
    return [n for n in layout.spots if n not in twin or PointName(n.place, "left") not in layout.spots]


def open_points(
    layout: Layout,
    loose: Array,
    readings: tuple[Reading, ...],
    q: Array,
    candidates: tuple[Reading, ...],
    slopes: Array,
) -> tuple[Open, ...]:
    """Group the open directions by the points that move in them, and say each group in words.

    Parameters
    ----------
    layout : Layout
        Slots of the points.
    loose : ndarray, shape (n, k)
        Open directions from `adjust.split_loose`.
    readings : tuple of Reading
        Readings that count.
    q : ndarray, shape (slots,)
        Where the survey settled.
    candidates, slopes
        Possible next readings and their derivatives, shape (candidates, n).
    """
    if not loose.shape[1]:
        return ()
    n = loose.shape[0]
    names, motion = [], []
    for name in _names(layout):
        y, z = _slots(layout, name, n)
        own = np.zeros((2, loose.shape[1]))
        if y >= 0:
            own[0] = layout.spots[name].hand * layout.spots[name].sign * loose[y]
        if z >= 0:
            own[1] = loose[z]
        if np.linalg.norm(own) > NAMED:
            names.append(name)
            motion.append(own)
    out = []
    for members in _components(motion):
        points = tuple(names[i] for i in members)
        stack = np.vstack([motion[i] for i in members])
        ways = max(int(np.linalg.matrix_rank(stack, tol=0.05)), 1)
        remedy = _remedy(layout, points, loose, candidates, slopes)
        out.append(Open(points, ways, _sentence(layout, points, stack, ways, readings, q, remedy), remedy))
    return tuple(out)


def _components(motion: list[Array]) -> list[list[int]]:
    left = set(range(len(motion)))
    found = []
    while left:
        group, edge = [], [min(left)]
        left.discard(edge[0])
        while edge:
            i = edge.pop()
            group.append(i)
            for j in sorted(left):
                shared = np.linalg.norm(motion[i] @ motion[j].T)
                if shared > TOGETHER * np.linalg.norm(motion[i]) * np.linalg.norm(motion[j]):
                    left.discard(j)
                    edge.append(j)
        found.append(sorted(group))
    return found


def _remedy(layout: Layout, points: tuple[PointName, ...], loose: Array, candidates: tuple[Reading, ...], slopes: Array) -> Reading | None:  # fmt: skip
    """The reading that looks most squarely along the open directions of these points."""
    mine = {p.place for p in points}
    held = np.linalg.norm(slopes @ loose, axis=1) if candidates else np.zeros(0)
    for i in (int(j) for j in np.argsort(-held)):
        named = [layout.alias.get(p.place, p.place) for p in candidates[i].points]
        if mine & set(named) and held[i] > 0:
            return candidates[i]
    return None


def _sentence(
    layout: Layout,
    points: tuple[PointName, ...],
    stack: Array,
    ways: int,
    readings: tuple[Reading, ...],
    q: Array,
    remedy: Reading | None,
) -> str:
    who = _list([plain_name(layout.shown(p), layout.places) for p in points])
    todo = f" Measure one more: {describe(remedy, layout.places)}." if remedy else ""
    if len(points) == 1:
        return f"the {who} {_single(layout, points[0], stack, ways, readings, q)}.{todo}"
    if ways == 1:
        direction = np.linalg.svd(stack, full_matrices=False)[0][:, 0].reshape(-1, 2)
        size = np.linalg.norm(direction)
        if abs(direction[:, 0].sum()) / np.sqrt(len(points)) > PLAIN * size:
            return f"the {who} hold together but can still shift sideways.{todo}"
        if abs(direction[:, 1].sum()) / np.sqrt(len(points)) > PLAIN * size:
            return f"the {who} hold together but can still shift up and down.{todo}"
        return f"the {who} can still move together.{todo}"
    return f"the {who} can still move in {ways} ways.{todo}"


def _single(layout: Layout, point: PointName, stack: Array, ways: int, readings: tuple[Reading, ...], q: Array) -> str:
    if ways > 1:
        return "is held by no reading yet"
    direction = np.linalg.svd(stack, full_matrices=False)[0][:, 0]
    pivot = _swings_about(layout, point, direction, readings, q)
    if pivot is not None:
        return f"can still swing about the {plain_name(layout.shown(pivot), layout.places)}"
    if abs(direction[0]) > PLAIN:
        return "can still move sideways: how far out it lies is not known"
    if abs(direction[1]) > PLAIN:
        return "can still move up and down: its height is not known"
    return "can still move along a line"


def _swings_about(layout: Layout, point: PointName, direction: Array, readings: tuple[Reading, ...], q: Array) -> PointName | None:  # fmt: skip
    here = layout.spots[point]
    for reading in readings:
        if reading.kind not in ("pins", "over", "inside"):
            continue
        a, b = layout.resolve(reading.points)
        if a.place == b.place or point.place not in (a.place, b.place):
            continue
        other = b if a.place == point.place else a
        there = layout.spots[other]
        arm = np.array(
            [here.hand * (there.sign * q[there.y] - here.sign * q[here.y]), q[there.z] - q[here.z]], dtype=np.float64
        )
        if abs(arm @ direction) < 0.05 * np.linalg.norm(arm):
            return other
    return None


def _list(names: list[str]) -> str:
    if len(names) < 2:
        return names[0]
    if len(names) > 6:
        return f"{', '.join(names[:5])} and {len(names) - 5} more points"
    return f"{', '.join(names[:-1])} and {names[-1]}"


def spread_words(along_mm: float, across_mm: float) -> str:
    """A 95 % ellipse in words, from its half-axes [mm]."""
    if along_mm < 1.3 * across_mm or across_mm < 0.005:
        return f"± {along_mm:.2g} mm"
    return f"± {along_mm:.2g} mm one way, ± {across_mm:.2g} mm the other"
