"""The monotone cubic behind a builder's knots, against published data.

Data: "RPN 14", F. N. Fritsch and R. E. Carlson, Monotone piecewise cubic interpolation, SIAM J. Numer. Anal. 17
(1980) 238-246. Values between knots: the documented example of NAG routine E01BEF/E01BFF, which scipy's own tests
also carry (to 5e-5, the digits printed there).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from leanmix.curve import asked_deg
from leanmix.machine import Machine, demo, parse, values

X = np.array([7.99, 8.09, 8.19, 8.7, 9.2, 10.0, 12.0, 15.0, 20.0])
F = np.array([0.0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994])


def machine_with(steer: np.ndarray, degrees: np.ndarray) -> Machine:
    pairs = ", ".join(f"[{s!r}, {d!r}]" for s, d in zip(steer.tolist(), degrees.tolist(), strict=True))
    text = demo("tarn").text.replace("left_deg = 7\nright_deg = 7\nshape = 0.1\ndeadband = 0.03", f"knots = [{pairs}]")
    return parse(text).machine


def steer_of(x: np.ndarray) -> np.ndarray:
    steer = 2 * (x - X[0]) / (X[-1] - X[0]) - 1
    return np.where(np.isclose(np.abs(steer), 1), np.sign(steer), steer)


def through(x: np.ndarray) -> np.ndarray:
    m = machine_with(steer_of(X), F)
    return asked_deg(m, values(m), steer_of(x))


def test_passes_the_published_values_between_the_knots() -> None:
    got = through(np.array([9.191, 10.392, 11.593]))
    assert got == pytest.approx([0.4640, 0.9645, 0.9965], abs=5e-5)


def test_stays_within_the_data_where_a_natural_cubic_does_not() -> None:
    x = np.linspace(X[0], X[-1], 20001)
    ours, natural = through(x), CubicSpline(X, F, bc_type="natural")(x)
    assert ours.min() >= 0
    assert ours.max() <= F[-1] + 1e-14  # round-off of the cubic's own sum
    assert np.all(np.diff(ours) >= -1e-12)
    # the row's figures for the natural cubic, recomputed: the check could fail
    assert natural.min() == pytest.approx(-0.0045, abs=5e-5)
    assert natural.max() == pytest.approx(1.1012, abs=5e-5)
