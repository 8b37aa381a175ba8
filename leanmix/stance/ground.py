"""The ground: whether it slides before it tips, and how fast it may go round a bend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from leanmix.linkage import GRAVITY_M_PER_S2, Array, Value
from leanmix.machine import Machine, Measured
from leanmix.machine.schema import Surface

__all__ = ["COMMON_SURFACES", "SlideOrTip", "Verdict", "slide_limit_g", "slides_or_tips", "speed_m_per_s", "surfaces"]

Verdict = Literal["slides", "tips", "either"]

# Estimates, not measurements: orders of magnitude for small machines, common practice. A builder's own pull with a
# scale is worth more than any of them.
COMMON_SURFACES: tuple[Surface, ...] = (
    Surface(name="wet ice", grip=Measured(0.08, 0.05, "guess")),
    Surface(name="polished ice", grip=Measured(0.15, 0.08, "guess")),
    Surface(name="packed snow", grip=Measured(0.45, 0.2, "guess")),
    Surface(name="short grass", grip=Measured(0.6, 0.2, "guess")),
    Surface(name="loose gravel", grip=Measured(0.65, 0.2, "guess")),
    Surface(name="asphalt", grip=Measured(0.9, 0.25, "guess")),
    Surface(name="carpet", grip=Measured(1.2, 0.4, "guess")),
)


def surfaces(machine: Machine) -> tuple[Surface, ...]:
    """The builder's own surfaces, then the common ones that he has not named."""
    own = {s.name for s in machine.surfaces}
    return machine.surfaces + tuple(s for s in COMMON_SURFACES if s.name not in own)


def slide_limit_g(grip: Value, bank_deg: Value = 0.0, *, turn: str = "left") -> Array:
    """Horizontal acceleration over g at which it slides out of a turn: tan(atan(grip) + bank).

    Parameters
    ----------
    grip : float or ndarray
        Sideways grip over load.
    bank_deg : float or ndarray
        + with the left side of the road lower [deg].
    turn : {"left", "right"}
        Which way it turns.

    Returns
    -------
    ndarray
        Magnitude; inf where the bank holds it at any speed.
    """
    way = 1.0 if turn == "left" else -1.0
    angle = np.arctan(grip) + way * np.deg2rad(bank_deg)
    return np.asarray(np.where(angle < np.pi / 2, np.tan(np.minimum(angle, np.pi / 2 - 1e-12)), np.inf))


@dataclass(frozen=True, slots=True)
class SlideOrTip:
    """What happens first on one surface.

    Attributes
    ----------
    surface : str
    verdict : str
        "slides" or "tips" where that holds over the whole of the grip's range, else "either".
    slides_from_g, slides_to_g : float
        Sliding limit at the range's ends, over g.
    tips_g : float
        Tip limit it is held against.
    """

    surface: str
    verdict: Verdict
    slides_from_g: float
    slides_to_g: float
    tips_g: float


def slides_or_tips(surface: Surface, tips_g: float, bank_deg: float = 0.0, turn: str = "left") -> SlideOrTip:
    """Hold a tip limit against a surface's range of grip."""
    tol = surface.grip.tol or 0.0
    ends = np.array([max(surface.grip.at - tol, 0.0), surface.grip.at + tol])
    low, high = slide_limit_g(ends, bank_deg, turn=turn)
    verdict: Verdict = "slides" if high < tips_g else "tips" if low > tips_g else "either"
    return SlideOrTip(surface.name, verdict, float(low), float(high), float(tips_g))


def speed_m_per_s(lateral_g: Value, radius_m: Value) -> Array:
    """Speed at which a bend takes that acceleration: v² = a r."""
    return np.asarray(np.sqrt(np.maximum(lateral_g, 0.0) * GRAVITY_M_PER_S2 * np.asarray(radius_m)))
