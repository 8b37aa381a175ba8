"""The next reading: which one tells most about a figure the builder asked for."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from leanmix.machine import Machine, Numbers, values
from leanmix.survey.adjust import Fit
from leanmix.survey.advise import candidate_readings, candidate_slopes, figure_gradient, gains
from leanmix.survey.layout import Layout, lay_out
from leanmix.survey.numbers import FILE_POINTS, number_map
from leanmix.survey.places import FRONT_PLACES, places_of
from leanmix.survey.problem import Problem, build, differing, fore_aft, wanted
from leanmix.survey.readings import SIGMAS_PER_TOL, Survey, describe
from leanmix.survey.solution import Advice
from leanmix.survey.solve import settled

__all__ = ["next_readings", "sensitivities", "surveyed_keys"]

Array = NDArray[np.float64]

# what is thought of a point nobody has measured: the machine file's guess within this, and of a direction that
# the readings leave open, as σ [mm]
GUESS_SIGMA_MM = 2.0
OPEN_SIGMA_MM = 30.0


def next_readings(machine: Machine, survey: Survey, sensitivity: Mapping[str, float], most: int = 5) -> tuple[Advice, ...]:  # fmt: skip
    """Rank the possible next readings by what they tell about a figure.

    Points that no reading names yet count as the machine file has them, within its tolerance, or within 4 mm
    where it gives none or a guess.

    Parameters
    ----------
    machine, survey
        As for `solve`.
    sensitivity : mapping
        Change of the figure per unit of each machine-file number, sides written out; see `sensitivities`.
    most : int
        How many to return, best first.
    """
    problem = build(machine, survey)
    fit, _ = settled(problem)
    everything = (*FRONT_PLACES, *(p for p in problem.layout.places if problem.layout.places[p].part is not None))
    full = lay_out(machine, (*wanted(survey), *everything), differing(machine, survey), fore_aft(survey))
    q, n = full.book.vector(), len(full.book.unknown)
    covariance = _prior_covariance(machine, problem, fit, full, q)
    numbers = number_map(machine, full)
    gradient = figure_gradient(numbers.keys, numbers.slopes(q, n), sensitivity)
    taken = {(r.kind, frozenset(full.resolve(r.points))) for r in survey.readings if not r.aside}
    offered = tuple(r for r in candidate_readings(full, q) if (r.kind, frozenset(full.resolve(r.points))) not in taken)
    share = gains(covariance, gradient, candidate_slopes(full, survey, offered, q, n))
    before = SIGMAS_PER_TOL * math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))
    best = [int(i) for i in np.argsort(-share, kind="stable")[:most]]
    return tuple(
        Advice(offered[i], describe(offered[i], full.places), float(share[i]), before, before * math.sqrt(max(1.0 - float(share[i]), 0.0)))
        for i in best
    )  # fmt: skip


def _prior_covariance(machine: Machine, problem: Problem, fit: Fit, full: Layout, q: Array) -> Array:
    """Covariance over the full layout: the survey's own where it measured, the machine file's elsewhere; fills `q`."""
    old = {label: i for i, label in enumerate(problem.layout.book.labels)}
    slope = fit.slope[fit.used]
    n = len(full.book.unknown)
    information = np.zeros((n, n))
    mine = [(i, old[label]) for i, label in enumerate(full.book.labels) if label in old]
    # sheet placements are unknowns of the survey alone: solve them out before handing the rest over
    keep = [o for _, o in mine]
    rest = [o for o in range(slope.shape[1]) if o not in set(keep)]
    normal = slope.T @ slope
    block: Array = normal[np.ix_(keep, keep)]
    if rest:
        cross = normal[np.ix_(keep, rest)]
        block = block - np.asarray(cross @ np.linalg.pinv(normal[np.ix_(rest, rest)]) @ cross.T, dtype=np.float64)
    new = [i for i, _ in mine]
    information[np.ix_(new, new)] = block
    for i, o in mine:
        q[i] = fit.q[o]
    held = set(new)
    tolerances = _file_tolerances(machine)
    for i, label in enumerate(full.book.labels):
        sigma = OPEN_SIGMA_MM if i in held else tolerances.get(label[0], GUESS_SIGMA_MM)
        information[i, i] += 1 / sigma**2
    out: Array = np.asarray(np.linalg.inv(information), dtype=np.float64)
    return out


def _file_tolerances(machine: Machine) -> dict[str, float]:
    """σ of each place as the machine file states it; places without a measured tolerance are left out."""
    out: dict[str, float] = {}
    for place, key in FILE_POINTS.items():
        table, _, field = key.partition(".")
        point = getattr(getattr(machine.left, table), field)
        if point.up.tol and point.up.source not in ("", "guess"):
            out[place] = point.up.tol / SIGMAS_PER_TOL
    return out


def surveyed_keys(machine: Machine) -> tuple[str, ...]:
    """Keys of every number of a machine that readings of a survey can better, sides written out."""
    places = places_of(machine)
    every = (*FRONT_PLACES, *(p for p in places if places[p].part is not None))
    return number_map(machine, lay_out(machine, every, frozenset(), frozenset())).keys


def sensitivities(figure: Callable[[Numbers], Array | float], machine: Machine, keys: tuple[str, ...], step: float = 0.05) -> dict[str, float]:  # fmt: skip
    """Change of a figure per unit of each number, by central differences in one call over all of them.

    Parameters
    ----------
    figure : callable
        `Numbers` with arrays of shape (builds,) to the figure, shape (builds,).
    machine : Machine
        Where to take them.
    keys : tuple of str
        Numbers to move, sides written out; those the machine does not have are passed over.
    step : float
        Step each way [the number's own unit].
    """
    base = values(machine)
    keys = tuple(k for k in keys if k in base)
    table = {}
    for i, key in enumerate(keys):
        moved = np.full(2 * len(keys), float(base[key]))
        moved[2 * i] += step
        moved[2 * i + 1] -= step
        table[key] = moved
    result = np.broadcast_to(np.asarray(figure(base.changed(table)), dtype=np.float64), (2 * len(keys),))
    slope = (result[0::2] - result[1::2]) / (2 * step)
    return {k: float(s) for k, s in zip(keys, slope, strict=True) if np.isfinite(s)}
