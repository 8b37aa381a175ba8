"""Side force of a contact: saturating with slip, sticking at a standstill, limited by grip and load.

Each contact carries a bristle: how far the ground has dragged it sideways. Rolling renews it over a length (the
relaxation length), so in a steady run its bend is relaxation length × tan(slip angle); standing still nothing
renews it, so it holds like dry friction until it breaks away. One law thus covers driving, creeping and parked,
without a smallest speed. Bend to force is the brush model with parabolic pressure (Fiala 1954; Pacejka, Tire and
Vehicle Dynamics, ch. 3, from memory): F/(grip · load) = 1 − (1 − t)³ for t = bend / bend at which all slides.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Array",
    "bend_mean_and_next",
    "grip_left_N",
    "grip_share_and_slope",
    "half_apart_rad",
    "runner_angles_rad",
]

Array = NDArray[np.float64]


def grip_share_and_slope(bend: Array) -> tuple[Array, Array]:
    """Share of the grip that a bend calls up, −1…1, and its slope: 3 at no bend, 0 once all slides.

    `bend` is over the bend at which all slides, either sign.
    """
    t = np.minimum(np.abs(bend), 1.0)
    left = 1.0 - t
    # 1 − (1 − t)³ written so that small bends keep their digits
    return np.copysign(t * (3.0 + t * (t - 3.0)), bend), 3.0 * left * left


def bend_mean_and_next(bend_m: Array, slide_m: Array, renewal: Array) -> tuple[Array, Array, Array, Array]:
    """A bristle over one step: bend' = slide − (speed / relaxation length) · bend, solved exactly for a steady slide.

    Parameters
    ----------
    bend_m : ndarray
        Bend at the start.
    slide_m : ndarray
        Sideways speed of the contact over the ground, times the step: the distance dragged [m].
    renewal : ndarray
        Distance rolled over the relaxation length in this step, ≥ 0.

    Returns
    -------
    mean_m, next_m : ndarray
        Mean over the step, and bend at its end [m].
    mean_per_slide, next_per_slide : ndarray
        How they change with the distance dragged.
    """
    a = np.maximum(renewal, 1e-4)  # below it the series' first terms are exact to 1e-9
    keep = np.exp(-a)
    first = (1.0 - keep) / a
    second = (1.0 - first) / a
    return first * bend_m + second * slide_m, keep * bend_m + first * slide_m, second, first


def grip_left_N(grip_N: Array, along_N: Array) -> Array:
    """Side grip left when part of it is used lengthwise (friction circle), never less than a fiftieth [N]."""
    room = np.maximum(grip_N * grip_N - along_N * along_N, 0.0004 * grip_N * grip_N)
    return np.sqrt(room)


def runner_angles_rad(
    mean_rad: Array,
    gauge_m: Array | float,
    wheelbase_m: Array | float,
    ackermann: Array | float,
    toe_out_rad: Array | float,
) -> tuple[Array, Array]:
    """Each runner's steering angle for their mean.

    Parameters
    ----------
    mean_rad : ndarray
        Mean of both, + left [rad].
    gauge_m, wheelbase_m : float or ndarray
        Between the contacts; runners to rear support.
    ackermann : float or ndarray
        0 parallel, 1 both aim at one centre: cot δ_outer − cot δ_inner = gauge / wheelbase.
    toe_out_rad : float or ndarray
        Each runner's toe, + tips outwards.

    Returns
    -------
    left_rad, right_rad : ndarray
        Worked example (identity): gauge 1.5, wheelbase 2.5, mean 14.10795° → 15.1240° and 13.0919°.

    Notes
    -----
    With mean m and half difference d the condition reads 2 sin 2d = k (cos 2d − cos 2m), k = gauge/wheelbase,
    which has a closed form.
    """
    k = np.asarray(gauge_m) / np.asarray(wheelbase_m)
    half = half_apart_rad(mean_rad, np.arctan(k / 2), k / np.sqrt(4 + k * k), np.asarray(ackermann) / 2, toe_out_rad)
    return mean_rad + half, mean_rad - half


def half_apart_rad(mean_rad: Array, straight: Array, share: Array, half: Array, toe_out_rad: Array | float) -> Array:
    """Half of what the runners are turned apart, toe with it, from what in `runner_angles_rad` does not change."""
    return half * (straight - np.arcsin(share * np.cos(mean_rad + mean_rad))) + toe_out_rad
