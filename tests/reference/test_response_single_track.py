"""Side-slip and yaw against the published single-track model, in the limit where the two are the same."""

from __future__ import annotations

import numpy as np
import pytest
from vehiclemodels.parameters_vehicle2 import parameters_vehicle2
from vehiclemodels.vehicle_dynamics_ks import vehicle_dynamics_ks
from vehiclemodels.vehicle_dynamics_st import vehicle_dynamics_st

from leanmix.response.planar import axle_loads_N, planar_rates, to_chassis
from leanmix.response.sideforce import bend_mean_and_next, grip_share_and_slope, runner_angles_rad
from leanmix.response.way import steer_for_curvature_rad

# The package commonroad-vehicle-models 3.0.2, unit_tests/test_derivatives.py: states of vehicle 2
KS_STATE = [3.9579422297936526, 0.0391650102771405, 0.0378491427211811, 16.3546957860883566, 0.0294717351052816]
KS_RATES = [16.3475935934250209, 0.4819314886013121, 0.1500000000000000, 5.1464424102339752, 0.2401426578627629]
ST_STATE = [
    2.0233348142065677, 0.0041907137716636, 0.0197545248559617, 15.7216236334290116, 0.0025857914776859,
    0.0529001056654038, 0.0033012170610298,
]  # fmt: skip
STEER_RATE, PUSH = 0.15, 0.63 * 9.81


def single_track(v: float, beta: float, yaw_rate: float, steer: float, push: float) -> tuple[float, float]:
    """(rate of side-slip angle, rate of yaw rate) of a car, out of the response's own parts."""
    p = parameters_vehicle2()
    weight, base = p.m * 9.81, p.a + p.b
    front_N, rear_N = axle_loads_N(weight, p.a, p.b, p.h_s, push / 9.81)
    full = 3 * p.tire.p_dy1 / -p.tire.p_ky1  # tan of the slip angle at which all slides: slope 3/full is the stiffness
    u, side = v * np.cos(beta), v * np.sin(beta)
    forces = []
    for at, load, angle in ((p.a, front_N, steer), (-p.b, rear_N, 0.0)):
        across = side + at * yaw_rate
        slide = across * np.cos(angle) - u * np.sin(angle)
        rolled = u * np.cos(angle) + across * np.sin(angle)
        relax, step = 0.3, 0.01
        renewal = np.array(rolled * step / relax)
        steady = np.array(slide * step) / renewal
        mean, after, _, _ = bend_mean_and_next(steady, np.array(slide * step), renewal)
        assert after == pytest.approx(steady, rel=1e-12)  # a bristle in a steady slide stays as it is
        share, _ = grip_share_and_slope(mean / (relax * full))
        forces.append(to_chassis(0.0, -p.tire.p_dy1 * load * share, (np.cos(angle), np.sin(angle))))
    fy = forces[0][1] + forces[1][1]
    moment = p.a * forces[0][1] - p.b * forces[1][1]
    _, v_rate, r_rate = planar_rates(u, side, yaw_rate, 0.0, fy, moment, p.m, p.I_z)
    assert base > 0
    return float(v_rate / u), float(r_rate)


def test_the_package_still_gives_its_own_published_vector() -> None:
    found = vehicle_dynamics_ks(KS_STATE, [STEER_RATE, PUSH], parameters_vehicle2())
    assert found == pytest.approx(KS_RATES, abs=1e-12)


def test_rolling_without_slip_is_the_kinematic_model() -> None:
    p = parameters_vehicle2()
    curvature = KS_RATES[4] / KS_STATE[3]
    assert float(steer_for_curvature_rad(curvature, p.a + p.b)) == pytest.approx(KS_STATE[2], abs=1e-12)


@pytest.mark.parametrize("push", [0.0, 3.0, -2.0])
@pytest.mark.parametrize("only", ["beta", "yaw_rate", "steer", "all"])
def test_single_track_rates_in_the_limit_of_small_angles(push: float, only: str) -> None:
    # The published model is linear in side-slip, yaw rate and steer; ours saturates, so the two part in proportion to
    # the angles over the angle of sliding: at 1e-9 of the vector's angles they must agree to 1e-9.
    p = parameters_vehicle2()
    small = 1e-9
    v, beta, yaw, steer = ST_STATE[3], ST_STATE[6], ST_STATE[5], ST_STATE[2]
    b, r, d = (
        small * x if only in (name, "all") else 0.0 for name, x in (("beta", beta), ("yaw_rate", yaw), ("steer", steer))
    )
    published = vehicle_dynamics_st([0, 0, d, v, 0, r, b], [0.0, push], p)
    beta_rate, yaw_acceleration = single_track(v, b, r, d, push)
    assert yaw_acceleration / small == pytest.approx(published[5] / small, rel=1e-9, abs=1e-12)
    assert beta_rate / small == pytest.approx(published[6] / small, rel=1e-9, abs=1e-12)


def test_ackermann_angles_of_a_turn() -> None:
    # identity cot δo − cot δi = w/L; L 2.5, w 1.5, R 10 gives 15.1240° and 13.0919°
    inner, outer = np.arctan(2.5 / (10 - 0.75)), np.arctan(2.5 / (10 + 0.75))
    assert np.rad2deg([inner, outer]) == pytest.approx([15.1240, 13.0919], abs=5e-5)
    left, right = runner_angles_rad(np.array([(inner + outer) / 2]), 1.5, 2.5, 1.0, 0.0)
    assert (left[0], right[0]) == pytest.approx((inner, outer), abs=1e-12)
    left, right = runner_angles_rad(np.array([-(inner + outer) / 2]), 1.5, 2.5, 1.0, 0.0)
    assert (left[0], right[0]) == pytest.approx((-outer, -inner), abs=1e-12)
