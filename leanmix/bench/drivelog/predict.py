"""The steady prediction that a log is laid over: lean for the servo's pulse, or for the steering, in its turn."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from leanmix.bench.drivelog.overlay import Prediction, level_g
from leanmix.errors import NoAnswer
from leanmix.linkage import servo_calibrations
from leanmix.stance import Setup, balance

__all__ = ["ThrowOfSteer", "steady_lean"]

Array = NDArray[np.float64]
ThrowOfSteer = Callable[[Array], Array]

THROWS, TURNS = 41, 13
TURN_MOST_G = 1.2


def steady_lean(setup: Setup, throw_span_deg: tuple[float, float], throw_of_steering: ThrowOfSteer) -> Prediction:
    """Lean standing still or in a steady turn, as a `Prediction`.

    Parameters
    ----------
    setup : Setup
        The machine, scalar numbers.
    throw_span_deg : tuple of float
        Throws between which to predict [deg, + left].
    throw_of_steering : callable
        Steering pulse [µs] to throw [deg], for logs without ``servo_us``.

    Returns
    -------
    Prediction
        Takes ``servo_us``, else ``steering_us``, else ``steer`` (as share of the steering's travel); the turn
        from `level_g`, none where the log has nothing of it. NaN where the machine does not stand.
        Called with a log that has none of the three it raises NoAnswer.
    """
    throws = np.linspace(*throw_span_deg, THROWS)
    turns = np.linspace(-TURN_MOST_G, TURN_MOST_G, TURNS)
    lean = balance(setup, throws[:, None], turns[None, :]).lean_deg
    table = RegularGridInterpolator((throws, turns), lean, bounds_error=False, fill_value=np.nan)
    numbers = setup.numbers
    calibration = servo_calibrations(setup.machine, numbers)[0]

    def predict(columns: Mapping[str, Array]) -> Array:
        if "servo_us" in columns:
            throw = np.rad2deg((columns["servo_us"] - calibration.neutral_us) / calibration.us_per_rad)
        elif "steering_us" in columns:
            throw = throw_of_steering(columns["steering_us"])
        elif "steer" in columns:
            neutral, left, right = (float(numbers[f"steering.pulse_{k}_us"]) for k in ("neutral", "left", "right"))
            steer = columns["steer"]
            throw = throw_of_steering(
                neutral + np.where(steer > 0, steer * (left - neutral), steer * (neutral - right))
            )
        else:
            raise NoAnswer(
                "The log has none of servo_us, steering_us and steer: there is nothing to predict lean from.",
                "Log one of them, or map its column: leanmix log map",
            )
        turn = level_g(columns)
        # a turn faster than the table has no steady lean to speak of, and a missing one counts as none
        at_g = np.zeros(len(throw)) if turn is None else np.where(np.isfinite(turn), turn, 0.0)
        at_g = np.where(np.abs(at_g) > TURN_MOST_G, np.nan, at_g)
        good = np.isfinite(throw) & np.isfinite(at_g)
        out = np.full(len(throw), np.nan)
        out[good] = table(np.stack([throw[good], at_g[good]], axis=1))
        return out

    return predict
