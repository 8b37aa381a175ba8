"""Guide forces against a linear programme over the contact forces, written from the free body alone.

The programme knows places, directions and friction cones; it has no formula for the link's force. Each end may press
on either face of the guide. For the least push that slides, both may be allowed at once: squeezing the guide would
only add friction. Whether the mount can be held still is asked face by face, where squeezing would hold anything.
"""

from __future__ import annotations

import itertools
import os

import numpy as np
import pytest
from scipy.optimize import linprog

from leanmix.linkage import GuideForces, MountPose, SideGeometry, Spot, guide_forces, mount_pose, side_geometry
from leanmix.machine import demo, values

CASES = 20_000 if os.environ.get("LEANMIX_DEEP") else 1_000
GEO_KEYS = (
    "arm.radius_mm",
    "arm.rest_deg",
    "arm.offset_behind_mm",
    "guide.cant_deg",
    "guide.bearing_centre.out_mm",
    "guide.bearing_centre.up_mm",
    "guide.bearing_length_mm",
    "mount.ball.out_mm",
    "mount.ball.up_mm",
    "mount.eye.out_mm",
    "mount.eye.up_mm",
)
WIDTH = np.array([6.0, 20.0, 8.0, 20.0, 12.0, 12.0, 18.0, 6.0, 5.0, 10.0, 8.0])
MACHINE = demo("tarn").machine
NUMBERS = values(MACHINE)
FACES = list(itertools.product((1.0, -1.0), repeat=4))


class Case:
    """One mount: all places in space, x out, y up, z behind; nothing taken from the forces under test."""

    def __init__(self, rng: np.random.Generator) -> None:
        machine, numbers = MACHINE, NUMBERS
        keys = [f"left.{k}" for k in GEO_KEYS]
        at = np.array([float(numbers[k]) for k in keys]) + WIDTH * rng.uniform(-1, 1, len(keys))
        at[keys.index("left.guide.bearing_length_mm")] = rng.uniform(6, 40)
        table = {k: v for k, v in numbers.items() if k != "left.link.length_mm"}
        table.update(zip(keys, at, strict=True))
        self.geo: SideGeometry = side_geometry(machine, type(numbers)(table), "left")
        self.pose: MountPose = mount_pose(self.geo, float(rng.uniform(-0.9, 0.9)))
        angle = rng.uniform(-1.0, 1.0)
        self.shock_N = float(rng.choice([0.0, rng.uniform(0.5, 60.0)], p=[0.05, 0.95]))
        self.shock_along = Spot(float(np.sin(angle)), float(np.cos(angle)))
        self.moving = float(rng.choice([-1.0, 1.0]))
        self.mu = float(rng.uniform(0.0, 0.7))

    def spatial(self) -> dict[str, np.ndarray]:
        down = np.array([float(self.geo.guide_down.out), float(self.geo.guide_down.up), 0.0])
        tip = np.array([float(self.pose.tip.out), float(self.pose.tip.up), 0.0])
        ball = np.array([float(self.pose.ball.out), float(self.pose.ball.up), float(self.geo.offset_behind_mm)])
        middle = np.array([float(self.geo.bearing_centre.out), float(self.geo.bearing_centre.up), ball[2]])
        if self.geo.bearing_moves:
            middle = middle + float(self.pose.push_mm) * down
        half = float(self.geo.bearing_length_mm) / 2
        return {
            "down": down,
            "across": np.array([-down[1], down[0], 0.0]),
            "link": (ball - tip) / np.linalg.norm(ball - tip),
            # behind the guide's plane only the lever along the guide counts, as the model says
            "ball": ball,
            "eye": np.array([float(self.pose.eye.out), float(self.pose.eye.up), ball[2]]),
            "shock": np.array([float(self.shock_along.out), float(self.shock_along.up), 0.0]),
            "upper": middle - half * down,
            "lower": middle + half * down,
        }


