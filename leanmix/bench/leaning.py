"""From lean read by phone level at several throws: how hard the rear resists lean, and how much friction holds.

Rolled, the machine stands where the balance puts it; parked, runner friction keeps it short of that on the way
there. So rolled readings fix the rear's roll stiffness, and parked ones the moment that friction can hold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from leanmix.bench.model import SIGMAS_PER_TOL
from leanmix.errors import FileTrouble, NoAnswer
from leanmix.journal import Reading
from leanmix.linkage import servo_calibrations
from leanmix.machine import Machine, MachineFile, Measured, Numbers, each_number, values
from leanmix.stance import balance, stance_setup

__all__ = ["LeanFit", "fit_lean"]

Array = NDArray[np.float64]

STIFFNESS = "rear.roll_stiffness_N_m_per_rad"
# What else moves the lean for a throw, with the tolerance taken where the file gives none.
UNSURE = {
    "chassis.cg_up_mm": 4.0,
    "rear.pivot_up_mm": 4.0,
    "left.shock.rate_N_per_mm": None,
    "right.shock.rate_N_per_mm": None,
    "servo.pulse_per_deg_us": 0.2,
}
RATE_SHARE = 0.08  # springs where the file gives no tolerance
CROOKED_DEG = 3.0  # how crooked a phone may lie on the machine
FRICTION_WIDE_N_M = 1.0
TOL_LEAST_DEG = 0.02
STIFFNESS_LEAST = 0.0
ROLLED_LEAST = 3


@dataclass(frozen=True, slots=True)
class LeanFit:
    """What lean readings say.

    Parameters
    ----------
    stiffness : Measured
        Rear roll stiffness [N m/rad]; its ± counts what else is unsure.
    was : Measured
        In the file.
    differs : bool
        Whether the two exclude each other.
    crooked_deg : Measured
        Reading where the machine stands level: the phone lay crooked, or it leans by itself.
    friction_N_m : Measured or None
        Rolling moment that friction holds when parked; None without parked readings both ways.
    band_deg : float or None
        Half of the band of lean that this holds at neutral, parked.
    readings : tuple of Reading
        Those used.
    file_says, fit_says : ndarray, shape (readings,)
        Each as the file has it, and as found (parked ones with friction).
    spread : float
        What is left over, in units of the readings' own standard deviations.
    """

    stiffness: Measured
    was: Measured
    differs: bool
    crooked_deg: Measured
    friction_N_m: Measured | None
    band_deg: float | None
    readings: tuple[Reading, ...]
    file_says: Array
    fit_says: Array
    spread: float


@dataclass(frozen=True, slots=True)
class _Problem:
    machine: Machine
    numbers: Numbers
    keys: tuple[str, ...]
    first: Array
    sigma: Array
    pulse_us: Array
    held: Array  # parked: + where friction holds it left of its balance, − right of it, 0 rolled
    at: Array
    reading_sigma: Array

    def predict(self, x: Array) -> Array:
        """Readings for parameter sets of shape (sets, keys): shape (readings, sets)."""
        column = dict(zip(self.keys, x.T, strict=True))
        crooked, friction = column.pop("crooked"), column.pop("friction")
        column[STIFFNESS] = np.maximum(column[STIFFNESS], STIFFNESS_LEAST)
        numbers = Numbers({**self.numbers, **column})
        calibration = servo_calibrations(self.machine, numbers)[0]
        throw = np.rad2deg((self.pulse_us[:, None] - calibration.neutral_us) / calibration.us_per_rad)
        stance = balance(stance_setup(self.machine, numbers), throw)
        with np.errstate(divide="ignore", invalid="ignore"):
            short = np.rad2deg(friction / stance.stability_N_m_per_rad)
        return np.asarray(stance.lean_deg + crooked + self.held[:, None] * short)


def fit_lean(source: MachineFile, readings: tuple[Reading, ...]) -> LeanFit:
    """Find rear roll stiffness and runner friction from lean readings.

    Parameters
    ----------
    source : MachineFile
        The machine, its linkage already fitted.
    readings : tuple of Reading
        Of ``lean_deg``, each with pulse and state ("rolled" or "parked"); parked ones say by `approach` which way
        the pulse was going. Others are left aside. For one_each_side the pulse is the left servo's.

    Raises
    ------
    NoAnswer
        Without enough rolled readings at different throws.
    FileTrouble
        When a reading has no pulse or state.
    """
    used = tuple(r for r in readings if r.quantity == "lean_deg")
    for r in used:
        if r.pulse_us is None or r.state not in ("rolled", "parked"):
            raise FileTrouble(
                f"A lean of {r.at:g}° was kept without its pulse, or without saying rolled or parked.",
                "Strike it, read again.",
            )
    rolled = [r for r in used if r.state == "rolled"]
    if len({r.pulse_us for r in rolled}) < ROLLED_LEAST:
        raise NoAnswer(
            f"{len(rolled)} lean readings after rolling: too few.",
            f"Read at {ROLLED_LEAST} pulses or more, rolling the machine a length to and fro before each.",
        )
    problem = _problem(source.machine, used)
    x, jac, residual = _solve(problem)
    covariance = np.asarray(np.linalg.pinv(jac.T @ jac, hermitian=True), dtype=float)
    freedom = max(1, len(used) - 2 - int(bool(problem.held.any())))
    left_over = float(residual @ residual) / freedom
    widen = float(np.sqrt(max(1.0, left_over)))
    scale = widen * (SIGMAS_PER_TOL if widen == 1.0 else float(stats.t.ppf(0.975, freedom)))

    def measured(key: str) -> Measured:
        i = problem.keys.index(key)
        return Measured(float(x[i]), float(scale * np.sqrt(covariance[i, i])), "bench")

    stiffness = measured(STIFFNESS)
    stiffness = Measured(max(0.0, stiffness.at), stiffness.tol, "bench")
    was = source.machine.rear.roll_stiffness_N_m_per_rad
    both = {np.sign(h) for h in problem.held if h} == {1.0, -1.0}
    friction = measured("friction") if both else None
    band = None
    if friction is not None:
        friction = Measured(max(0.0, friction.at), friction.tol, "bench")
        numbers = Numbers(
            {**problem.numbers, **{k: float(v) for k, v in zip(problem.keys, x, strict=True) if "." in k}}
        )
        neutral = balance(stance_setup(source.machine, numbers), 0.0)
        band = float(np.rad2deg(friction.at / np.ravel(neutral.stability_N_m_per_rad)[0]))
    return LeanFit(
        stiffness=stiffness,
        was=was,
        differs=bool(abs(stiffness.at - was.at) > np.hypot(stiffness.tol or 0.0, was.tol or 0.0)),
        crooked_deg=measured("crooked"),
        friction_N_m=friction,
        band_deg=band,
        readings=used,
        file_says=problem.predict(problem.first[None, :])[:, 0],
        fit_says=problem.predict(x[None, :])[:, 0],
        spread=float(np.sqrt(left_over)),
    )


def _problem(machine: Machine, used: tuple[Reading, ...]) -> _Problem:
    numbers = values(machine)
    tol = {n.key: n.measured.tol for n in each_number(machine)}
    keys: list[str] = [STIFFNESS, "crooked", "friction"]
    first = [float(numbers[STIFFNESS]), 0.0, 0.0]
    # wide enough that the readings decide, whatever the file says
    sigma = [10.0 + 3.0 * float(numbers[STIFFNESS]), CROOKED_DEG, FRICTION_WIDE_N_M]
    for key, unknown in UNSURE.items():
        given = tol.get(key)
        spread = given if given is not None else (RATE_SHARE * float(numbers[key]) if unknown is None else unknown)
        if spread > 0:
            keys.append(key)
            first.append(float(numbers[key]))
            sigma.append(spread / SIGMAS_PER_TOL)
    longer_leans_left = servo_calibrations(machine, numbers)[0].us_per_rad > 0
    going = {"longer": 1.0, "shorter": -1.0, "": 0.0}
    # the pulse was taking it to the left: friction keeps it short of that, to the right
    held = [
        0.0 if r.state == "rolled" else -going.get(r.approach, 0.0) * (1.0 if longer_leans_left else -1.0) for r in used
    ]
    return _Problem(
        machine=machine,
        numbers=numbers,
        keys=tuple(keys),
        first=np.array(first),
        sigma=np.array(sigma),
        pulse_us=np.array([float(r.pulse_us or 0.0) for r in used]),
        held=np.array(held),
        at=np.array([r.at for r in used]),
        reading_sigma=np.array([max(r.tol, TOL_LEAST_DEG) / SIGMAS_PER_TOL for r in used]),
    )


def _solve(problem: _Problem) -> tuple[Array, Array, Array]:
    step = 1e-3 * problem.sigma
    count = len(problem.first)

    def residuals(x: Array) -> Array:
        off = (problem.predict(x[None, :])[:, 0] - problem.at) / problem.reading_sigma
        return np.concatenate([np.where(np.isfinite(off), off, 1e3), (x - problem.first) / problem.sigma])

    def jacobian(x: Array) -> Array:
        found = problem.predict(np.concatenate([x + np.diag(step), x - np.diag(step)]))
        slope = (found[:, :count] - found[:, count:]) / (2 * step) / problem.reading_sigma[:, None]
        return np.concatenate([np.where(np.isfinite(slope), slope, 0.0), np.diag(1 / problem.sigma)])

    low = np.full(count, -np.inf)
    low[0] = STIFFNESS_LEAST
    start = problem.first.copy()
    start[0] = max(start[0], 0.05)  # off the bound, where the slope on both sides is known
    done = optimize.least_squares(
        residuals, start, jac=jacobian, bounds=(low, np.full(count, np.inf)), x_scale=problem.sigma, max_nfev=40
    )
    return done.x, jacobian(done.x), residuals(done.x)[: len(problem.at)]
