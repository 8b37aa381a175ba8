"""Suggesting a lean curve: the ratio and slew that get the machine through manoeuvres fastest without a tip."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from leanmix.errors import NoAnswer
from leanmix.linkage import Array, servo_line
from leanmix.mixer import FRAME_MS
from leanmix.response.cases import Contender
from leanmix.response.fastest import fastest_pass
from leanmix.response.manoeuvre import Manoeuvre
from leanmix.response.variants import RATIO, SLEW, Base, own_ratio, own_slew_us, variant
from leanmix.response.vehicle import make_vehicle
from leanmix.response.watch import EndKind

__all__ = ["Candidate", "Suggestion", "suggest_curve"]

# of candidates this near to the best, the one with least lean, then least slew, is the kindest to servo and links
NEAR_SHARE = 0.005
RATIOS = 9
SLEW_STEPS = 5


@dataclass(frozen=True, slots=True)
class Candidate:
    """One curve tried.

    Attributes
    ----------
    ratio : float
        Degrees asked for each degree of runner steer.
    slew_us_per_frame : float
    fastest_m_per_s : tuple of float
        One a manoeuvre; 0 where even the slowest failed.
    ends : tuple of str
        What ends each just above.
    score : float
        Geometric mean of its passes over those without lean; 0 where one fails altogether.
    arm_deg : float
        Largest throw it reaches either way, after the caps.
    """

    ratio: float
    slew_us_per_frame: float
    fastest_m_per_s: tuple[float, ...]
    ends: tuple[str, ...]
    score: float
    arm_deg: float


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What came out.

    Attributes
    ----------
    manoeuvres : tuple of str
    without_lean, own, best : Candidate
        No lean at all; the file's own curve; the suggested one.
    tried : tuple of Candidate
        All of them, best first.
    gains_nothing : bool
        True where nothing tried beats no lean by more than `NEAR_SHARE`: then the model says lean does not help here.
    """

    manoeuvres: tuple[str, ...]
    without_lean: Candidate
    own: Candidate
    best: Candidate
    tried: tuple[Candidate, ...]
    gains_nothing: bool


def _grid(base: Base, most_ratio: float | None) -> tuple[list[float], list[float]]:
    """Ratios from little to as much as the caps can give at full lock, and slews up to what the servo can follow."""
    plan = base.plan
    lean = plan.rising.lean_deg if plan.machine.lean.ask == "lean" else plan.rising.throw_deg
    n = plan.numbers
    lock = min(float(n["runner.steer_left_deg"]), float(n["runner.steer_right_deg"]))
    # past this the caps flatten the curve short of full lock
    top = most_ratio if most_ratio is not None else 1.5 * float(max(lean[-1], -lean[0])) / lock
    ratios = [round(float(r), 3) for r in np.linspace(top / RATIOS, top, RATIOS)]
    fastest = float(np.rad2deg(servo_line(n).free_speed_rad_per_s)) * FRAME_MS / 1e3
    slew = fastest * float(n["servo.pulse_per_deg_us"])
    slews = sorted({max(1.0, round(slew / 2**k)) for k in range(SLEW_STEPS)})
    return ratios, slews


def suggest_curve(
    base: Base,
    manoeuvres: Sequence[Manoeuvre],
    grips: Sequence[float],
    *,
    most_ratio: float | None = None,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Suggestion:
    """Try ratios and slews within the caps, and say which is best.

    Parameters
    ----------
    base : Base
        The machine, its caps and its own table.
    manoeuvres : sequence of Manoeuvre
        What it is to be good at; each counts alike.
    grips : sequence of float
        Grip for each manoeuvre.
    most_ratio : float, optional
        Largest ratio to try.
    progress, cancelled : callable, optional
        As in `drive_picks`.

    Raises
    ------
    NoAnswer
        When it was cancelled, or the machine gets through none of the manoeuvres at any speed.
    """
    ratios, slews = _grid(base, most_ratio)
    own = Contender(base.machine.name, make_vehicle(base.machine, base.plan.numbers), base.image)
    contenders = [Contender("without lean", own.vehicle, base.image, 0), own]
    asked = [(0.0, own_slew_us(base.image)), (own_ratio(base.machine, base.plan.numbers), own_slew_us(base.image))]
    arms = [0.0, _reach_deg(own, own)]
    for ratio in ratios:
        for slew in slews:
            made = variant(base, {RATIO: ratio, SLEW: slew})
            if made is not None:
                contenders.append(Contender(made.name, own.vehicle, made.image))
                asked.append((ratio, slew))
                arms.append(_reach_deg(own, made))
    who, what = np.divmod(np.arange(len(contenders) * len(manoeuvres)), len(manoeuvres))
    passes = fastest_pass(
        contenders, list(manoeuvres), who, what, np.array(grips)[what], progress=progress, cancelled=cancelled
    )
    if cancelled is not None and cancelled():
        raise NoAnswer("Stopped before anything could be suggested.")
    speed = passes.speed_m_per_s.reshape(len(contenders), len(manoeuvres))
    then = passes.then.reshape(speed.shape)
    score = _scores(speed)
    every = [
        Candidate(
            ratio=asked[i][0],
            slew_us_per_frame=asked[i][1],
            fastest_m_per_s=tuple(float(v) for v in speed[i]),
            ends=tuple(EndKind(int(k)).says for k in then[i]),
            score=float(score[i]),
            arm_deg=arms[i],
        )
        for i in range(len(contenders))
    ]
    if score.max() <= 0:
        raise NoAnswer(
            "This machine gets through none of these manoeuvres at any speed.", "Try more grip, or easier ones."
        )
    plain, file_own, tried = every[0], every[1], sorted(every[2:], key=lambda c: -c.score)
    if not tried:
        raise NoAnswer("No curve could be tried within the caps.", "See the curve command.")
    near = [c for c in tried if c.score >= tried[0].score * (1 - NEAR_SHARE)]
    best = min(near, key=lambda c: (c.ratio, c.slew_us_per_frame))
    helps = best.score > plain.score * (1 + NEAR_SHARE)
    return Suggestion(tuple(m.name for m in manoeuvres), plain, file_own, best, tuple(tried), not helps)


def _scores(speed: Array) -> Array:
    """Geometric mean of passes over the first row's (no lean); where that fails altogether, over 1 m/s."""
    plain = np.where(speed[0] > 0, speed[0], 1.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.exp(np.log(speed / plain).mean(axis=1)))


def _reach_deg(own: Contender, made: Contender) -> float:
    plugs, knots = own.vehicle.plugs, np.array(made.image.outputs[0].knots_eighths, dtype=np.float64)
    throw = (knots - plugs.neutral_eighths[0, 0]) * plugs.rad_per_eighth[0, 0]
    return float(np.abs(np.rad2deg(throw)).max())
