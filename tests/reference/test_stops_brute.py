"""Every stop of random machines against stepping through the throw: none missed, none invented, each root exact.

The stepping is done by `sims.reference.front_view` with shapely, which shares nothing with leanmix but the file. The
suspension's place over the throw is given to both by one plain formula, so that only stops are compared here.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from leanmix.errors import GeometryError
from leanmix.linkage import Array
from leanmix.machine import Machine, Numbers, parse, values
from leanmix.stops import Fineness, States, StateSolver
from leanmix.stops.loads import StateSource
from leanmix.stops.mechanism import mechanism
from leanmix.stops.search import Found, find_hard_ends, find_soft_ends, throw_range
from sims.reference import front_view as fv
from sims.reference.plain_file import at, read
from sims.reference.random_machines import random_machine

DEEP = bool(os.environ.get("LEANMIX_DEEP"))
MACHINES = 1_000 if DEEP else 200
STEP_DEG = 0.1 if DEEP else 0.4
ROOT_DEG = 1e-6
Figure = Callable[[np.ndarray], np.ndarray]


def droops(throw: np.ndarray) -> dict[str, np.ndarray]:
    """Made up: somewhat like a balance, with a bend in it."""
    return {"left": -0.28 * throw + 0.05 * throw**2, "right": 0.26 * throw + 0.04 * np.sin(3 * throw)}


def states_for(machine: Machine, numbers: Numbers) -> StateSolver:
    def solve(throw: Array) -> States:
        d = droops(throw)
        still = np.zeros_like(throw)
        return States(throw, d["left"], d["right"], still, still, 9 * throw, still, still, still == 0)

    return solve


def figures(plain: dict[str, Any]) -> Iterator[tuple[tuple[str, ...], Figure]]:
    """Everything that ends the throw, each as a figure that is above 0 while free."""
    both = fv.views(plain)

    def contact(a: fv.Instance, b: fv.Instance, margin: float) -> Figure:
        return lambda t: fv.pair_gap(both, a, b, t, droops(t)) - margin

    for i, a, b, margin in fv.pairs(plain):
        yield ("contact", str(i), a.part["name"], a.frame, b.part["name"], b.frame), contact(a, b, margin)
    travel = at(plain["servo"]["travel_deg"])
    yield ("servo_end",), lambda t: travel - np.abs(np.rad2deg(t))
    yield ("pulse_end",), lambda t: np.min([room(np.rad2deg(t)) for room in pulse_rooms(plain)], axis=0)
    for side, view in both.items():
        s = plain[side]

        def more(view: fv.SideView = view, s: dict[str, Any] = s, side: str = side) -> dict[str, Figure]:
            mu = at(s["guide"]["friction"]) + float(s["guide"]["friction"].get("tol", 0))
            least = at(plain["limits"].get("jam_margin", 0.1))
            down, up = at(s["mount"]["travel_down_mm"]), at(s["mount"]["travel_up_mm"])
            short, long = at(s["shock"]["length_min_mm"]), at(s["shock"]["length_max_mm"])

            def speed(t: np.ndarray) -> np.ndarray:
                # the mount's speed has the sign of arm × link; it turns back where they come into line
                arm = view.tip(view.tip_up(t)) - view.centre
                link = view.ball + view.push(t) * view.down - arm - view.centre
                return (arm.conjugate() * link).imag

            neutral = np.sign(speed(np.zeros(1)))
            return {
                "guide_end": lambda t: np.minimum(down - view.push(t), view.push(t) + up),
                "over_centre": lambda t: neutral * speed(t),
                "link_out_of_reach": lambda t: view.flat - np.abs(view.across(t)),
                "jam": lambda t: view.push_share(t, mu) - least,
                "shock_solid": lambda t: view.shock_length(t, droops(t)[side]) - short,
                "shock_pulled_out": lambda t: long - view.shock_length(t, droops(t)[side]),
            }

        for kind, figure in more().items():
            yield (kind, side), figure


def pulse_rooms(plain: dict[str, Any]) -> list[Figure]:
    """For each servo: how far its pulse is inside the maker's range, over throw in degrees."""
    servo, other = plain["servo"], plain.get("servo_right", {})
    low, high = at(servo["pulse_min_us"]), at(servo["pulse_max_us"])
    rooms = []
    for own in [{}] if servo["arrangement"] == "double_arm" else [{}, other]:
        neutral, per_deg = (at(own.get(k, servo[k])) for k in ("pulse_neutral_us", "pulse_per_deg_us"))
        sign = 1.0 if own.get("longer_pulse_leans", servo["longer_pulse_leans"]) == "left" else -1.0

        def room(deg: np.ndarray, neutral: float = neutral, per_deg: float = sign * per_deg) -> np.ndarray:
            pulse = neutral + per_deg * deg
            return np.minimum(pulse - low, high - pulse)

        rooms.append(room)
    return rooms


