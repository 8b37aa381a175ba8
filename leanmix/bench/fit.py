"""From bench readings to the numbers of the machine, each with what is left uncertain.

Weighted least squares (scipy). The numbers asked for are left free; the points and angles that bench readings do
not fix (where the axis is, how the guide stands) are let vary within the file's tolerances, so that what they
leave uncertain ends up in the intervals. Readings that fit nothing are named and left out, worst first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from leanmix.bench.model import SIGMAS_PER_TOL, Rows, expected, eye_up_at_neutral_mm, rows_of
from leanmix.errors import NoAnswer
from leanmix.journal import Reading
from leanmix.linkage import SIDES, Value, side_geometry
from leanmix.machine import Machine, MachineFile, Measured, Numbers, each_number, values

__all__ = ["BenchFit", "Fitted", "Oddity", "fit_bench"]

Array = NDArray[np.float64]

# How far off each number might be before anything was read: wide, so that the readings decide.
WIDE: Mapping[str, float] = {
    "arm.radius_mm": 10.0,
    "arm.rest_deg": 30.0,
    "link.length_mm": 12.0,
    "servo.pulse_per_deg_us": 4.0,
    "servo.backlash_deg": 4.0,
}
# Points and angles that readings do not fix, with the tolerance taken where the file gives none.
NUISANCE: Mapping[str, float] = {
    "arm.centre.out_mm": 0.3,
    "arm.centre.up_mm": 0.3,
    "arm.offset_behind_mm": 0.5,
    "guide.cant_deg": 1.0,
    "mount.ball.out_mm": 0.3,
    "mount.ball.up_mm": 0.3,
    "mount.eye.up_mm": 0.3,
}
DATUM_TOL_MM = 0.2
NAMES: Mapping[str, tuple[str, str]] = {
    "arm.radius_mm": ("arm radius", "mm"),
    "arm.rest_deg": ("arm at neutral pulse", "deg"),
    "link.length_mm": ("link length", "mm"),
    "servo.pulse_per_deg_us": ("pulse gain", "µs/deg"),
    "servo_right.pulse_per_deg_us": ("pulse gain", "µs/deg"),
    "servo.backlash_deg": ("backlash", "deg"),
}
MARKS: Mapping[str, tuple[float, ...]] = {"eye_up_mm": (1.0, 10.0), "arm_deg": (5.0, 10.0)}
ODD_SHARE = 0.01  # chance of calling any reading of a good set odd
ODD_MOST = 0.25  # more odd readings than this share and the model is wrong, not they
SPREAD_MOST = 5.0  # readings this many times worse than stated are no readings of this machine
HOPELESS = 1e3  # residual, in sigmas, of a set of numbers that cannot be assembled


@dataclass(frozen=True, slots=True)
class Fitted:
    """One number as found.

    Parameters
    ----------
    key : str
        Key in the machine file ("left.arm.radius_mm"), or "" for what follows from others.
    name, side, unit : str
        For people.
    was : Measured
        In the file, or what follows from the file.
    now : Measured
        As found, with its 95 % interval.
    found : bool
        Whether the readings fix it better than knowing nothing.
    differs : bool
        Whether found and file exclude each other, both tolerances counted.
    """

    key: str
    name: str
    side: str
    unit: str
    was: Measured
    now: Measured
    found: bool
    differs: bool


@dataclass(frozen=True, slots=True)
class Oddity:
    """A reading that fits nothing.

    Parameters
    ----------
    index : int
        Place among the readings given.
    reading : Reading
        As it was written down.
    expected : float
        What it should have been, from all the others.
    off_by : float
        Reading less expected, in its unit.
    likely : str
        What probably happened.
    """

    index: int
    reading: Reading
    expected: float
    off_by: float
    likely: str


@dataclass(frozen=True, slots=True)
class BenchFit:
    """What a set of readings says about a machine.

    Parameters
    ----------
    numbers : tuple of Fitted
        Numbers of the file.
    derived : tuple of Fitted
        What follows: neutral offset [deg of throw], centring pulse [µs], ride heights [mm].
    odd : tuple of Oddity
        Readings left out.
    readings : tuple of Reading
        All that were given.
    file_says, fit_says : ndarray, shape (readings,)
        Each reading as the file has it, and as found.
    spread : float
        Root mean square of what is left over, in units of the readings' own standard deviations; 1 is as stated.
    fitted : Numbers
        The machine's numbers with those found put in.
    """

    numbers: tuple[Fitted, ...]
    derived: tuple[Fitted, ...]
    odd: tuple[Oddity, ...]
    readings: tuple[Reading, ...]
    file_says: Array
    fit_says: Array
    spread: float
    fitted: Numbers


@dataclass(frozen=True, slots=True)
class _Problem:
    """Free numbers, their first values and standard deviations before anything was read."""

    machine: Machine
    numbers: Numbers
    keys: tuple[str, ...]
    first: Array
    prior_sigma: Array
    wide: NDArray[np.bool_]

    def at(self, x: Array) -> tuple[Numbers, dict[str, Value]]:
        """Numbers and datums for parameter sets, x of shape (sets, keys)."""
        column = dict(zip(self.keys, x.T, strict=True))
        datum: dict[str, Value] = {s: column.pop(f"{s}.datum_mm", np.zeros(len(x))) for s in SIDES}
        return Numbers({**self.numbers, **column}), datum

    def predict(self, x: Array, rows: Rows) -> Array:
        """Shape (readings, sets)."""
        numbers, datum = self.at(np.atleast_2d(x))
        return expected(self.machine, numbers, rows, datum)


def _start(machine: Machine) -> Numbers:
    """The file's numbers with what it leaves to be worked out written in, so that it can be fitted."""
    base = values(machine)
    more = {
        f"{side}.link.length_mm": float(side_geometry(machine, base, side).link_length_mm)
        for side in SIDES
        if f"{side}.link.length_mm" not in base
    }
    if machine.servo.arrangement == "one_each_side":
        more["servo_right.pulse_per_deg_us"] = float(
            base.get("servo_right.pulse_per_deg_us", base["servo.pulse_per_deg_us"])
        )
    return Numbers({**base, **more})


