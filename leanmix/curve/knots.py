"""Fitting the table: 33 uniform knots to least worst error over every input, not sampled from the curve."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array, csr_array, hstack, vstack

__all__ = ["KNOTS", "SEGMENT", "fit_knots"]

Array = NDArray[np.float64]

KNOTS = 33
SEGMENT = 256
MIDDLE = KNOTS // 2


def _hat(u: Array, first: int, last: int) -> csr_array:
    """Interpolation matrix, shape (inputs, knots): each row holds the two knots an input lies between."""
    segment = np.clip((u // SEGMENT).astype(int), first, last - 1)
    fraction = (u - SEGMENT * segment) / SEGMENT
    rows = np.repeat(np.arange(len(u)), 2)
    columns = np.column_stack([segment, segment + 1]).ravel() - first
    weights = np.column_stack([1 - fraction, fraction]).ravel()
    return csr_array(coo_array((weights, (rows, columns)), shape=(len(u), last - first + 1)))


def fit_knots(u: Array, wanted: Array, weight: Array, low: float, high: float, middle: float) -> Array:
    """Knots whose straight-line interpolation comes closest to `wanted` everywhere.

    Minimises max over inputs of weight · \\|interpolated − wanted\\| as a linear programme, for each half of
    the steering by itself (the middle knot is given), with knots that run one way.

    Parameters
    ----------
    u : ndarray, shape (inputs,)
        Normalised steering, 0 (full right) … 8192 (full left).
    wanted : ndarray, shape (inputs,)
        Value wanted at each input, any unit; runs one way over u.
    weight : ndarray, shape (inputs,)
        How much an error there counts, > 0.
    low, high : float
        No knot lies outside; so no interpolated value does.
    middle : float
        Value of the middle knot, exactly.

    Returns
    -------
    ndarray, shape (33,)
        Knot values in the unit of `wanted`, each at least as large as the one before, or each at most.
    """
    order = np.argsort(u, kind="stable")
    sign = 1.0 if wanted[order[-1]] >= wanted[order[0]] else -1.0
    knots = np.full(KNOTS, float(middle))
    for first, last in ((0, MIDDLE), (MIDDLE, KNOTS - 1)):
        here = (u >= first * SEGMENT) & (u <= last * SEGMENT)
        if np.any(here):
            half = _half(u[here], wanted[here], weight[here], (first, last), (low, high, middle), sign)
            knots[first : last + 1] = half
    return np.asarray(np.clip(knots, low, high), dtype=np.float64)


def _half(
    u: Array, wanted: Array, weight: Array, ends: tuple[int, int], limits: tuple[float, float, float], sign: float
) -> Array:
    first, last = ends
    low, high, middle = limits
    count = last - first + 1
    a = _hat(u, first, last)
    slack = csr_array((1.0 / weight)[:, None])
    steps = csr_array(np.eye(count - 1, count + 1) - np.eye(count - 1, count + 1, 1))
    constraint = vstack([hstack([a, -slack]), hstack([-a, -slack]), sign * steps], format="csr")
    bounds: list[tuple[float | None, float | None]] = [(low, high)] * count
    bounds[MIDDLE - first] = (middle, middle)
    bounds.append((0.0, None))
    cost = np.zeros(count + 1)
    cost[-1] = 1.0
    right_hand = np.concatenate([wanted, -wanted, np.zeros(count - 1)])
    solved = linprog(cost, A_ub=constraint, b_ub=right_hand, bounds=bounds, method="highs")
    if solved.x is None:  # nothing to fit to: the caps shut on neutral
        return np.full(count, middle)
    return np.asarray(solved.x[:count], dtype=np.float64)
