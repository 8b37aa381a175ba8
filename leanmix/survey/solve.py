"""A whole survey: readings in, points and machine-file numbers out, with what is open and what disagrees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from leanmix.machine import Machine
from leanmix.survey.adjust import Fit, adjust, group_tests, split_loose
from leanmix.survey.advise import candidate_readings, candidate_slopes
from leanmix.survey.folds import Elsewhere, elsewhere
from leanmix.survey.layout import Layout
from leanmix.survey.numbers import number_map
from leanmix.survey.places import FRONT_PLACES, PointName
from leanmix.survey.problem import Problem, build, wanted
from leanmix.survey.readings import KINDS, SIGMAS_PER_TOL, Survey, describe, plain_name
from leanmix.survey.rows import Rows
from leanmix.survey.solution import Checked, Found, PlacedPoint, Solution
from leanmix.survey.words import Open, open_points

__all__ = ["settled", "solve"]

Array = NDArray[np.float64]

# a direction less sure than this share of the machine's half-width is not determined
LOOSE_SHARE = 0.05
# 95 % ellipse of two coordinates: √χ²(0.95, 2)
ELLIPSE_95 = 2.4477468306808166
# most points to turn over; what setting a reading aside costs against the sum of squares when two ways of
# folding are compared; and how much worse another place may fit and still be possible
MOST_FOLDS = 4
FOLD_COST = 15.0
FOLD_DOUBT = 9.0
# a sheet's marks scatter this much more than given, over so many marks that other readings check: believe the marks
SHAKY = 1.4
SHAKY_MARKS = 8
SHAKY_CHECKED = 0.1
# the machine file's picture settles which place is meant where the other is this many times further from it
PLAIN_PICTURE = 3.0
PLAIN_PICTURE_MM = 5.0


def solve(machine: Machine, survey: Survey) -> Solution:
    """Find every point from all readings at once.

    Parameters
    ----------
    machine : Machine
        Where things are thought to be: starting values, and which way linkages fold.
    survey : Survey
        The readings.

    Returns
    -------
    Solution
        Points with covariance, numbers for the machine file, open points, and readings that disagree.

    Raises
    ------
    MachineFileError
        When a reading cannot be used (no pin diameter, side left open); every one is named.
    """
    problem = build(machine, survey)
    fit, doubtful = settled(problem)
    return _solution(machine, problem, fit, doubtful)


def _without(survey: Survey, fit: Fit, rows: Rows) -> Survey:
    gone = {id(rows.groups[g].item) for g in fit.aside}
    return replace(survey, readings=tuple(replace(r, aside=True) if id(r) in gone else r for r in survey.readings))


def settled(problem: Problem) -> tuple[Fit, tuple[Elsewhere, ...]]:
    """Adjust a problem, turning points over where the readings then agree better.

    Returns
    -------
    fit : Fit
        The best way of folding.
    elsewhere : tuple of Elsewhere
        Other places of single points that would fit as well.
    """
    fit = adjust(problem.rows, problem.start)
    if _as_shaky_as_it_was(problem, fit):
        fit = adjust(problem.rows, problem.start)
    rows, n = problem.rows, problem.rows.unknowns

    def badness(f: Fit) -> float:
        return f.cost + FOLD_COST * len(f.aside)

    for _ in range(MOST_FOLDS):
        if not fit.aside and fit.cost <= float(chdtri(max(fit.freedom, 1), 0.05)):
            break
        # with every reading in force: a wrong side shows as readings that disagree
        others = elsewhere(problem.layout, problem.survey, fit.q, n)
        turned = sorted(
            (o for o in others if o.cost_there < o.cost_here - 9.0), key=lambda o: o.cost_there - o.cost_here
        )
        better = None
        for other in turned[:3]:
            spot = problem.layout.spots[other.point]
            start = fit.q.copy()
            start[spot.y], start[spot.z] = spot.sign * other.y_mm, other.z_mm
            trial = adjust(rows, start)
            if badness(trial) < badness(fit) - 4.0:
                better = trial
                break
        if better is None:
            break
        fit = better
    doubtful = elsewhere(problem.layout, _without(problem.survey, fit, rows), fit.q, n)
    return fit, tuple(o for o in doubtful if o.cost_there < o.cost_here + FOLD_DOUBT)


def _named_by(problem: Problem, fit: Fit) -> set[str]:
    """Places in the readings set aside: only they can sit on the wrong side."""
    items = [problem.rows.groups[g].item for g in fit.aside]
    return {problem.layout.alias.get(p.place, p.place) for r in items if r is not None for p in r.points}


def _as_shaky_as_it_was(problem: Problem, fit: Fit) -> bool:
    """Widen the marks of a sheet whose own scatter says that the hand was less sure than given; whether any were."""
    rows = problem.rows
    _, checked = group_tests(rows, fit.residual, fit.slope, fit.used)
    changed = False
    for number, sheet in enumerate(problem.survey.sheets):
        mine = [g for g, group in enumerate(rows.groups) if group.mark is not None and group.mark[0] == number]
        seen = []
        for g in mine:
            aside = g in fit.aside
            if aside or checked[g] > SHAKY_CHECKED:
                size = float(np.sum(fit.residual[list(rows.groups[g].rows)] ** 2))
                seen.append(size if aside else size / checked[g])
        if len(seen) < SHAKY_MARKS or len(sheet.marks) < SHAKY_MARKS:
            continue
        # two coordinates: the median of χ² with two degrees of freedom is 2 ln 2
        factor = float(np.sqrt(np.median(seen) / (2 * np.log(2))))
        if factor > SHAKY:
            rows.sigma[[r for g in mine for r in rows.groups[g].rows]] *= factor
            changed = True
    return changed


def _solution(machine: Machine, problem: Problem, fit: Fit, doubtful: tuple[Elsewhere, ...]) -> Solution:
    layout, rows = problem.layout, problem.rows
    n = rows.unknowns
    reach = max([abs(v) for v in problem.start] or [0.0])
    covariance, loose = split_loose(fit.slope[fit.used], LOOSE_SHARE * max(reach, 1.0))
    widened = _widening(fit)
    covariance = covariance * widened**2
    numbers = number_map(machine, layout)
    slopes = numbers.slopes(fit.q, n)
    spread = slopes @ covariance @ slopes.T
    reading_list = tuple(r for r in problem.survey.readings if not r.aside)
    candidates = candidate_readings(layout, fit.q) if loose.shape[1] else ()
    candidate_rows = candidate_slopes(layout, problem.survey, candidates, fit.q, n)
    sources = _sources(problem, fit, numbers.places)
    found = tuple(
        Found(
            key,
            float(at),
            float(SIGMAS_PER_TOL * np.sqrt(max(spread[i, i], 0.0))),
            sources[i],
            _is_held(slopes[i], loose),
            key.startswith("parts.") and layout.places[numbers.places[i][0].place].part is None,
        )
        for i, (key, at) in enumerate(zip(numbers.keys, numbers.values(fit.q), strict=True))
    )
    opened = open_points(layout, loose, reading_list, fit.q, candidates, candidate_rows)
    named = {layout.alias.get(w, w) for w in wanted(problem.survey)}
    return Solution(
        points=tuple(_placed(layout, fit.q, covariance, loose)),
        numbers=found,
        covariance=spread,
        readings=_checked(problem, fit),
        open=opened,
        either=tuple(_two_places(problem, fit, doubtful, opened)),
        unmeasured=tuple(p for p in FRONT_PLACES if p not in named),
        widened=widened,
        freedom=fit.freedom,
        converged=fit.converged,
    )


def _two_places(problem: Problem, fit: Fit, doubtful: tuple[Elsewhere, ...], opened: tuple[Open, ...]) -> list[Open]:
    """Points that the machine file's picture decided, not the readings."""
    layout = problem.layout
    already = {p for o in opened for p in o.points}
    out = []
    for other in doubtful:
        spot = layout.spots[other.point]
        picture = np.array([spot.sign * problem.start[spot.y], problem.start[spot.z]])
        here = np.hypot(spot.sign * fit.q[spot.y] - picture[0], fit.q[spot.z] - picture[1])
        there = np.hypot(other.y_mm - picture[0], other.z_mm - picture[1])
        if other.point in already or there > PLAIN_PICTURE * here + PLAIN_PICTURE_MM:
            continue
        moved = fit.q.copy()
        moved[spot.y], moved[spot.z] = spot.sign * other.y_mm, other.z_mm
        candidates = [r for r in candidate_readings(layout, fit.q) if other.point.place in {p.place for p in r.points}]
        would = {(r.kind, r.points): r.reads for r in candidate_readings(layout, moved)}
        tells = [abs(r.reads - would.get((r.kind, r.points), r.reads)) for r in candidates]
        remedy = candidates[int(np.argmax(tells))] if candidates else None
        todo = f" Measure one more: {describe(remedy, layout.places)}." if remedy else ""
        who = plain_name(layout.shown(other.point), layout.places)
        words = (
            f"the {who} fits in two places, here and at {spot.hand * other.y_mm:.1f} out, {other.z_mm:.1f} up; "
            f"the machine file's picture decided.{todo}"
        )
        out.append(Open((other.point,), 1, words, remedy))
    return out