def equations(case: Case, faces: list[tuple[float, ...]], way: float) -> tuple[np.ndarray, np.ndarray]:
    """Equilibrium of the mount: columns link force, then normal force and friction of each contact.

    `faces` holds, for the four places (upper end across, upper behind, lower across, lower behind), which faces may
    press.
    """
    s = case.spatial()
    behind = np.array([0.0, 0.0, 1.0])
    columns = [wrench(s["ball"], s["link"], s)]
    for (end, normal), allowed in zip(itertools.product(("upper", "lower"), (s["across"], behind)), faces, strict=True):
        for face in allowed:
            columns.append(wrench(s[end], face * normal, s))
            columns.append(wrench(s[end], -way * s["down"], s))
    load = wrench(s["eye"], case.shock_N * s["shock"], s)
    return np.stack(columns, axis=1), -load


def wrench(at: np.ndarray, force: np.ndarray, s: dict[str, np.ndarray]) -> np.ndarray:
    """Force across, along, behind, and moments about the axes across and behind the guide's middle."""
    arm = at - (s["upper"] + s["lower"]) / 2
    couple = np.cross(arm, force)
    # what bends the mount fore and aft is the force behind at its place along the guide
    along = float(arm @ s["down"])
    return np.array([force @ s["across"], force @ s["down"], force[2], couple[2], along * force[2]])


def sliding_force(case: Case) -> float | None:
    """Least push, counted the way that drives the motion, at which friction is fully mobilised; None if there is none."""
    drive = case.moving * float(np.sign(case.spatial()["link"] @ case.spatial()["down"]))
    a, b = equations(case, [(1.0, -1.0)] * 4, case.moving)
    contacts = (a.shape[1] - 1) // 2
    cone = np.zeros((contacts, a.shape[1]))
    for i in range(contacts):
        cone[i, 2 + 2 * i], cone[i, 1 + 2 * i] = 1.0, -case.mu
    cost = np.zeros(a.shape[1])
    cost[0] = drive
    found = linprog(
        cost,
        A_eq=np.vstack([a, cone]),
        b_eq=np.concatenate([b, np.zeros(contacts)]),
        bounds=[(None, None)] + [(0, None)] * (2 * contacts),
    )
    assert found.status in (0, 2), found.message
    return float(found.fun) if found.status == 0 else None


def holds_still(case: Case, link_N: float) -> bool:
    """Whether contact forces inside their cones can hold the mount with this force in the link."""
    for faces in FACES:
        a, b = equations(case, [(face,) for face in faces], 1.0)
        cone = np.zeros((8, a.shape[1]))
        for i in range(4):
            for row, sign in ((2 * i, 1.0), (2 * i + 1, -1.0)):
                cone[row, 2 + 2 * i], cone[row, 1 + 2 * i] = sign, -case.mu
        bounds = [(link_N, link_N)] + [(0, None), (None, None)] * 4
        if linprog(np.zeros(a.shape[1]), A_ub=cone, b_ub=np.zeros(8), A_eq=a, b_eq=b, bounds=bounds).status == 0:
            return True
    return False


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    rng = np.random.default_rng(20240611)
    return [Case(rng) for _ in range(CASES)]


def forces_of(case: Case) -> GuideForces:
    return guide_forces(case.geo, case.pose, case.shock_N, case.shock_along, case.moving, case.mu)


def test_link_force_on_random_mounts(cases: list[Case]) -> None:
    jammed = 0
    for i, case in enumerate(cases):
        if not bool(case.pose.in_reach):
            continue
        ours, theirs = forces_of(case), sliding_force(case)
        if theirs is None:
            jammed += 1
            assert bool(ours.jammed), i
            continue
        drive = case.moving * float(np.sign(case.spatial()["link"] @ case.spatial()["down"]))
        assert not bool(ours.jammed), i
        assert float(ours.link_N) * drive == pytest.approx(theirs, rel=1e-6, abs=1e-6), i
    assert jammed > 20, "the cases must hold jams"


def test_a_little_less_holds_and_a_little_more_slides(cases: list[Case]) -> None:
    tried = 0
    for i, case in enumerate(cases[: 60 if CASES == 1_000 else 1_000]):
        ours = forces_of(case)
        if bool(ours.jammed) or not bool(case.pose.in_reach) or case.mu < 0.02 or case.shock_N == 0:
            continue
        tried += 1
        drive = case.moving * float(np.sign(case.spatial()["link"] @ case.spatial()["down"]))
        step = 1e-4 * max(abs(float(ours.link_N)), 1.0) * drive
        assert holds_still(case, float(ours.link_N) - step), i
        assert not holds_still(case, float(ours.link_N) + step), i
    assert tried > 20
