"""Poses of the demo machines against a geometric constraint solver that knows points, lines and distances only.

The solver is handed the file's points as measured and follows the throw in steps of a degree, each sketch started
from the last; what it is told of a machine is read by `sims.reference.plain_file`, which shares nothing with leanmix.
"""

from __future__ import annotations

import numpy as np
import pytest
import slvs

from leanmix.linkage import SIDES, SideName, mount_pose, shock_length, side_geometry, suspension_pose, tip_up_rad
from leanmix.machine import DEMOS, demo, values
from leanmix.stops import parked_balance
from sims.reference.plain_file import at, point, read

# agreement asked for, mm
CLOSE_MM = 1e-6
THROWS_DEG = np.arange(-60.0, 60.5, 1.0)


def solved(entity: slvs.Slvs_Entity, count: int) -> np.ndarray:
    return np.array([slvs.get_param_value(entity["param"][i]) for i in range(count)])


def check(result: slvs.Slvs_SolveResult) -> None:
    assert result["result"] in (slvs.ResultFlag.OKAY, slvs.ResultFlag.REDUNDANT_OKAY), result


class Mount:
    """Arm's ball given, the mount's ball on its guide and at the link's length, in space."""

    def __init__(self, side: dict, centre: np.ndarray) -> None:
        self.centre, self.radius = centre, at(side["arm"]["radius_mm"])
        self.rest = at(side["arm"].get("rest_deg", 0))
        self.outward = 1.0 if side["arm"].get("points", "out") == "out" else -1.0
        self.offset = at(side["arm"].get("offset_behind_mm", 0))
        cant = np.radians(at(side["guide"].get("cant_deg", 0)))
        self.down = np.array([np.sin(cant), -np.cos(cant)])
        self.ball = point(side["mount"]["ball"])
        given = side.get("link", {}).get("length_mm")
        neutral = np.append(self.ball - self.tip(0.0), self.offset)
        self.link = at(given) if given is not None else float(np.linalg.norm(neutral))
        self.now = np.append(self.ball, self.offset)

    def tip(self, tip_up_deg: float) -> np.ndarray:
        a = np.radians(self.rest + tip_up_deg)
        return self.centre + self.radius * np.array([self.outward * np.cos(a), np.sin(a)])

    def solve(self, tip_up_deg: float) -> float:
        slvs.clear_sketch()
        fixed = slvs.add_point_3d(1, *self.tip(tip_up_deg), 0.0)
        ends = [slvs.add_point_3d(1, *(self.ball + s * self.down), self.offset) for s in (-50.0, 50.0)]
        guide = slvs.add_line_3d(1, *ends)
        ball = slvs.add_point_3d(2, *self.now)
        slvs.coincident(2, ball, guide, slvs.E_FREE_IN_3D)
        slvs.distance(2, fixed, ball, self.link, slvs.E_FREE_IN_3D)
        check(slvs.solve_sketch(2, False))
        self.now = solved(ball, 3)
        return float((self.now[:2] - self.ball) @ self.down)


class Suspension:
    """Lower arm given, everything else by distances between points of one rigid part."""

    def __init__(self, side: dict) -> None:
        s, shock = side["suspension"], side["shock"]
        keys = ("lower_pivot", "lower_ball", "upper_pivot", "upper_ball", "contact")
        self.at0 = {k: point(s[k]) for k in keys} | {"eye": point(shock["lower_eye"])}
        self.on = shock.get("on", "lower_arm").removesuffix("_arm")
        self.now = dict(self.at0)

    def apart(self, a: str, b: str) -> float:
        return float(np.linalg.norm(self.at0[a] - self.at0[b]))

    def solve(self, droop_rad: float) -> dict[str, np.ndarray]:
        c, s = np.cos(-droop_rad), np.sin(-droop_rad)
        arm = self.at0["lower_ball"] - self.at0["lower_pivot"]
        fixed = {
            "lower_pivot": self.at0["lower_pivot"],
            "upper_pivot": self.at0["upper_pivot"],
            "lower_ball": self.at0["lower_pivot"] + np.array([c * arm[0] - s * arm[1], s * arm[0] + c * arm[1]]),
        }
        slvs.clear_sketch()
        plane = slvs.add_base_2d(1)
        made = {k: slvs.add_point_2d(1, *p, plane) for k, p in fixed.items()}
        free = ("upper_ball", "contact", "eye")
        made |= {k: slvs.add_point_2d(2, *self.now[k], plane) for k in free}
        for a, b in (
            ("lower_ball", "upper_ball"),
            ("upper_pivot", "upper_ball"),
            ("lower_ball", "contact"),
            ("upper_ball", "contact"),
            (f"{self.on}_pivot", "eye"),
            (f"{self.on}_ball", "eye"),
        ):
            slvs.distance(2, made[a], made[b], self.apart(a, b), plane)
        check(slvs.solve_sketch(2, False))
        self.now = fixed | {k: solved(made[k], 2) for k in free}
        return self.now


def outwards(values: np.ndarray) -> list[np.ndarray]:
    """Indices from the middle to each end, so that the solver can follow."""
    middle = len(values) // 2
    return [np.arange(middle, len(values)), np.arange(middle, -1, -1)]


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("name", DEMOS)
def test_mount_over_the_whole_throw(name: str, side: SideName) -> None:
    file = demo(name)
    plain = read(file.text)
    geo = side_geometry(file.machine, values(file.machine), side)
    ours = mount_pose(geo, tip_up_rad(np.deg2rad(THROWS_DEG), side)).push_mm
    for order in outwards(THROWS_DEG):
        mount = Mount(plain[side], point(plain[side]["arm"]["centre"]))
        for i in order:
            throw = THROWS_DEG[i] if side == "left" else -THROWS_DEG[i]
            assert mount.solve(float(throw)) == pytest.approx(ours[i], abs=CLOSE_MM), (name, side, THROWS_DEG[i])


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("name", DEMOS)
def test_suspension_over_the_whole_throw(name: str, side: SideName) -> None:
    file = demo(name)
    plain = read(file.text)
    numbers = values(file.machine)
    geo = side_geometry(file.machine, numbers, side)
    throws = np.deg2rad(THROWS_DEG)
    states = parked_balance(file.machine, numbers)(throws)
    droops = states.droop_left_rad if side == "left" else states.droop_right_rad
    pushes = mount_pose(geo, tip_up_rad(throws, side)).push_mm
    ours = suspension_pose(geo, droops)
    lengths = shock_length(geo, pushes, droops).length_mm
    top, cant = point(plain[side]["mount"]["eye"]), np.radians(at(plain[side]["guide"].get("cant_deg", 0)))
    assert np.ptp(np.rad2deg(droops)) > 10, "the throw must move the suspension"
    for order in outwards(THROWS_DEG):
        theirs = Suspension(plain[side])
        for i in order:
            found = theirs.solve(float(droops[i]))
            upper_eye = top + pushes[i] * np.array([np.sin(cant), -np.cos(cant)])
            for spot, key in (
                (ours.lower_ball, "lower_ball"),
                (ours.upper_ball, "upper_ball"),
                (ours.contact, "contact"),
                (ours.shock_lower_eye, "eye"),
            ):
                assert np.array([spot.out[i], spot.up[i]]) == pytest.approx(found[key], abs=CLOSE_MM), (key, i)
            assert np.linalg.norm(upper_eye - found["eye"]) == pytest.approx(lengths[i], abs=CLOSE_MM)