def _problem(machine: Machine, rows: Rows) -> _Problem:
    numbers = _start(machine)
    tol = {n.key: n.measured.tol for n in each_number(machine)}
    keys, sigma, wide = [], [], []

    def add(key: str, spread: float, free: bool) -> None:
        keys.append(key)
        sigma.append(spread)
        wide.append(free)

    present = [s for s in SIDES if (rows.left if s == "left" else ~rows.left).any()]
    one_servo = machine.servo.arrangement == "double_arm"
    if one_servo or "left" in present:
        add("servo.pulse_per_deg_us", WIDE["servo.pulse_per_deg_us"], True)
    if not one_servo and "right" in present:
        add("servo_right.pulse_per_deg_us", WIDE["servo.pulse_per_deg_us"], True)
    if (rows.longer != 0).any():
        add("servo.backlash_deg", WIDE["servo.backlash_deg"], True)
    for side in present:
        for key in ("arm.radius_mm", "arm.rest_deg", "link.length_mm"):
            add(f"{side}.{key}", WIDE[key], True)
        for key, unknown in NUISANCE.items():
            if one_servo and side == "right" and key.startswith("arm.centre") and "left" in present:
                continue  # one axis: the left side's point stands for both
            owner = "left" if one_servo and key.startswith("arm.centre") else side
            given = tol.get(f"{owner}.{key}")
            add(f"{owner}.{key}", (unknown if given is None else given) / SIGMAS_PER_TOL, False)
        add(f"{side}.datum_mm", DATUM_TOL_MM / SIGMAS_PER_TOL, False)
    use = [i for i, s in enumerate(sigma) if s > 0]
    names = tuple(keys[i] for i in use)
    first = np.array([0.0 if k.endswith("datum_mm") else float(numbers[k]) for k in names])
    return _Problem(machine, numbers, names, first, np.array(sigma)[use], np.array(wide, dtype=bool)[use])


def _solve(problem: _Problem, rows: Rows, start: Array) -> tuple[Array, Array, Array]:
    """Best parameters, the whole Jacobian (readings and priors, in sigmas), and the readings' residuals in sigmas."""
    step = 1e-5 * np.maximum(problem.prior_sigma, 0.05)

    def residuals(x: Array) -> Array:
        off = (problem.predict(x, rows)[:, 0] - rows.at) / rows.sigma
        return np.concatenate([np.where(np.isfinite(off), off, HOPELESS), (x - problem.first) / problem.prior_sigma])

    def jacobian(x: Array) -> Array:
        sets = np.concatenate([x + np.diag(step), x - np.diag(step)])
        found = problem.predict(sets, rows)
        slope = (found[:, : len(x)] - found[:, len(x) :]) / (2 * step) / rows.sigma[:, None]
        return np.concatenate([np.where(np.isfinite(slope), slope, 0.0), np.diag(1 / problem.prior_sigma)])

    done = optimize.least_squares(
        residuals, start, jac=jacobian, x_scale=problem.prior_sigma, method="trf", max_nfev=60
    )
    return done.x, jacobian(done.x), residuals(done.x)[: len(rows)]