def _is_held(slope: Array, loose: Array) -> bool:
    size = float(np.linalg.norm(slope))
    return not loose.shape[1] or float(np.linalg.norm(slope @ loose)) <= 1e-3 * max(size, 1e-12)


def _widening(fit: Fit) -> float:
    if fit.freedom <= 0 or fit.cost <= float(chdtri(fit.freedom, 0.05)):
        return 1.0
    return float(np.sqrt(fit.cost / fit.freedom))


def _sources(problem: Problem, fit: Fit, places: Sequence[tuple[PointName, ...]]) -> list[str]:
    """The origin of each number: survey, unless sheets alone show all of its points."""
    read = {
        problem.layout.alias.get(p.place, p.place)
        for g in problem.rows.groups
        if g.item is not None and fit.used[g.rows[0]]
        for p in g.item.points
    }
    shown: dict[str, set[str]] = {}
    for sheet in problem.survey.sheets:
        for mark in sheet.marks:
            shown.setdefault(mark.point.place, set()).add(sheet.source)
    out = []
    for points in places:
        wanted = {p.place for p in points}
        kinds = set().union(*(shown.get(w, set()) for w in wanted))
        out.append(kinds.pop() if len(kinds) == 1 and not wanted & read else "survey")
    return out


def _placed(layout: Layout, q: Array, covariance: Array, loose: Array) -> list[PlacedPoint]:
    n = covariance.shape[0]
    out = []
    for name, spot in layout.spots.items():
        twin = PointName(name.place, "left")
        if layout.places[name.place].view == "side" or (
            name.side == "right" and name.place not in layout.differ and twin in layout.spots
        ):
            continue
        pick = np.zeros((2, n))
        if 0 <= spot.y < n:
            pick[0, spot.y] = spot.hand * spot.sign
        if 0 <= spot.z < n:
            pick[1, spot.z] = 1.0
        cov = pick @ covariance @ pick.T
        axes = np.sqrt(np.maximum(np.linalg.eigvalsh(cov), 0.0)) * ELLIPSE_95
        both = (
            name.side == "left" and name.place not in layout.differ and PointName(name.place, "right") in layout.spots
        )
        out.append(
            PlacedPoint(
                name,
                layout.places[name.place].plain if both else plain_name(name, layout.places),
                both,
                float(spot.hand * spot.sign * q[spot.y]),
                float(q[spot.z]),
                cov,
                (float(axes[1]), float(axes[0])),
                _is_held(pick[0], loose) and _is_held(pick[1], loose),
            )
        )
    return out


