"""Which reading to take next: the one that tells most about what was asked.

Adding a reading with derivative a (in its own σ) to unknowns of covariance C cuts the variance of a figure with
gradient g from gᵀCg by (gᵀCa)² / (1 + aᵀCa): the rank-one update of least squares (Sherman and Morrison,
Ann. Math. Stat. 21 (1950) 124, from memory).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from leanmix.survey.layout import Layout
from leanmix.survey.places import SIDES, PointName
from leanmix.survey.readings import Reading, Survey
from leanmix.survey.rows import RowBook, Rows, add_reading

__all__ = ["candidate_readings", "candidate_slopes", "gains"]

Array = NDArray[np.float64]

# a reading is not offered where its two points lie closer than this: no room for the jaws [mm]
JAWS_MM = 4.0


def candidate_readings(layout: Layout, q: Array) -> tuple[Reading, ...]:
    """Every reading that could be taken next between the points of a layout.

    Pin to pin on one side or straight across, height over the board, offset from the centreline, and the
    fore-and-aft step between arm ball and mount ball where it is an unknown. `reads` is what the present
    solution would read.
    """
    names = _one_of_each(layout)
    out: list[Reading] = []
    for a, b in itertools.combinations(names, 2):
        if a.side in SIDES and b.side in SIDES and a.side != b.side:
            continue
        if {layout.places[a.place].view, layout.places[b.place].view} == {"side"}:
            continue
        if _apart(layout, q, a, b) > JAWS_MM:
            out.append(Reading("pins", (layout.shown(a), layout.shown(b)), _apart(layout, q, a, b)))
    for name in names:
        spot = layout.spots[name]
        across = PointName(name.place, "right")
        if name.side == "left" and across in layout.spots:
            wide = _apart(layout, q, name, across)
            if wide > JAWS_MM and (spot.y >= 0 or layout.spots[across].y >= 0):
                out.append(Reading("pins", (name, across), wide))
        if spot.z >= 0:
            out.append(Reading("height", (layout.shown(name),), float(q[spot.z])))
        if spot.y >= 0:
            out.append(Reading("offset", (layout.shown(name),), float(spot.hand * spot.sign * q[spot.y])))
    return tuple(out)


def _one_of_each(layout: Layout) -> list[PointName]:
    """Points without the right-hand twin of an alike place."""
    return [n for n in layout.spots if n.side != "right" or n.place in layout.differ or _only_right(layout, n)]


def _only_right(layout: Layout, name: PointName) -> bool:
    return PointName(name.place, "left") not in layout.spots


def _apart(layout: Layout, q: Array, a: PointName, b: PointName) -> float:
    sa, sb = layout.spots[a], layout.spots[b]
    step = (sb.sign * q[sb.y] - sa.sign * q[sa.y], q[sb.z] - q[sa.z], q[sb.b] - q[sa.b])
    return float(np.linalg.norm(step))


def candidate_slopes(layout: Layout, survey: Survey, readings: Sequence[Reading], q: Array, unknowns: int) -> Array:
    """Derivative of every candidate by every unknown, in units of its own σ; shape (candidates, unknowns)."""
    book = RowBook()
    for reading in readings:
        add_reading(book, layout, survey, reading, q, 0.0)
    if not readings:
        return np.zeros((0, unknowns))
    return Rows(book, unknowns).at(q)[1]


def gains(covariance: Array, gradient: Array, slopes: Array) -> Array:
    """How much of a figure's variance each candidate takes away, as a share 0 to 1.

    Parameters
    ----------
    covariance : ndarray, shape (n, n)
        Of the unknowns, before.
    gradient : ndarray, shape (n,)
        Of the figure by the unknowns.
    slopes : ndarray, shape (candidates, n)
        From `candidate_slopes`.
    """
    before = float(gradient @ covariance @ gradient)
    if before <= 0:
        return np.zeros(len(slopes))
    spread = slopes @ covariance
    told = (spread @ gradient) ** 2 / (1.0 + np.einsum("ij,ij->i", spread, slopes))
    out: Array = told / before
    return out


def figure_gradient(keys: Iterable[str], slopes: Array, sensitivity: Mapping[str, float]) -> Array:
    """Gradient of a figure by the unknowns, from its sensitivities to the machine file's numbers.

    Parameters
    ----------
    keys : iterable of str
        Keys of the rows of `slopes`.
    slopes : ndarray, shape (keys, n)
        Derivative of each number by each unknown.
    sensitivity : mapping
        Change of the figure per unit of each number, e.g. {"left.arm.radius_mm": 0.4}; others count as 0.
    """
    weights = np.array([float(sensitivity.get(k, 0.0)) for k in keys])
    out: Array = weights @ slopes
    return out
