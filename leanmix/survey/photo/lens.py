"""A lens over a plane: homography and bow, there and back.

Bow is radial about the middle of the whole picture: r' = r (1 + k₁ r² + k₂ r⁴), r in half diagonals (Brown,
Photogrammetric Engineering 32 (1966) 444, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Lens", "bend", "project", "to_plane"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Lens:
    """Homography (card mm → straight pixels, from the picture's middle) and bow.

    Parameters
    ----------
    h : ndarray, shape (8,)
        Row by row, last element 1.
    bow : tuple of float
        k₁, k₂.
    half_px : float
        Half diagonal.
    middle_px : tuple of float
        Middle of the picture.
    """

    h: Array
    bow: tuple[float, float]
    half_px: float
    middle_px: tuple[float, float]


def bend(xy: Array, bow: tuple[float, float]) -> Array:
    """Straight to bent picture coordinates, both in half diagonals from the middle; shape (n, 2)."""
    r2 = np.sum(xy * xy, axis=-1, keepdims=True)
    out: Array = xy * (1.0 + bow[0] * r2 + bow[1] * r2 * r2)
    return out


def _unbend(xy: Array, bow: tuple[float, float]) -> Array:
    out = xy.copy()
    for _ in range(20):
        out = xy * (out / np.where(out == 0, 1.0, bend(out, bow)))
        out = np.where(xy == 0, 0.0, out)
    return out


def project(lens: Lens, points_mm: Array) -> Array:
    """Points of the card's plane [mm], shape (n, 2), to picture pixels."""
    straight = _apply(lens.h, points_mm)
    out: Array = bend(straight / lens.half_px, lens.bow) * lens.half_px + np.array(lens.middle_px)
    return out


def _apply(h: Array, points: Array) -> Array:
    m = np.append(h, 1.0).reshape(3, 3)
    image = np.column_stack([points, np.ones(len(points))]) @ m.T
    return np.asarray(image[:, :2] / image[:, 2:], dtype=np.float64)


def to_plane(lens: Lens, pixels: Array) -> Array:
    """Picture pixels, shape (n, 2), to points of the card's plane [mm]."""
    straight = _unbend((pixels - np.array(lens.middle_px)) / lens.half_px, lens.bow) * lens.half_px
    m = np.linalg.inv(np.append(lens.h, 1.0).reshape(3, 3))
    image = np.column_stack([straight, np.ones(len(straight))]) @ m.T
    out: Array = image[:, :2] / image[:, 2:]
    return out
