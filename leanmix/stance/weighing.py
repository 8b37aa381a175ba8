"""Where the weight is, from kitchen scales, a tilt board and a ruler: each with its uncertainty.

Uncertainties are 95 % half-widths, carried through to first order (GUM, JCGM 100:2008, 5.1.2) by central differences,
readings independent.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from leanmix.errors import LeanmixError
from leanmix.machine import Measured

__all__ = ["Weighing", "cg_along_across", "cg_up_from_raised_rear", "cg_up_from_tilt"]

STEP_SHARE = 1e-6


@dataclass(frozen=True, slots=True)
class Weighing:
    """What the scales come to.

    Parameters
    ----------
    mass_g : Measured
        Whole machine.
    cg_behind_mm : Measured
        Balance point behind the runners' contacts.
    cg_left_mm : Measured
        Balance point left of the centreline.
    """

    mass_g: Measured
    cg_behind_mm: Measured
    cg_left_mm: Measured


def _carried(f: Callable[..., float], readings: Sequence[Measured]) -> Measured:
    """Value of a formula with its tolerance, all readings independent."""
    at = [r.at for r in readings]
    value = f(*at)
    if not np.isfinite(value):
        raise LeanmixError("These readings give no balance point.", "Check each reading and its unit.")
    variance = 0.0
    for i, reading in enumerate(readings):
        if not reading.tol:
            continue
        h = max(abs(at[i]), 1.0) * STEP_SHARE
        up, down = list(at), list(at)
        up[i] += h
        down[i] -= h
        variance += ((f(*up) - f(*down)) / (2 * h) * reading.tol) ** 2
    return Measured(value, float(np.sqrt(variance)) or None)


def cg_along_across(
    left_g: Measured,
    right_g: Measured,
    rear_g: Measured,
    rear_behind_mm: Measured,
    left_out_mm: Measured,
    right_out_mm: Measured,
) -> Weighing:
    """Balance point from three scales under left runner, right runner and rear.

    Parameters
    ----------
    left_g, right_g, rear_g : Measured
        Readings with the machine level; what carries nothing must still read ≥ 0 [g].
    rear_behind_mm : Measured
        Where the rear stands on its scale, behind the runners' contacts; put it on a narrow bar there [mm].
    left_out_mm, right_out_mm : Measured
        Runners' contacts out from the centreline [mm].

    Returns
    -------
    Weighing
        Moments about the runners' contacts and about the centreline.

    Raises
    ------
    LeanmixError
        When the scales read nothing.
    """
    if left_g.at + right_g.at + rear_g.at <= 0:
        raise LeanmixError("The three scales together read nothing.", "Give grams.")
    mass = _carried(lambda a, b, c: a + b + c, (left_g, right_g, rear_g))
    along = _carried(lambda a, b, c, x: c * x / (a + b + c), (left_g, right_g, rear_g, rear_behind_mm))
    across = _carried(
        lambda a, b, c, p, q: (a * p - b * q) / (a + b + c), (left_g, right_g, rear_g, left_out_mm, right_out_mm)
    )
    return Weighing(mass, along, across)


def cg_up_from_tilt(tilt_deg: Measured, reach_mm: Measured) -> Measured:
    """Height of the balance point from the tilt at which the upper runner lifts, springs blocked.

    Parameters
    ----------
    tilt_deg : Measured
        Angle of the board when the upper runner lifts [deg].
    reach_mm : Measured
        Across, from the balance point to the line on which the machine then stands [mm].

    Returns
    -------
    Measured
        reach / tan(tilt) [mm]: at lift-off the weight points at that line (tilt-table ratio tan(tilt), SAE J2180).
        On its springs a machine leans further out before it lifts, and the height comes out too large.

    Raises
    ------
    LeanmixError
        When the tilt is not between 1° and 89°.
    """
    if not 1 <= tilt_deg.at <= 89:
        raise LeanmixError(
            f"A tilt of {tilt_deg.at:g}° tells nothing about the height.",
            "Give the angle at which a runner lifts, 1° to 89°.",
        )
    return _carried(lambda t, r: r / np.tan(np.deg2rad(t)), (tilt_deg, reach_mm))


def cg_up_from_raised_rear(
    mass_g: Measured,
    front_level_g: Measured,
    front_raised_g: Measured,
    rear_behind_mm: Measured,
    raised_mm: Measured,
    front_up_mm: Measured,
) -> Measured:
    """Height of the balance point from the front's scales with the rear level and raised.

    Parameters
    ----------
    mass_g : Measured
        Whole machine [g].
    front_level_g, front_raised_g : Measured
        Both runners' scales together, level and with the rear raised [g].
    rear_behind_mm : Measured
        Rear's support behind the runners' contacts, level [mm].
    raised_mm : Measured
        How far the rear was raised [mm], suspension blocked.
    front_up_mm : Measured
        Height of the point about which the front turns when the rear is raised: a wheel's axle; 0 for a ski's keel [mm].

    Returns
    -------
    Measured
        h = h₀ + L (F' − F) / (m tan α), sin α = raised / L: moments about the rear's support with the machine tipped
        forward by α (the usual raised-axle method; common practice).

    Raises
    ------
    LeanmixError
        When the rear was hardly raised, or as far as it is long.
    """
    if not 0.02 * rear_behind_mm.at < raised_mm.at < 0.95 * rear_behind_mm.at:
        raise LeanmixError(
            f"Raising the rear by {raised_mm.at:g} mm over {rear_behind_mm.at:g} mm tells nothing about the height.",
            "Raise it by a fifth to a half of that length.",
        )

    def height(m: float, level: float, raised: float, length: float, lift: float, h0: float) -> float:
        angle = np.arcsin(lift / length)
        return float(h0 + length * (raised - level) / (m * np.tan(angle)))

    return _carried(height, (mass_g, front_level_g, front_raised_g, rear_behind_mm, raised_mm, front_up_mm))
