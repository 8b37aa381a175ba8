"""Where the gain of leaning into a turn comes from, and where it goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leanmix.linkage import Array
from leanmix.stance.balance import balance
from leanmix.stance.pose import Stance
from leanmix.stance.setup import Setup
from leanmix.stance.support import SIGN, Turn
from leanmix.stance.tipping import tip_limits

__all__ = ["Gain", "gain_of_leaning"]

# short of the fold, so that the pose still stands
SHY_G = 2e-4


@dataclass(frozen=True, slots=True)
class Gain:
    """What leaning in changes about the turn in which the machine first gives way, in parts that add up to it.

    Attributes
    ----------
    turn : str
        Turning "left" or "right".
    upright_g, leaning_g : float
        Turns in which it gives way, arm centred and leaning in.
    lean_at_rest_deg, lean_upright_deg, lean_leaning_deg : float
        Lean into the turn: at rest with the arm there; where it gives way, arm centred; where it gives way, leaning in.
    cg_in_mm : float
        How much further in the balance point is where it gives way.
    by_cg_g, by_runners_g, by_rear_g, by_height_g : float
        Shares of `leaning_g` − `upright_g`: of the balance point further in, of where and how much the runners carry,
        of where and how much the rear carries, and of the balance point's height.
    """

    turn: Turn
    upright_g: float
    leaning_g: float
    lean_at_rest_deg: float
    lean_upright_deg: float
    lean_leaning_deg: float
    cg_in_mm: float
    by_cg_g: float
    by_runners_g: float
    by_rear_g: float
    by_height_g: float


def gain_of_leaning(setup: Setup, throw_deg: float, turn: Turn) -> Gain | None:
    """Part the gain of leaning in, by moments about the road where it gives way: a h = y − Σ xF/W.

    a is the turn over g, h and y are the balance point's height and place, x and F the places and loads of what
    carries the weight W. A difference of quotients is parted exactly: Δ(n/h) = Δn·mean(1/h) + mean(n)·Δ(1/h).

    Parameters
    ----------
    setup : Setup
        A single machine, from `stance_setup`.
    throw_deg : float
        Servo arm leaning into the turn, + leans left [deg].
    turn : {"left", "right"}
        Which way it turns.

    Returns
    -------
    Gain or None
        None where it stands in no such turn.
    """
    sign, throws = SIGN[turn], np.array([0.0, throw_deg])
    limits = tip_limits(setup, throws, turn).gives_way_g - SHY_G
    rest, at = balance(setup, throw_deg), balance(setup, throws, sign * limits)
    if not (rest.ok.all() and at.ok.all()):
        return None
    terms, height = _terms(at, sign), at.cg_up_mm
    by_cg, by_runners, by_rear = ((t[1] - t[0]) * (1 / height).mean() for t in terms)
    carried = np.sum(terms, axis=0).mean()
    upright, leaning = np.sum(terms, axis=0) / height
    return Gain(
        turn=turn,
        upright_g=float(upright),
        leaning_g=float(leaning),
        lean_at_rest_deg=float(sign * rest.lean_deg),
        lean_upright_deg=float(sign * at.lean_deg[0]),
        lean_leaning_deg=float(sign * at.lean_deg[1]),
        cg_in_mm=float(sign * np.diff(at.cg_left_mm)[0]),
        by_cg_g=float(by_cg),
        by_runners_g=float(by_runners),
        by_rear_g=float(by_rear),
        by_height_g=float(carried * np.diff(1 / height)[0]),
    )


def _terms(at: Stance, sign: float) -> tuple[Array, Array, Array]:
    left, right, rear = at.runner_load_left_N, at.runner_load_right_N, at.rear_load_N
    weight = left + right + rear
    runners = left * at.contact_left_mm + right * at.contact_right_mm
    return sign * at.cg_left_mm, -sign * runners / weight, -sign * rear * at.rear_pressure_left_mm / weight
