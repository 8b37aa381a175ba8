"""The machine in time: one run and a thousand against real time, and against scipy.integrate.solve_ivp run by run.

The peer integrates the same machine with the same forces (stance's balance, the same grip, arm held), adaptively,
one run at a time. Processor time, not time by the clock, is held against the time driven.
"""

from __future__ import annotations

import time

import numpy as np
from scipy.integrate import solve_ivp

from leanmix.job import work_out
from leanmix.linkage import GRAVITY_M_PER_S2
from leanmix.machine import demo
from leanmix.response import contender, drive, load_manoeuvre, make_runs, picks_of
from leanmix.response.contact import fixed_for, ground_forces
from leanmix.response.levers import pushes_mm
from leanmix.response.motion import start_motion
from leanmix.response.state import Course
from leanmix.response.upright import foresee, look_at_balance
from leanmix.response.vehicle import Vehicle
from leanmix.stance.whole import Force
from sims.benchmarks.figures import Figure, plain, ratio

__all__ = ["measure"]

SMALL_S = 1e-5
PEER_S = 0.4


def _peer(vehicle: Vehicle) -> None:
    """One run of a steer step by solve_ivp, the servo arm held."""
    one = np.ones(1)
    course = Course(0.5 * one, 0.04 * one, 0 * one, 0.14 * one, 0.16 * one, 3.0 * one, 0.25 * one)
    m, fixed = start_motion(vehicle, course, 1), fixed_for(vehicle, course, SMALL_S)
    push, still = pushes_mm(vehicle.levers, np.zeros((1, 1))), np.zeros((2, 1))
    road = vehicle.road
    pull = np.ones(1)

    def rates(t: float, y: np.ndarray) -> np.ndarray:
        m.u, m.v, m.yaw_rate, m.rise, m.roll, m.rise_rate, m.roll_rate = (y[i : i + 1] for i in range(7))
        m.bend = y[7:, None]
        m.roll_gain, m.load_before = 0 * pull, m.load
        steer = np.array([min(t / 0.05, 1.0) * 0.15])
        g = ground_forces(vehicle, fixed, m, steer, pull)
        down = -GRAVITY_M_PER_S2 * pull
        across = g.left_N / -road.mass
        then = foresee(vehicle, m, still, 0.0)
        f = look_at_balance(vehicle, m, Force(across, down, across / down, g.ratio), push, then)
        m.droop = m.droop_mid + f.droop_0
        m.forward_g = g.forward_N / fixed.weight
        lift = 1e3 * (f.lift + fixed.shift * m.forward_g) / vehicle.body.front_mass
        turn = 1e-3 * f.moment / road.roll_inertia
        return np.concatenate(
            [
                g.forward_N / road.mass + m.v * m.yaw_rate,
                g.left_N / road.mass - m.u * m.yaw_rate,
                g.turn_N_m / road.yaw_inertia,
                m.rise_rate,
                m.roll_rate,
                lift,
                turn,
                (g.bend - m.bend)[:, 0] / SMALL_S,
            ]
        )

    begin = np.concatenate([[3.0, 0, 0], m.rise, m.roll, np.zeros(2 + len(m.bend))])
    done = solve_ivp(rates, (0.0, PEER_S), begin, rtol=1e-4, atol=1e-6)
    if not done.success:
        raise RuntimeError(done.message)


def measure(short: bool) -> list[Figure]:
    """Figures of the response."""
    repeats = 3 if short else 7
    own = contender(work_out(demo("tarn")))
    step = load_manoeuvre("step")
    seconds = 2.2
    speeds = np.linspace(1.0, 3.2, 1000)
    many = make_runs([own], [step], picks_of(0, 0, speeds, np.linspace(0.3, 0.6, 1000)))
    single = make_runs([own], [step], picks_of(0, 0, 3.0, 0.5))

    def times_real(runs: object, count: int) -> list[float]:
        found = []
        for _ in range(repeats):
            start = time.process_time()
            drive(runs)  # type: ignore[arg-type]
            found.append(count * seconds / (time.process_time() - start))
        return found

    drive(single)
    return [
        plain("one run over real time", times_real(single, 1), "×", goal=10.0, more_is_better=True),
        plain("1,000 runs over real time", times_real(many, 1000), "×", goal=5000.0, more_is_better=True),
        ratio(
            "1,000 runs",
            lambda: drive(many),
            lambda: _peer(own.vehicle),
            peer_is="scipy solve_ivp (RK45, rtol 1e-4), one run at a time, a second driven against a second driven",
            ours_items=1000 * seconds,
            peer_items=PEER_S,
            repeats=repeats,
        ),
    ]
