"""Figures read off traces: lag, rise, overshoot, gain; the same for a step that stays and for steering to and fro."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leanmix.linkage import Array

__all__ = ["Follow", "StepFigures", "crossing_s", "follow", "loop_width", "over_steps", "step_figures"]

LONGEST_LAG_S = 0.6
# less than this and the thing can't be said to follow
LEAST_SWING = 0.02
# samples to either side that a peak is read off
ROUND_PEAK = 2


@dataclass(frozen=True, slots=True)
class StepFigures:
    """How a quantity gets from where it was to where it stays.

    Attributes
    ----------
    steady : float
        Mean of the last part, less the value at the start; same unit as the trace.
    rise_s : float
        From 10 % to 90 % of it.
    reach_90_s : float
        From the trace's start to 90 %.
    overshoot_share : float
        (peak − steady) / steady, ≥ 0.
    settle_s : float
        From the trace's start until it stays within 2 %.
    """

    steady: float
    rise_s: float
    reach_90_s: float
    overshoot_share: float
    settle_s: float


def crossing_s(time_s: Array, value: Array, level: float) -> float:
    """When a trace first gets to a level from below, straight lines between samples; −1 where it never does."""
    above = np.flatnonzero(value >= level)
    if not above.size:
        return -1.0
    i = int(above[0])
    if i == 0:
        return float(time_s[0])
    share = (level - value[i - 1]) / (value[i] - value[i - 1])
    return float(time_s[i - 1] + share * (time_s[i] - time_s[i - 1]))


def step_figures(time_s: Array, value: Array, steady: float | None = None) -> StepFigures | None:
    """Figures of a step response (ISO 7401's response time and overshoot, from memory).

    Parameters
    ----------
    time_s, value : ndarray, shape (steps,)
        From the moment of the step [s, any unit].
    steady : float, optional
        Where it stays, less the first value; the mean of the last tenth without it.

    Returns
    -------
    StepFigures or None
        None where it goes nowhere.
    """
    moved = value - value[0]
    last = max(1, len(moved) // 10)
    final = float(np.mean(moved[-last:])) if steady is None else steady
    if abs(final) < 1e-9:
        return None
    share = moved / final
    low, high = crossing_s(time_s, share, 0.1), crossing_s(time_s, share, 0.9)
    out = np.flatnonzero(np.abs(share - 1.0) > 0.02)
    settled = float(time_s[min(int(out[-1]) + 1, len(time_s) - 1)]) if out.size else float(time_s[0])
    return StepFigures(
        steady=final,
        rise_s=high - low if low >= 0 and high >= 0 else -1.0,
        reach_90_s=high - float(time_s[0]) if high >= 0 else -1.0,
        overshoot_share=max(0.0, float(share.max()) - 1.0),
        settle_s=settled - float(time_s[0]),
    )


@dataclass(frozen=True, slots=True)
class Follow:
    """How one trace follows another.

    Attributes
    ----------
    lag_s : float
        How much later.
    gain : float
        Its size over the other's.
    """

    lag_s: float
    gain: float


def follow(time_s: Array, cause: Array, effect: Array, *, held: bool) -> Follow | None:
    """Lag and gain of an effect behind its cause.

    Parameters
    ----------
    time_s : ndarray, shape (steps,)
        Evenly spaced [s].
    cause, effect : ndarray, shape (steps,)
        E.g. steering angle, and lean or yaw rate, any units.
    held : bool
        Whether the cause goes to a value and stays there: then the lag is from half to half, and the gain that of
        what they come to. Else the lag is the shift at which the two agree best.

    Returns
    -------
    Follow or None
        None where either hardly moves, the effect runs out of the record, or it is most alike before its cause.
    """
    c, e = cause - cause[0], effect - effect[0]
    if np.ptp(c) < LEAST_SWING or np.ptp(e) < LEAST_SWING:
        return None
    last = max(1, len(c) // 10)
    final_c, final_e = float(np.mean(c[-last:])), float(np.mean(e[-last:]))
    if held:
        if final_c == 0 or final_e == 0:
            return None
        first, then = crossing_s(time_s, c / final_c, 0.5), crossing_s(time_s, e / final_e, 0.5)
        return Follow(then - first, final_e / final_c) if first >= 0 and then >= 0 else None
    return _shifted(time_s, c, e)


def _shifted(time_s: Array, cause: Array, effect: Array) -> Follow | None:
    step = float(time_s[1] - time_s[0])
    most = min(len(cause) // 2, int(LONGEST_LAG_S / step))
    if most <= 2 * ROUND_PEAK:
        return None
    # some shifts the other way as well: a peak needs both its sides
    like = np.array([_alike(cause, effect, k) for k in range(-ROUND_PEAK, most + ROUND_PEAK + 1)])
    k = int(np.argmax(like[ROUND_PEAK : ROUND_PEAK + most + 1]))
    if k == most or like[k + ROUND_PEAK - 1] > like[k + ROUND_PEAK]:
        return None
    late, part = effect[k:], cause[: len(cause) - k]
    return Follow((k + _peak(like[k : k + 2 * ROUND_PEAK + 1])) * step, float(late @ part / (part @ part)))


def _alike(cause: Array, effect: Array, shift: int) -> float:
    """How like two traces are once the effect is brought forward by some samples, 0…1, whatever their sizes."""
    n = len(cause) - abs(shift)
    c, e = cause[max(-shift, 0) :][:n], effect[max(shift, 0) :][:n]
    return abs(float(c @ e)) / max(float(np.linalg.norm(c) * np.linalg.norm(e)), 1e-300)


def _peak(like: Array) -> float:
    """Where the quartic through five even samples has its peak, counted from the middle one, the largest of them."""
    a, b, c, d, e = like
    first, second = (a - 8 * b + 8 * d - e) / 12, (16 * (b + d) - 30 * c - a - e) / 12
    third, fourth = (e - 2 * d + 2 * b - a) / 2, a - 4 * b + 6 * c - 4 * d + e
    at = 0.0
    for _ in range(6):
        slope = first + at * (second + at * (third / 2 + at * fourth / 6))
        bend = second + at * (third + at * fourth / 2)
        if bend >= 0:
            break
        at = min(max(at - slope / bend, -0.5), 0.5)
    return float(at)


def over_steps(value: Array) -> Array:
    """Mean over the step that begins at each sample, straight lines between them; the last sample stays itself."""
    out = value.copy()
    out[:-1] = (value[:-1] + value[1:]) * 0.5
    return out


def loop_width(drive: Array, answer: Array, places: int = 9) -> tuple[Array, Array]:
    """How far apart an answer is going up and going down: friction and play seen as a loop, not averaged away.

    Parameters
    ----------
    drive, answer : ndarray, shape (steps,)
        E.g. servo arm and lean, over at least one full swing to and fro.
    places : int
        At how many places of the drive's range, its ends left out.

    Returns
    -------
    at, width : ndarray, shape (places,)
        Places of the drive, and the answer's mean on the way up less that on the way down there.
    """
    low, high = float(drive.min()), float(drive.max())
    at = np.linspace(low, high, places + 2)[1:-1]
    going = np.diff(drive)
    width = np.zeros(places)
    for i, place in enumerate(at):
        crosses = np.flatnonzero((drive[:-1] - place) * (drive[1:] - place) < 0)
        share = (place - drive[crosses]) / going[crosses]
        value = answer[crosses] + share * (answer[crosses + 1] - answer[crosses])
        up, down = value[going[crosses] > 0], value[going[crosses] < 0]
        if up.size and down.size:
            width[i] = float(up.mean() - down.mean())
    return at, width