def _checked(problem: Problem, fit: Fit) -> tuple[Checked, ...]:
    rows, survey, places = problem.rows, problem.survey, problem.layout.places
    chance, checked = group_tests(rows, fit.residual, fit.slope, fit.used)
    out = []
    for g, group in enumerate(rows.groups):
        first = group.rows[0]
        off = -float(fit.residual[first] * rows.sigma[first])
        aside, or_else = g in fit.aside, g in fit.instead
        if group.item is not None:
            reading = group.item
            # a reading pulls the solution towards itself: what the rest says alone lies further off
            told = off / max(checked[g], 1e-6) if not aside and checked[g] > 0.02 else off
            out.append(
                Checked(describe(reading, places), reading.reads, reading.reads - told, KINDS[reading.kind].unit, told,
                        float(chance[g]), float(checked[g]), aside, or_else, reading)
            )  # fmt: skip
            continue
        sheet, mark = group.mark if group.mark is not None else (0, 0)
        point = survey.sheets[sheet].marks[mark].point
        miss = float(np.hypot(*(fit.residual[list(group.rows)] * rows.sigma[list(group.rows)])))
        out.append(
            Checked(f"{plain_name(point, places)} on {survey.sheets[sheet].name}", 0.0, miss, "mm", miss,
                    float(chance[g]), float(checked[g]), aside, or_else, None)
        )  # fmt: skip
    return tuple(out)
