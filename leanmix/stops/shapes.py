"""Distance between rounded shapes of the front view, over any number of poses at once.

A shape is a core, grown all round by its radius: one point is a circle, two a rounded bar, more a rounded polygon
(corners in order, not necessarily convex). Cores are arrays of shape (corners, n): n poses, builds, or both.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array, Spot

__all__ = ["core_distance", "meeting_point", "overlap"]


def _edges(corners: Spot) -> tuple[Array, Array, Array, Array] | None:
    """Start and span of every edge: none for a point, one for a bar, a closed ring for a polygon."""
    out, up = np.asarray(corners.out), np.asarray(corners.up)
    if out.shape[0] == 1:
        return None
    if out.shape[0] == 2:
        return out[:1], up[:1], out[1:] - out[:1], up[1:] - up[:1]
    return out, up, np.roll(out, -1, axis=0) - out, np.roll(up, -1, axis=0) - up


def _least_square(points: Spot, edges: tuple[Array, Array, Array, Array] | None) -> Array | None:
    """Least squared distance from any point to any edge, over (points, edges)."""
    if edges is None:
        return None
    start_out, start_up, span_out, span_up = edges
    square = span_out * span_out + span_up * span_up
    inverse = 1.0 / np.where(square > 0, square, 1.0)
    out = np.asarray(points.out)[:, None] - start_out
    up = np.asarray(points.up)[:, None] - start_up
    along = out * span_out
    along += up * span_up
    along *= inverse
    np.clip(along, 0.0, 1.0, out=along)
    out -= along * span_out
    up -= along * span_up
    out *= out
    up *= up
    out += up
    return np.asarray(out.min(axis=(0, 1)))


def core_distance(a: Spot, b: Spot) -> Array:
    """Distance between two cores, taking them for lines: a core inside another polygon counts from its edge.

    Parameters
    ----------
    a, b : Spot
        Corners, arrays of shape (corners, n) or (corners, 1) [mm].

    Returns
    -------
    ndarray, shape (n,)
        Least distance between the cores' edges [mm], ≥ 0. Where edges cross it is the least distance from an end of
        one to the other, not 0: it stays continuous, reaches 0 only where the cores meet, and changes no faster than
        the shapes move. `overlap` tells inside from outside.
    """
    if np.asarray(a.out).shape[0] == 1 and np.asarray(b.out).shape[0] == 1:
        return np.asarray(np.hypot(a.out[0] - b.out[0], a.up[0] - b.up[0]))  # type: ignore[index]
    found = [s for s in (_least_square(a, _edges(b)), _least_square(b, _edges(a))) if s is not None]
    return np.asarray(np.sqrt(found[0] if len(found) == 1 else np.minimum(found[0], found[1])))


def meeting_point(a: Spot, a_radius: float, b: Spot, b_radius: float) -> tuple[float, float]:
    """Middle of the gap between two rounded shapes where it is least, for one pose [mm].

    Parameters
    ----------
    a, b : Spot
        Corners of the cores, arrays of shape (corners, 1).
    a_radius, b_radius : float
        What they are grown by.
    """
    best = (np.inf, 0j, 0j)
    for points, ring, first in ((a, b, True), (b, a, False)):
        edges = _edges(ring)
        if edges is None:
            lone = complex(np.asarray(ring.out)[0, 0], np.asarray(ring.up)[0, 0])
            spans = [(lone, 0j)]
        else:
            spans = [(complex(x, y), complex(u, v)) for x, y, u, v in zip(*(e[:, 0] for e in edges), strict=True)]
        for x, y in zip(np.asarray(points.out)[:, 0], np.asarray(points.up)[:, 0], strict=True):
            p = complex(x, y)
            for start, span in spans:
                along = ((p - start) * span.conjugate()).real / abs(span) ** 2 if span else 0.0
                q = start + min(max(along, 0.0), 1.0) * span
                if abs(p - q) < best[0]:
                    best = (abs(p - q), p, q) if first else (abs(p - q), q, p)
    apart, on_a, on_b = best
    if apart > 0:
        way = (on_b - on_a) / apart
        on_a, on_b = on_a + way * a_radius, on_b - way * b_radius
    middle = (on_a + on_b) / 2
    return middle.real, middle.imag


def overlap(a: Spot, b: Spot) -> NDArray[np.bool_]:
    """Whether two cores cross or one lies inside the other; touching does not count.

    Parameters
    ----------
    a, b : Spot
        Corners, arrays of shape (corners, n) or (corners, 1).
    """
    crossing = _inside(a, b) | _inside(b, a)
    first, second = _edges(a), _edges(b)
    if first is None or second is None:
        return crossing
    p_out, p_up, r_out, r_up = (v[:, None] for v in first)
    q_out, q_up, s_out, s_up = second
    # each edge's ends on opposite sides of the other edge's line
    d_out, d_up = q_out - p_out, q_up - p_up
    one = d_out * r_up - d_up * r_out
    two = one + s_out * r_up - s_up * r_out
    three = s_out * d_up - s_up * d_out
    four = three - (s_out * r_up - s_up * r_out)
    return crossing | ((one * two < 0) & (three * four < 0)).any(axis=(0, 1))


def _inside(points: Spot, ring: Spot) -> NDArray[np.bool_]:
    """Whether the first corner of `points` lies inside a polygon; False for bars and points."""
    x, y = np.asarray(points.out)[0], np.asarray(points.up)[0]
    shape = np.broadcast(x, np.asarray(ring.out)[0]).shape
    edges = _edges(ring)
    if edges is None or np.asarray(ring.out).shape[0] == 2:
        return np.zeros(shape, dtype=bool)
    start_out, start_up, span_out, span_up = edges
    astride = (start_up > y) != (start_up + span_up > y)
    level = np.where(span_up != 0, span_up, 1.0)
    beyond = x < start_out + (y - start_up) * span_out / level
    return np.asarray(np.broadcast_to((astride & beyond).sum(axis=0) % 2 == 1, shape))
