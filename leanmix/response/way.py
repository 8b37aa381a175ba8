"""The way to drive as curvature over distance, and the driver who steers along it.

A way is a chain of points (distance, curvature) with straight lines between them, so bends, tightening bends and
weaves are one thing. Curvature is + to the left [1/m].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.response.manoeuvre import Driver, Manoeuvre, PathPiece

__all__ = [
    "Array",
    "Chain",
    "chain_at",
    "driver_steer_rad",
    "manoeuvre_chain",
    "stack_chains",
    "steer_for_curvature_rad",
]

Array = NDArray[np.float64]

WEAVE_POINTS_PER_GATE = 24
# a jump of curvature would ask for a jump of steer; real bends run in over a little way
RUN_IN_M = 0.05


@dataclass(frozen=True, slots=True)
class Chain:
    """Points of a line that runs straight between them.

    Attributes
    ----------
    at : ndarray, shape (points,) or (points, runs)
        Rising: time [s] or distance [m].
    value : ndarray, same shape
        Steer share, or curvature [1/m]. The first and last values hold before and after.
    """

    at: Array
    value: Array

    @property
    def end(self) -> Array:
        """Where the chain ends, shape () or (runs,)."""
        return np.asarray(self.at[-1])


def chain_at(chain: Chain, where: Array) -> Array:
    """Value of a chain (or of one chain a run) at a place each.

    Parameters
    ----------
    chain : Chain
        One for all runs, or one a run.
    where : ndarray, shape (runs,)
        Time or distance.
    """
    if chain.at.ndim == 1:
        return np.asarray(np.interp(where, chain.at, chain.value))
    cell = np.clip((chain.at <= where).sum(axis=0) - 1, 0, len(chain.at) - 2)
    run = np.arange(chain.at.shape[1])
    low, high = chain.at[cell, run], chain.at[cell + 1, run]
    from_, to = chain.value[cell, run], chain.value[cell + 1, run]
    share = np.clip((where - low) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
    return np.asarray(from_ + share * (to - from_))


def stack_chains(chains: list[Chain], index: NDArray[np.intp]) -> Chain:
    """One chain a run, shape (points, runs): chain ``index[run]``; short ones end in repeated points."""
    if len(chains) == 1:
        return chains[0]
    points = max(len(c.at) for c in chains)

    def padded(values: Array) -> Array:
        return np.concatenate([values, np.full(points - len(values), values[-1])])

    at = np.stack([padded(c.at) for c in chains], axis=1)
    value = np.stack([padded(c.value) for c in chains], axis=1)
    return Chain(at[:, index], value[:, index])


def manoeuvre_chain(manoeuvre: Manoeuvre) -> Chain:
    """The steer over time, or curvature over distance, that a manoeuvre asks for."""
    if manoeuvre.steer:
        at = [p.at_s.at for p in manoeuvre.steer]
        share = [p.share.at for p in manoeuvre.steer]
        if len(at) == 1:
            at, share = [*at, at[0] + 1.0], share * 2
        return Chain(np.array(at), np.array(share))
    distance = 0.0
    at, curvature = [0.0], [0.0]
    for piece in manoeuvre.path:
        along, bend = _piece(piece)
        jump = abs(bend[0] - curvature[-1]) > 1e-9
        run_in = min(RUN_IN_M, piece.length_m.at / 4) if jump else 1e-9
        at.extend(distance + np.maximum(along, run_in))
        curvature.extend(bend)
        distance += piece.length_m.at
    keep = np.concatenate([[True], np.diff(at) > 0])
    return Chain(np.array(at)[keep], np.array(curvature)[keep])


def _piece(piece: PathPiece) -> tuple[Array, Array]:
    length = piece.length_m.at
    if piece.weave_m is not None and piece.gate_m is not None:
        return _weave(length, piece.weave_m.at, piece.gate_m.at)
    start = 0.0 if piece.radius_m is None else 1.0 / piece.radius_m.at
    end = start if piece.to_radius_m is None else 1.0 / piece.to_radius_m.at
    return np.array([0.0, length]), np.array([start, end])


def _weave(length: float, swing: float, gate: float) -> tuple[Array, Array]:
    """Curvature along y = swing · sin(π x / gate), over arc length from the first gate."""
    wave = np.pi / gate
    points = max(8, int(np.ceil(length / gate * WEAVE_POINTS_PER_GATE)))
    x = np.linspace(0.0, length, 4 * points + 1)
    slope = swing * wave * np.cos(wave * x)
    run = np.sqrt(1 + slope**2)
    arc = np.concatenate([[0.0], np.cumsum((run[1:] + run[:-1]) / 2 * np.diff(x))])
    bend = -swing * wave**2 * np.sin(wave * x) / run**3
    along = np.linspace(0.0, length, points + 1)
    return along, np.asarray(np.interp(along, arc, bend))


def steer_for_curvature_rad(curvature_per_m: Array | float, wheelbase_m: Array | float) -> Array:
    """Mean runner angle that rolls along a curvature without slip: tan δ = wheelbase · curvature = wheelbase · yaw rate / speed."""
    return np.asarray(np.arctan(curvature_per_m * np.asarray(wheelbase_m)))


def driver_steer_rad(
    driver: Driver,
    wheelbase_m: Array | float,
    curvature_per_m: Array,
    off_m: Array,
    heading_off_rad: Array,
) -> Array:
    """What the driver asks of the runners' mean angle [rad, + left].

    Parameters
    ----------
    driver : Driver
        Gains.
    wheelbase_m : float or ndarray
        Runners to rear support.
    curvature_per_m : ndarray, shape (runs,)
        The way's curvature where the driver looks.
    off_m, heading_off_rad : ndarray, shape (runs,)
        How far left of the way the machine is, and its heading less the way's.
    """
    return np.asarray(
        steer_for_curvature_rad(curvature_per_m, wheelbase_m)
        - np.deg2rad(driver.gain_deg_per_m.at) * off_m
        - driver.heading_gain.at * heading_off_rad
    )
