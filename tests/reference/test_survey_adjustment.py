"""Adjustment against published networks and against scipy asked in another way.

Sources: C. D. Ghilani (2010), Adjustment Computations: Spatial Data Analysis, 5th ed., Wiley: problem 21.10
(blunder detection in a braced quadrilateral; observations as reprinted by F. Krumm, Geodetic Network Adjustment
Examples, Univ. Stuttgart, Rev. 3.5, 2020) and the chapter on trilateration (one station from three; the same
numbers are set as an exercise at TU Berlin). Observations read; adjusted coordinates recomputed here, since the
printed ones were not to be had. The network is in metres; the code's millimetres stand for them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import least_squares, minimize

from leanmix.machine import demo
from leanmix.survey import made_up_machine, made_up_readings, solve
from leanmix.survey.adjust import adjust, group_tests
from leanmix.survey.layout import SlotBook, Spot, machine_spots
from leanmix.survey.places import PointName
from leanmix.survey.readings import Reading
from leanmix.survey.rows import Group, RowBook, Rows
from leanmix.survey.synthetic import true_reading


class Net:
    """A plane network of fixed and new stations, straight on the survey's own equations."""

    def __init__(self, fixed: dict[str, tuple[float, float]], new: dict[str, tuple[float, float]]) -> None:
        self.slots, self.book, self.spots = SlotBook(), RowBook(), {}
        for name, (x, y) in new.items():
            self.spots[name] = Spot(
                self.slots.free(x, (name, "", "x")), 1.0, self.slots.free(y, (name, "", "y")), 0, 1.0
            )
        for name, (x, y) in fixed.items():
            self.spots[name] = Spot(self.slots.fixed(x), 1.0, self.slots.fixed(y), 0, 1.0)
        flat = self.slots.fixed(0.0)
        self.spots = {n: Spot(s.y, s.sign, s.z, flat, s.hand) for n, s in self.spots.items()}

    def distance(self, a: str, b: str, value: float, sigma: float) -> None:
        r = self.book.row(value, sigma)
        self.book.lengths.append((r, self.spots[a], self.spots[b], 0.0))
        self._group(r, f"{a}{b}")

    def angle(self, at: str, a: str, b: str, value_deg: float, sigma_deg: float) -> None:
        r = self.book.row(value_deg, sigma_deg)
        self.book.corners.append((r, self.spots[a], self.spots[at], self.spots[b]))
        self._group(r, f"{at} {a}-{b}")

    def _group(self, r: int, name: str) -> None:
        self.book.groups.append(Group((r,), Reading("pins", (PointName(name),), 0.0)))

    def rows(self) -> Rows:
        return Rows(self.book, len(self.slots.unknown))


def dms(degrees: int, minutes: int, seconds: float) -> float:
    return degrees + minutes / 60 + seconds / 3600


# Ghilani 2010, problem 21.10: stations, distances with σ [m], angles with σ 2.1"
FIXED = {"A": (5600.544, 4966.236), "B": (6061.624, 8043.173)}
FIRST = {"C": (9787.823, 8038.529), "D": (9260.886, 4843.911)}
DISTANCES = (
    ("A", "B", 3111.291, 0.010), ("B", "C", 3726.220, 0.012), ("C", "D", 3237.783, 0.010),
    ("D", "A", 3662.372, 0.012), ("A", "C", 5193.471, 0.016), ("B", "D", 4524.471, 0.014),
)  # fmt: skip
ANGLES = (
    ("A", "B", "C", dms(45, 12, 34)), ("A", "C", "D", dms(38, 10, 54)), ("B", "C", "D", dms(44, 55, 43)),
    ("B", "D", "A", dms(53, 31, 23)), ("C", "D", "A", dms(44, 21, 59)), ("C", "A", "B", dms(36, 20, 26)),
    ("D", "A", "B", dms(43, 6, 11)), ("D", "B", "C", dms(54, 22, 0)),
)  # fmt: skip


def quadrilateral() -> Net:
    net = Net(FIXED, FIRST)
    for a, b, value, sigma in DISTANCES:
        net.distance(a, b, value, sigma)
    for at, a, b, value in ANGLES:
        net.angle(at, a, b, value, 2.1 / 3600)
    return net


