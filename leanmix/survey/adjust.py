"""Least squares over readings: settle, find what does not belong, and say how sure the rest is.

Damped Gauss-Newton steps (Levenberg, Q. Appl. Math. 2 (1944) 164; Marquardt, J. SIAM 11 (1963) 431) over
equations in units of their own standard deviation. Gross errors: a first pass with weights that fall off with
the residual, then one reading at a time by its normalised residual (Baarda, A testing procedure for use in
geodetic networks, 1968, from memory), each removal tested against all readings at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.special import chdtrc, chdtri

from leanmix.survey.rows import Rows

__all__ = ["Fit", "adjust", "group_tests", "settle", "split_loose"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# keeps the normal matrix regular where nothing was measured; σ of 100 m, so it pulls on nothing
EASE = 1e-10
# chance that a survey without any gross error is accused of one
FALSE_ALARM = 0.01
# residual, in σ, beyond which the first pass begins to doubt a reading
DOUBT_SIGMAS = 3.0
# a reading that others check this little (share of its variance left as residual) cannot be tested
UNCHECKED = 1e-3
MOST_ASIDE = 6
# the first pass only has to show which readings are doubtful, not to settle
DOUBT_STEPS = 20
# a step this small, or one that gains this share of the sum of squares, is the last
STILL_MM = 1e-7
STILL_COST = 1e-9
# points nearly in one line creep: a last step that gained next to nothing is near enough
SLOW_COST = 1e-4


@dataclass(frozen=True)
class Fit:
    """A settled survey.

    Parameters
    ----------
    q : ndarray, shape (slots,)
        Unknowns and constants.
    residual : ndarray, shape (rows,)
        In σ of each row, all rows, those set aside included.
    slope : ndarray, shape (rows, n)
        Derivative of the residuals.
    used : ndarray of bool, shape (rows,)
        Rows that count.
    aside : tuple of int
        Groups set aside as gross errors, worst first.
    instead : tuple of int
        Groups whose removal instead of the worst one would do about as well.
    cost : float
        Sum of squares over the used rows.
    freedom : int
        Used rows less the rank of their slopes.
    converged : bool
        Whether the steps died out.
    """

    q: Array
    residual: Array
    slope: Array
    used: Mask
    aside: tuple[int, ...]
    instead: tuple[int, ...]
    cost: float
    freedom: int
    converged: bool


def settle(rows: Rows, q: Array, weight: Array, reweigh: Callable[[Array], Array] | None = None, steps: int = 60) -> tuple[Array, Array, Array, bool]:  # fmt: skip
    """Least squares from a start.

    Parameters
    ----------
    rows : Rows
        Equations.
    q : ndarray, shape (slots,)
        Start; not changed.
    weight : ndarray, shape (rows,)
        Weight of each squared residual; 0 leaves it out.
    reweigh : callable, optional
        Residuals to weights, taken anew at every accepted step (weights that fall off with the residual).
    steps : int
        Most steps.

    Returns
    -------
    q, residual, slope : ndarray
        Where it settled, and the equations there.
    converged : bool
        Whether the last step was too small to matter.
    """
    n = rows.unknowns
    q = q.copy()
    f, jac = rows.at(q)
    damping, gained = 1e-3, math.inf
    for _ in range(steps):
        if reweigh is not None:
            weight = reweigh(f)
        weighted = jac * weight[:, None]
        normal, pull = weighted.T @ jac, weighted.T @ f
        cost = float(weight @ (f * f))
        scale = np.diag(normal) + EASE
        for _ in range(12):
            shift = np.linalg.solve(normal + np.diag(damping * scale + EASE), -pull)
            trial = q.copy()
            trial[:n] += shift
            f_new, jac_new = rows.at(trial)
            if float(weight @ (f_new * f_new)) <= cost * (1 + 1e-12) + 1e-18:
                break
            damping = max(damping, 1e-9) * 8
        else:
            return q, f, jac, True
        q, f, jac = trial, f_new, jac_new
        gained = cost - float(weight @ (f_new * f_new))
        if float(np.max(np.abs(shift), initial=0.0)) < STILL_MM or float(-pull @ shift) < STILL_COST * (1.0 + cost):
            return q, f, jac, True
        damping = damping / 10 if damping > 1e-12 else 0.0
    return q, f, jac, gained < SLOW_COST


def group_tests(rows: Rows, f: Array, jac: Array, used: Mask) -> tuple[Array, Array]:
    """How badly each reading disagrees with all the others, and how far they check it.

    Parameters
    ----------
    rows : Rows
        Equations.
    f, jac : ndarray
        Residuals and slopes where the survey settled.
    used : ndarray of bool, shape (rows,)
        Rows that count.

    Returns
    -------
    chance : ndarray, shape (groups,)
        Probability of so large a disagreement by chance; 1 where it cannot be tested or is left out.
    checked : ndarray, shape (groups,)
        Share of the reading's variance that the others check, 0 (nothing checks it) to 1.
    """
    a = jac[used]
    cov, _ = _normal(a)
    chance, checked = np.ones(len(rows.groups)), np.zeros(len(rows.groups))
    spread = np.einsum("ij,jk,ik->i", jac, cov, jac)
    for g, group in enumerate(rows.groups):
        idx = list(group.rows)
        if not used[idx].all():
            continue
        if len(idx) == 1:
            left = 1.0 - spread[idx[0]]
            checked[g] = max(left, 0.0)
            if left > UNCHECKED:
                chance[g] = chdtrc(1, f[idx[0]] ** 2 / left)
            continue
        block = np.eye(len(idx)) - jac[idx] @ cov @ jac[idx].T
        values, vectors = np.linalg.eigh(block)
        good = values > UNCHECKED
        checked[g] = max(float(values.mean()), 0.0)
        if good.any():
            parts = vectors[:, good].T @ f[idx]
            chance[g] = chdtrc(int(good.sum()), float(np.sum(parts**2 / values[good])))
    return chance, checked


def _eigen(matrix: Array) -> tuple[Array, Array]:
    """Eigenvalues, rising, and vectors of a symmetric matrix of a few dozen rows.

    This driver stays on one thread at such sizes; numpy's own wakes all of them, which costs a hundred times the
    work itself while the machine is busy.
    """
    values, vectors = eigh(matrix, driver="evr", check_finite=False)
    return np.asarray(values, dtype=np.float64), np.asarray(vectors, dtype=np.float64)


def _normal(a: Array) -> tuple[Array, int]:
    """(AᵀA)⁻¹ over the directions that are measured at all, loose ones counting as fixed; and their number."""
    if not a.size:
        return np.zeros((a.shape[1], a.shape[1])), 0
    values, vectors = _eigen(a.T @ a)
    keep = values > 1e-11 * max(float(values[-1]), 1e-300)
    v = vectors[:, keep] / np.sqrt(values[keep])
    out: Array = v @ v.T
    return out, int(keep.sum())


def split_loose(slope: Array, loose_sigma: float) -> tuple[Array, Array]:
    """Covariance of the unknowns, and the directions that the readings leave open.

    Parameters
    ----------
    slope : ndarray, shape (rows, n)
        Used rows only.
    loose_sigma : float
        A direction less sure than this [mm] counts as open.

    Returns
    -------
    covariance : ndarray, shape (n, n)
        Over the measured directions only.
    loose : ndarray, shape (n, k)
        Orthonormal open directions.
    """
    n = slope.shape[1]
    if not slope.size:
        return np.zeros((n, n)), np.eye(n)
    values, vectors = _eigen(slope.T @ slope)
    held = values > 1 / loose_sigma**2
    v = vectors[:, held] / np.sqrt(values[held])
    return v @ v.T, vectors[:, ~held]


def _falling(doubt: float) -> Callable[[Array], Array]:
    def weigh(f: Array) -> Array:
        out: Array = 1.0 / (1.0 + (f / doubt) ** 2) ** 2
        return out

    return weigh


def _settled(rows: Rows, q: Array, out: set[int]) -> tuple[Array, Array, Array, Mask, bool]:
    used = np.ones(rows.count, dtype=np.bool_)
    for g in out:
        used[list(rows.groups[g].rows)] = False
    q, f, jac, converged = settle(rows, q, used.astype(np.float64))
    return q, f, jac, used, converged


def adjust(rows: Rows, start: Array) -> Fit:
    """Settle a survey, setting gross errors aside one by one.

    Parameters
    ----------
    rows : Rows
        Equations.
    start : ndarray, shape (slots,)
        Where the machine file puts things now.

    Returns
    -------
    Fit
        The settled survey; `converged` is False where the steps did not die out.
    """
    out: set[int] = set()
    order: list[int] = []
    instead: tuple[int, ...] = ()
    q, f, jac, used, converged = _settled(rows, start, out)
    if not _agrees(f, jac, used):
        # a misread digit bends plain least squares far away: first see what most readings agree on
        q_doubt, *_ = settle(rows, q, np.ones(rows.count), _falling(DOUBT_SIGMAS), steps=DOUBT_STEPS)
        again = _settled(rows, q_doubt, out)
        if float(np.sum(again[1][again[3]] ** 2)) <= float(np.sum(f[used] ** 2)) * (1 + 1e-9):
            q, f, jac, used, converged = again
        first = _worst_from(rows, q_doubt)
        while len(out) < MOST_ASIDE:
            chance, _ = group_tests(rows, f, jac, used)
            limit = FALSE_ALARM / max(len(rows.groups), 1)
            tries = [g for g in np.argsort(chance)[: 2 if order else 4] if chance[g] < limit]
            if not tries:
                break
            if first is not None and not order and first not in tries:
                tries.append(first)
            ends = {int(g): _settled(rows, q_doubt if not order else q, out | {int(g)}) for g in tries}
            costs = {g: float(np.sum(end[1][end[3]] ** 2)) for g, end in ends.items()}
            best = min(costs, key=lambda g: costs[g] / _expected(rows, ends[g][3]))
            if not order:
                instead = tuple(g for g in costs if g != best and costs[g] < costs[best] + 4.0)
            out.add(best)
            order.append(best)
            q, f, jac, used, converged = ends[best]
        q, f, jac, used, converged = _readmit(rows, order, out, (q, f, jac, used, converged))
    return Fit(q, f, jac, used, tuple(order), instead, float(np.sum(f[used] ** 2)), int(used.sum()) - _normal(jac[used])[1], converged)  # fmt: skip


def _expected(rows: Rows, used: Mask) -> float:
    return float(max(int(used.sum()) - rows.unknowns, 1))


def _agrees(f: Array, jac: Array, used: Mask) -> bool:
    """Whether nothing stands out: the whole within its 95 % and no single row beyond what chance allows."""
    cov, rank = _normal(jac[used])
    freedom = int(used.sum()) - rank
    if freedom <= 0:
        return bool(np.max(np.abs(f[used]), initial=0.0) < 1e-3)
    whole = float(np.sum(f[used] ** 2)) < float(chdtri(freedom, 0.05))
    left = np.maximum(1.0 - np.einsum("ij,jk,ik->i", jac, cov, jac), UNCHECKED)
    return whole and float(np.max((f**2 / left)[used], initial=0.0)) < float(
        chdtri(1, FALSE_ALARM / max(used.sum(), 1))
    )


def _worst_from(rows: Rows, q: Array) -> int | None:
    """The reading furthest off where the doubtful pass settled."""
    f, _ = rows.at(q)
    sizes = [math.sqrt(sum(f[r] ** 2 for r in g.rows)) for g in rows.groups]
    return int(np.argmax(sizes)) if sizes else None


def _readmit(rows: Rows, order: list[int], out: set[int], end: tuple[Array, Array, Array, Mask, bool]) -> tuple[Array, Array, Array, Mask, bool]:  # fmt: skip
    """Take back what was set aside on the way and agrees after all; `order` and `out` are changed."""
    for g in list(order):
        trial = _settled(rows, end[0], out - {g})
        chance, _ = group_tests(rows, trial[1], trial[2], trial[3])
        if chance[g] > FALSE_ALARM and chance.min() > FALSE_ALARM / len(rows.groups):
            out.discard(g)
            order.remove(g)
            end = trial
    return end