def fit_bench(source: MachineFile, readings: tuple[Reading, ...]) -> BenchFit:
    """Find the machine's numbers from bench readings.

    Parameters
    ----------
    source : MachineFile
        The machine as its file has it; its neutral pulse is taken as what neutral means.
    readings : tuple of Reading
        Arm angles and eye heights, each with side, pulse and tolerance; others are left aside.

    Returns
    -------
    BenchFit
        Intervals are widened where the readings scatter more than their tolerances say, never narrowed.

    Raises
    ------
    NoAnswer
        With fewer than four such readings, or when they contradict each other or the machine as its file has it.
    """
    used = tuple(r for r in readings if r.quantity in ("arm_deg", "eye_up_mm"))
    if len(used) < 4:
        raise NoAnswer(
            f"{len(used)} arm angles and eye heights: too few to fit anything.",
            "Read both sides at five pulses or more: leanmix bench walk",
        )
    rows = rows_of(used)
    problem = _problem(source.machine, rows)
    keep = np.ones(len(rows), dtype=bool)
    x = problem.first
    while True:
        x, jac, residual = _solve(problem, rows.only(keep), x)
        worst = _worst(jac, residual, keep)
        if worst is None:
            break
        keep[worst] = False
        if np.sum(~keep) > ODD_MOST * len(rows):
            raise _contradiction()
    covariance = np.asarray(np.linalg.pinv(jac.T @ jac, hermitian=True), dtype=float)
    # readings beyond what the priors' pseudo-readings take up
    freedom = max(1, int(keep.sum()) - int(problem.wide.sum()))
    left_over = float(residual @ residual) / freedom
    if left_over > SPREAD_MOST**2:
        raise _contradiction()
    widen = np.sqrt(max(1.0, left_over))
    quantile = SIGMAS_PER_TOL if widen == 1.0 else float(stats.t.ppf(0.975, freedom))
    found = problem.predict(x, rows)[:, 0]
    first = problem.predict(problem.first, rows)[:, 0]
    numbers, _ = problem.at(x[None, :])
    fitted = Numbers({k: float(np.ravel(v)[0]) for k, v in numbers.items()})
    scale = float(widen * quantile)
    return BenchFit(
        numbers=_numbers(source.machine, problem, x, covariance, scale),
        derived=_derived(source.machine, problem, x, covariance, scale),
        odd=tuple(_oddity(used, int(i), found, problem, x) for i in np.flatnonzero(~keep)),
        readings=used,
        file_says=first,
        fit_says=found,
        spread=float(np.sqrt(left_over)),
        fitted=fitted,
    )


def _contradiction() -> NoAnswer:
    return NoAnswer(
        "The readings contradict each other, or the machine is built otherwise than its file says.",
        "Compare a few of them with the picture (leanmix bench fit --picture), correct the file or strike them.",
    )


def _worst(jac: Array, residual: Array, keep: NDArray[np.bool_]) -> int | None:
    """The reading that fits least, when it is beyond chance; by its own leverage-corrected residual."""
    if len(residual) < 6:
        return None  # too few to tell a slip from the truth
    inverse = np.linalg.pinv(jac.T @ jac, hermitian=True)
    mine = jac[: len(residual)]
    leverage = np.einsum("ij,jk,ik->i", mine, inverse, mine)
    score = np.abs(residual) / np.sqrt(np.maximum(1 - leverage, 1e-3))
    # where all readings scatter more than they should, none of them is odd for that
    scatter = max(1.0, float(np.median(score)) / float(stats.norm.isf(0.25)))
    limit = float(stats.norm.isf(ODD_SHARE / 2 / len(residual))) * scatter
    at = int(np.argmax(score))
    return int(np.flatnonzero(keep)[at]) if score[at] > limit else None