def by_scipy(leave_out: int | None) -> tuple[np.ndarray, np.ndarray]:
    """The same network by scipy with complex directions instead of this code's slopes."""

    def miss(x: np.ndarray) -> np.ndarray:
        z = {n: complex(*p) for n, p in FIXED.items()} | {"C": complex(x[0], x[1]), "D": complex(x[2], x[3])}
        out = [(abs(z[b] - z[a]) - v) / s for a, b, v, s in DISTANCES]
        for at, a, b, v in ANGLES:
            turn = (z[b] - z[at]) / (z[a] - z[at])
            out.append((abs(math.degrees(math.atan2(turn.imag, turn.real))) - v) * 3600 / 2.1)
        return np.delete(out, [] if leave_out is None else leave_out)

    found = least_squares(miss, [9787.8, 8038.5, 9260.9, 4843.9], x_scale=1e-3, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    return found.x, np.linalg.inv(found.jac.T @ found.jac)


def test_the_blunder_of_ghilani_21_10_is_named():
    net = quadrilateral()
    fit = adjust(net.rows(), net.slots.vector())
    named = [net.rows().groups[g].item.points[0].place for g in fit.aside]
    assert named == ["D A-B"]


def test_triangle_closures_accuse_the_same_angle():
    # arithmetic on the book's angles: triangles with D A-B fail to close by about a minute, the others do not
    v = {(at, a, b): x for at, a, b, x in ANGLES}
    abd = v["A", "B", "C"] + v["A", "C", "D"] + v["B", "D", "A"] + v["D", "A", "B"] - 180
    acd = v["A", "C", "D"] + v["C", "D", "A"] + v["D", "A", "B"] + v["D", "B", "C"] - 180
    bcd = v["B", "C", "D"] + v["C", "D", "A"] + v["C", "A", "B"] + v["D", "B", "C"] - 180
    abc = v["A", "B", "C"] + v["B", "C", "D"] + v["B", "D", "A"] + v["C", "A", "B"] - 180
    assert min(abd, acd) * 3600 > 60
    assert max(abs(bcd), abs(abc)) * 3600 < 10


def test_ghilani_21_10_settles_where_scipy_does():
    net = quadrilateral()
    fit = adjust(net.rows(), net.slots.vector())
    blunder = len(DISTANCES) + [a[:3] for a in ANGLES].index(("D", "A", "B"))
    want, cov = by_scipy(blunder)
    got = fit.q[:4]
    assert got == pytest.approx(want, abs=2e-6)
    a = fit.slope[fit.used]
    assert np.linalg.inv(a.T @ a) == pytest.approx(cov, rel=2e-4)


def test_station_from_three_distances():
    # Ghilani, trilateration: A, B, C fixed, one station from 6049.00, 4736.83 and 5446.49, equal weights
    fixed = {"A": (865.40, 4527.15), "B": (2432.55, 2047.25), "C": (2865.22, 27.15)}
    net = Net(fixed, {"U": (6800.0, 3600.0)})
    reads = {"A": 6049.00, "B": 4736.83, "C": 5446.49}
    for name, value in reads.items():
        net.distance(name, "U", value, 1.0)
    fit = adjust(net.rows(), net.slots.vector())

    # another way round: correct the readings as little as possible until their circles meet in one point
    def circles(v: np.ndarray) -> np.ndarray:
        return np.array([math.dist(fixed[n], v[3:]) - (reads[n] + v[i]) for i, n in enumerate("ABC")])

    other = minimize(
        lambda v: float(np.sum(v[:3] ** 2)), [0, 0, 0, 6800, 3600], method="SLSQP",
        constraints={"type": "eq", "fun": circles}, options={"ftol": 1e-16, "maxiter": 500},
    )  # fmt: skip
    assert fit.q[:2] == pytest.approx(other.x[3:], abs=2e-3)
    assert -fit.residual == pytest.approx(-other.x[:3], abs=2e-4)
    # reference standard deviation with one reading too many
    assert math.sqrt(fit.cost) == pytest.approx(0.0977, abs=5e-4)


def test_redundancy_shares_add_up():
    # identity of least squares: the checked shares of all readings sum to the number of readings beyond need
    net = quadrilateral()
    rows = net.rows()
    fit = adjust(rows, net.slots.vector())
    _, checked = group_tests(rows, fit.residual, fit.slope, fit.used)
    assert checked.sum() == pytest.approx(fit.freedom, abs=1e-6)


@pytest.mark.parametrize("seed", [3, 4, 11])
def test_machine_survey_against_scipy_in_polar_form(seed: int):
    """A whole survey against scipy with every point as distance and direction from the servo axis's foot."""
    truth = made_up_machine(seed)
    start = demo("wren" if truth.servo.arrangement == "one_each_side" else "tarn").machine
    survey = made_up_readings(truth, seed, ())
    one_axis = truth.servo.arrangement == "double_arm"
    got = solve(start, survey)
    assert not got.aside
    names = [p.point.place for p in got.points]
    spots = machine_spots(truth)
    file_spots = machine_spots(start)

    def put(x: np.ndarray) -> dict[PointName, tuple[float, float, float]]:
        moved = dict(spots)
        for i, n in enumerate(names):
            out, up = x[2 * i] * math.cos(x[2 * i + 1]), x[2 * i] * math.sin(x[2 * i + 1])
            behind = file_spots[PointName(n, "left")][2]
            moved[PointName(n, "left")] = moved[PointName(n, "right")] = (
                0.0 if n == "arm_centre" and one_axis else out,
                0.0 if n == "contact" else up,
                behind,
            )
        return moved

    sigma = np.array([survey.tolerance(r) / 1.959963984540054 for r in survey.readings])
    tol = start.left.arm.offset_behind_mm.tol or 0.0
    for i, r in enumerate(survey.readings):
        if {p.place for p in r.points} == {"arm_ball", "mount_ball"}:
            step = abs(file_spots[PointName("mount_ball", "left")][2])
            sigma[i] = math.hypot(sigma[i], step / r.reads * tol / 1.959963984540054)

    def miss(x: np.ndarray) -> np.ndarray:
        at = put(x)
        return np.array([true_reading(r.kind, r.points, at, one_axis) - r.reads for r in survey.readings]) / sigma

    first = [v for n in names for v in (math.hypot(*spots[PointName(n, "left")][:2]), math.atan2(*spots[PointName(n, "left")][1::-1]))]  # fmt: skip
    found = least_squares(
        miss, first, method="trf", x_scale=[1.0, 0.01] * len(names), xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    at = put(found.x)
    for p in got.points:
        out, up, _ = at[PointName(p.point.place, "left")]
        assert (p.out_mm, p.up_mm) == pytest.approx((out, up), abs=2e-4), p.plain


def test_without_noise_the_readings_give_the_machine_back():
    # truth known by construction: nothing to average, so every point must come back to rounding
    for name in ("tarn", "wren", "moss"):
        machine = demo(name).machine
        differ = ("arm_ball",) if name == "wren" else ()
        found = solve(machine, made_up_readings(machine, 2, differ, noise=False))
        spots = machine_spots(machine)
        for p in found.points:
            out, up, _ = spots[p.point if p.point in spots else PointName(p.point.place, "left")]
            assert (p.out_mm, p.up_mm) == pytest.approx((out, up), abs=1e-6)