def named(found: list[Found]) -> dict[tuple[str, ...], tuple[float, float]]:
    """The search's answers under the same names, going left and going right; the nearer of two ends of one guide."""
    out: dict[tuple[str, ...], tuple[float, float]] = {}
    for f in found:
        if f.pair is not None:
            one, two = f.pair.first, f.pair.second
            key: tuple[str, ...] = ("contact", str(f.pair.clearance), one.name, one.frame, two.name, two.frame)
        else:
            key = (f.kind,) if f.side == "both" else (f.kind, f.side)
        here = (float(f.left_rad[0]), float(f.right_rad[0]))
        before = out.get(key, (np.inf, np.inf))
        out[key] = (min(before[0], here[0]), min(before[1], here[1]))
    return out


def usable(rng: np.random.Generator) -> Iterator[tuple[str, Machine]]:
    while True:
        text = random_machine(rng)
        try:
            machine = parse(text).machine
            mechanism(machine, values(machine))
        except GeometryError:
            continue
        yield text, machine


def test_no_stop_missed_and_none_invented() -> None:
    met: dict[str, int] = {}
    for _, (text, machine) in zip(range(MACHINES), usable(np.random.default_rng(77)), strict=False):
        mech = mechanism(machine, values(machine))
        within = throw_range(mech)
        fine = Fineness()
        found = [
            *find_hard_ends(mech, within, fine),
            *find_soft_ends(mech, within, fine, StateSource(mech, states_for)),
        ]
        ours = named(found)
        for key, figure in figures(read(text)):
            for way, sign, end in ((0, 1.0, float(within.plus[0])), (1, -1.0, -float(within.minus[0]))):
                root = ours.get(key, (np.inf, np.inf))[way]
                if np.isfinite(root):
                    met[key[0]] = met.get(key[0], 0) + 1
                compare(key, figure, sign, end, root, text)
    for kind in (
        "contact",
        "guide_end",
        "over_centre",
        "link_out_of_reach",
        "jam",
        "shock_solid",
        "shock_pulled_out",
        "servo_end",
    ):
        assert met.get(kind, 0) >= MACHINES // 20, f"the machines must meet {kind}: {met}"


def compare(key: tuple[str, ...], figure: Figure, sign: float, end: float, root: float, text: str) -> None:
    """Stepping and root must tell one story."""
    last = min(end, root) if np.isfinite(root) else end
    grid = np.linspace(0.0, last, max(3, int(np.rad2deg(last) / STEP_DEG)))
    before = grid[grid < last - np.deg2rad(ROOT_DEG)] if np.isfinite(root) else grid[:-1]
    with np.errstate(invalid="ignore"):
        values_before = figure(sign * before)
    # polygons that share an edge with nothing between are 0 apart for shapely however deep; below this it is contact
    missed = np.flatnonzero(values_before < -1e-9)
    assert missed.size == 0, (key, sign, np.rad2deg(before[missed[:1]]), root, text)
    if not np.isfinite(root):
        return
    if root == 0:
        assert figure(np.zeros(1))[0] <= 1e-9, (key, sign, "invented at neutral", text)
        return
    near = np.deg2rad(ROOT_DEG)
    just = figure(sign * np.array([root - near, root + near]))
    # not reached a millionth of a degree before, reached a millionth after (NaN: the link no longer reaches)
    assert just[0] > -1e-9, (key, sign, np.rad2deg(root), just, text)
    assert not just[1] > 1e-9, (key, sign, np.rad2deg(root), just, text)
