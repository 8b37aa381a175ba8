"""Surveys: time of a whole solve, held against scipy on the same readings; recovery, slips named, advice.

Run: python -m sims.benchmarks.run --only survey      (LEANMIX_DEEP=1 for many more machines)
"""

from __future__ import annotations

import os
import time
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from leanmix.machine import Machine, demo
from leanmix.survey import FRONT_PLACES, PointName, Survey, made_up_machine, made_up_readings, next_readings, solve
from leanmix.survey.layout import machine_spots
from leanmix.survey.problem import build
from sims.benchmarks.figures import Figure, plain, ratio

APART = tuple(p for p in FRONT_PLACES if p != "arm_centre")
WITHIN = {2: 5.991464547107979, 1: 3.841458820694124}


def start_for(truth: Machine) -> Machine:
    return demo("wren" if truth.servo.arrangement == "one_each_side" else "tarn").machine


def with_slip(survey: Survey, seed: int) -> tuple[Survey, int]:
    rng = np.random.default_rng(seed)
    at = int(rng.integers(len(survey.readings)))
    bad = replace(survey.readings[at], reads=survey.readings[at].reads + rng.uniform(3, 20) * rng.choice([-1, 1]))
    return replace(survey, readings=(*survey.readings[:at], bad, *survey.readings[at + 1 :])), at


def milliseconds(machines: int, *, apart: bool, slip: bool) -> list[float]:
    out = []
    for seed in range(machines):
        truth = made_up_machine(seed, not apart)
        survey = made_up_readings(truth, seed, APART if apart else ())
        if slip:
            survey, _ = with_slip(survey, seed)
        start = time.perf_counter()
        solve(start_for(truth), survey)
        out.append(1e3 * (time.perf_counter() - start))
    return out


def recovered(machines: int) -> tuple[float, float, float]:
    """Shares of points inside their ellipses, of slips named, and of clean surveys accused."""
    inside: list[bool] = []
    named, accused = [], []
    for seed in range(machines):
        apart = seed % 4 == 3
        truth = made_up_machine(seed, not apart)
        survey = made_up_readings(truth, 90_000 + seed, APART if apart else ())
        slip = None
        if seed % 2:
            survey, slip = with_slip(survey, seed)
        found = solve(start_for(truth), survey)
        spots = machine_spots(truth)
        for p in found.points:
            at = spots[p.point if p.point in spots else PointName(p.point.place, "left")]
            off = np.array([p.out_mm - at[0], p.up_mm - at[1]])
            values, vectors = np.linalg.eigh(p.covariance_mm2)
            free = values > 1e-12
            inside.append(float(np.sum((vectors[:, free].T @ off) ** 2 / values[free])) <= WITHIN[int(free.sum())])
        if slip is None:
            accused.append(bool(found.aside))
        else:
            named.append(survey.readings[slip] in [c.reading for c in found.aside])
    return float(np.mean(inside)), float(np.mean(named)), float(np.mean(accused))


def by_scipy(machine: Machine, survey: Survey) -> object:
    problem = build(machine, survey)
    n = problem.rows.unknowns

    def miss(x: NDArray[np.float64]) -> NDArray[np.float64]:
        q = problem.start.copy()
        q[:n] = x
        return problem.rows.at(q)[0]

    return least_squares(miss, problem.start[:n], method="lm")


def measure(short: bool) -> list[Figure]:
    """All figures; `short` for a quick look."""
    few, many = (6, 40) if short else (30, 2000 if os.environ.get("LEANMIX_DEEP") == "1" else 300)
    truth = made_up_machine(1)
    survey = made_up_readings(truth, 1, ())
    start = start_for(truth)
    milliseconds(2, apart=False, slip=False)
    inside, named, accused = recovered(many)
    weights = {"left.arm.radius_mm": 0.4, "left.mount.ball.up_mm": -1.0}
    next_readings(start, survey, weights)
    advice = []
    for _ in range(few):
        begin = time.perf_counter()
        next_readings(start, survey, weights)
        advice.append(1e3 * (time.perf_counter() - begin))
    return [
        plain("whole survey, sides alike", milliseconds(few, apart=False, slip=False), "ms", goal=50),
        plain("whole survey, sides alike, one slip", milliseconds(few, apart=False, slip=True), "ms", goal=50),
        plain("whole survey, sides apart, one slip", milliseconds(few, apart=True, slip=True), "ms", goal=50),
        ratio(
            "settling, gross errors and covariance against bare scipy",
            lambda: solve(start, survey),
            lambda: by_scipy(start, survey),
            peer_is="scipy least_squares (MINPACK) on the same equations, coordinates only",
        ),
        plain("next reading ranked", advice, "ms"),
        plain(f"points inside their 95 % ellipses, {many} machines", [100 * inside], "%", goal=93, more_is_better=True),
        plain(f"slips named first, {many // 2} surveys", [100 * named], "%", goal=95, more_is_better=True),
        plain(f"clean surveys accused, {many - many // 2} surveys", [100 * accused], "%", goal=5),
    ]
