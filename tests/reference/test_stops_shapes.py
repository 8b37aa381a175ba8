"""Distances between rounded shapes against shapely."""

from __future__ import annotations

import os

import numpy as np
import shapely

from leanmix.linkage import Spot
from leanmix.stops.shapes import core_distance, overlap

COUNT = 100_000 if os.environ.get("LEANMIX_DEEP") else 6_000
# how far shapely's distance and ours may differ, mm
CLOSE_MM = 1e-9


def core(rng: np.random.Generator, corners: int) -> np.ndarray:
    middle = rng.uniform(-20, 20, 2)
    if corners <= 2:
        return middle + rng.normal(size=(corners, 2)) * 8
    angles = np.sort(rng.uniform(0, 2 * np.pi, corners))
    return middle + (rng.uniform(2, 12, corners) * np.array([np.cos(angles), np.sin(angles)])).T


def shape(points: np.ndarray) -> shapely.Geometry:
    return (shapely.Point, shapely.LineString, shapely.Polygon)[min(len(points), 3) - 1](
        points[0] if len(points) == 1 else points
    )


def test_random_shapes() -> None:
    rng = np.random.default_rng(11)
    apart = meeting = 0
    for _ in range(COUNT):
        p, q = (core(rng, int(rng.integers(1, 7))) for _ in range(2))
        a, b = shape(p), shape(q)
        if not (a.is_valid and b.is_valid):
            continue
        theirs = a.distance(b)
        one, other = (Spot(v[:, :1], v[:, 1:]) for v in (p, q))
        assert bool(overlap(one, other)[0]) == (theirs == 0)
        if theirs > 0:
            apart += 1
            assert abs(float(core_distance(one, other)[0]) - theirs) < CLOSE_MM
        else:
            meeting += 1
    assert apart > COUNT // 4
    assert meeting > COUNT // 50


def test_many_poses_at_once_are_the_same_as_one_by_one() -> None:
    rng = np.random.default_rng(5)
    p, q = core(rng, 4), core(rng, 2)
    shift = rng.uniform(-30, 30, (2, 200))
    many = core_distance(Spot(p[:, :1] + shift[0], p[:, 1:] + shift[1]), Spot(q[:, :1], q[:, 1:]))
    for i in range(200):
        alone = core_distance(Spot(p[:, :1] + shift[0, i], p[:, 1:] + shift[1, i]), Spot(q[:, :1], q[:, 1:]))
        assert alone[0] == many[i]