def _numbers(machine: Machine, problem: _Problem, x: Array, covariance: Array, scale: float) -> tuple[Fitted, ...]:
    given = {n.key: n.measured for n in each_number(machine)}
    out = []
    for i, key in enumerate(problem.keys):
        if not problem.wide[i]:
            continue
        side, _, rest = key.partition(".")
        side = side if side in SIDES else {"servo_right": "right"}.get(side, "")
        if machine.servo.arrangement == "one_each_side" and key == "servo.pulse_per_deg_us":
            side = "left"
        name, unit = NAMES.get(key) or NAMES[rest]
        was = given.get(key, Measured(float(problem.first[i])))
        tol = float(scale * np.sqrt(covariance[i, i]))
        at = max(0.0, float(x[i])) if key == "servo.backlash_deg" else float(x[i])
        out.append(_fitted(key, name, side, unit, was, at, tol, problem.prior_sigma[i]))
    return tuple(out)


def _fitted(
    key: str, name: str, side: str, unit: str, was: Measured, at: float, tol: float, before_sigma: float
) -> Fitted:
    found = tol < before_sigma
    differs = found and abs(at - was.at) > np.hypot(tol, was.tol or 0.0)
    return Fitted(key, name, side, unit, was, Measured(at, tol, "bench"), bool(found), bool(differs))


def _derived(machine: Machine, problem: _Problem, x: Array, covariance: Array, scale: float) -> tuple[Fitted, ...]:
    """Neutral offset, the pulse that centres the arm, and ride heights, by propagation through the model."""
    step = np.asarray(1e-4 * np.maximum(problem.prior_sigma, 0.05), dtype=float)

    def out(name: str, side: str, unit: str, values_of: Array, was: float) -> Fitted | None:
        count = len(x)
        slope = (values_of[1 : count + 1] - values_of[count + 1 :]) / (2 * step)
        if not np.all(np.isfinite(values_of)):
            return None
        tol = float(scale * np.sqrt(max(0.0, slope @ covariance @ slope)))
        return _fitted("", name, side, unit, Measured(was), float(values_of[0]), tol, np.inf)

    sets = np.concatenate([x[None, :], x + np.diag(step), x - np.diag(step)])
    numbers, _ = problem.at(sets)
    before = problem.numbers
    found: list[Fitted | None] = []
    rest = {s: f"{s}.arm.rest_deg" for s in SIDES if f"{s}.arm.rest_deg" in problem.keys}
    sign = {"left": 1.0, "right": -1.0}
    servos = [("", tuple(rest))] if machine.servo.arrangement == "double_arm" else [(s, (s,)) for s in rest]
    for name, sides in servos:
        offset = sum(sign[s] * (np.asarray(numbers[rest[s]]) - before[rest[s]]) for s in sides) / len(sides)
        right = name == "right"
        gain = np.asarray(numbers["servo_right.pulse_per_deg_us" if right else "servo.pulse_per_deg_us"])
        leans = (right and machine.servo_right.longer_pulse_leans) or machine.servo.longer_pulse_leans
        neutral = float(before["servo.pulse_neutral_us"])
        if right:
            neutral = float(before.get("servo_right.pulse_neutral_us", neutral))
        centring = neutral - (1.0 if leans == "left" else -1.0) * gain * offset
        found.append(out("neutral offset", name, "deg", np.broadcast_to(offset, (len(sets),)), 0.0))
        found.append(out("pulse that centres the arm", name, "µs", np.broadcast_to(centring, (len(sets),)), neutral))
    for side in rest:
        heights = eye_up_at_neutral_mm(machine, numbers, side)
        was = float(eye_up_at_neutral_mm(machine, before, side)[0])
        found.append(out("ride height", side, "mm", heights, was))
    return tuple(f for f in found if f is not None)


def _oddity(used: tuple[Reading, ...], index: int, found: Array, problem: _Problem, x: Array) -> Oddity:
    reading, should = used[index], float(found[index])
    off = reading.at - should
    near = 3 * max(reading.tol, 1e-9)
    other = rows_of((_swapped(reading),))
    across = float(problem.predict(x, other)[0, 0]) if _known_side(problem, _swapped(reading).side) else np.nan
    if abs(reading.at + should) < near:
        likely = "the sign was lost"
    elif abs(reading.at - across) < near:
        likely = "it was read on the other side"
    elif min(abs(abs(off) - mark) for mark in MARKS[reading.quantity]) < near:
        likely = "the scale was read one mark out"
    else:
        likely = "it was misread, or something slipped or touched"
    return Oddity(index, reading, should, off, likely)


def _swapped(reading: Reading) -> Reading:
    return replace(reading, side="right" if reading.side == "left" else "left")


def _known_side(problem: _Problem, side: str) -> bool:
    return f"{side}.arm.radius_mm" in problem.keys
