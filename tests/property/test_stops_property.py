"""What must hold of the stops of any machine."""

from __future__ import annotations

import os
import tomllib

import numpy as np
import pytest
import tomlkit
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from leanmix.errors import GeometryError
from leanmix.linkage import Spot
from leanmix.machine import parse
from leanmix.stops import WAYS, Ladder, find_stops
from leanmix.stops.roots import first_touch
from leanmix.stops.shapes import core_distance, meeting_point, overlap
from sims.reference.random_machines import random_machine

EXAMPLES = 400 if os.environ.get("LEANMIX_DEEP") else 12
quick = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])
seeds = st.integers(0, 2**32 - 1)


def ladder_of(text: str) -> Ladder | None:
    try:
        return find_stops(parse(text).machine)
    except GeometryError as error:
        assert str(error).endswith(".")
        return None


@given(seeds)
@quick
def test_any_machine_has_a_ladder_or_a_sentence(seed: int) -> None:
    ladder = ladder_of(random_machine(np.random.default_rng(seed)))
    if ladder is None:
        return
    for way in WAYS:
        stops = ladder.way(way)
        assert stops, "the servo's own end at least"
        throws = [s.throw_deg for s in stops]
        assert throws == sorted(throws)
        assert throws[0] >= 0
        assert all(np.isfinite(p) for s in stops for p in s.pulses_us)
        cap = ladder.cap(way)
        block = ladder.first_block(way)
        assert block is not None
        assert 0 <= cap.throw_deg <= block.throw_deg


@given(seeds, st.sampled_from(["margin", "part"]))
@quick
def test_more_in_the_way_never_lets_the_throw_go_further(seed: int, what: str) -> None:
    text = random_machine(np.random.default_rng(seed))
    before = ladder_of(text)
    if before is None:
        return
    if what == "margin":
        for margin in ("0.0", "0.3", "0.5"):
            text = text.replace(f"\nmargin_mm = {margin}\ncap", "\nmargin_mm = 0.9\ncap")
    else:
        # a part more, above the arm, and a pair more to keep clear
        text += (
            '\n[[part]]\nname = "more"\non = "chassis"\npoints = [{ out_mm = 20, up_mm = 190 }]\nradius_mm = 6\n'
            '[[part]]\nname = "reach"\non = "arm"\npoints = [{ out_mm = 0, up_mm = 166 }, { out_mm = 20, up_mm = 166 }]\n'
            'radius_mm = 3\n[[clearance]]\nbetween = ["more", "reach"]\n'
        )
    after = ladder_of(text)
    assert after is not None
    for way in WAYS:
        one, two = before.first_block(way), after.first_block(way)
        assert one is not None
        assert two is not None
        assert two.throw_deg <= one.throw_deg + 1e-7


@given(seeds)
@example(seed=594)  # past 45° nothing holds it up
@quick
def test_mirrored_machines_have_mirrored_ladders(seed: int) -> None:
    raw = tomllib.loads(random_machine(np.random.default_rng(seed)))
    # what a mirror would change: parts on one side only, sides that differ, an off-centre load, a servo turned round
    for part in raw["part"]:
        part["side"] = "both"
    raw.pop("right", None)
    raw.pop("servo_right", None)
    raw["chassis"]["cg_left_mm"] = 0
    machine = parse(tomlkit.dumps(raw)).machine
    assert machine.left == machine.right
    ladder = ladder_of(tomlkit.dumps(raw))
    if ladder is None:
        return
    other = {"left": "right", "right": "left"}
    lefts = sorted((s.kind, other.get(s.side, s.side), s.throw_deg) for s in ladder.left if s.kind != "pulse_end")
    rights = sorted((s.kind, s.side, s.throw_deg) for s in ladder.right if s.kind != "pulse_end")
    assert [r[:2] for r in lefts] == [r[:2] for r in rights]
    assert [r[2] for r in lefts] == pytest.approx([r[2] for r in rights], abs=1e-7)


@given(st.lists(st.tuples(st.floats(0.5, 9), st.floats(0, 6.3), st.floats(0.05, 1)), min_size=1, max_size=5),
       st.floats(-0.5, 2.5))  # fmt: skip
@settings(max_examples=20 * EXAMPLES, deadline=None)
def test_first_touch_is_the_first(waves: list[tuple[float, float, float]], level: float) -> None:
    bound = sum(w * a for w, _, a in waves) + 1e-9

    def gap(x: np.ndarray, i: np.ndarray) -> np.ndarray:
        return level + sum(a * np.sin(w * x + p) for w, p, a in waves)

    found = first_touch(gap, lambda x, y, i: np.full(x.shape, bound), np.array([2.0]))[0]
    if found == 0:
        assert gap(np.zeros(1), np.zeros(1))[0] <= 0
        return
    grid = np.linspace(0, min(found, 2.0), 4001)
    before = gap(grid[:-1] if np.isfinite(found) else grid, grid)
    assert np.all(before > -1e-12)
    if np.isfinite(found):
        assert abs(gap(np.array([found]), np.zeros(1))[0]) < 1e-9 * max(bound, 1)


@given(seeds, st.floats(0, 4), st.floats(0, 4))
@settings(max_examples=8 * EXAMPLES, deadline=None)
def test_the_meeting_point_lies_on_both_surfaces_halfway(seed: int, r: float, s: float) -> None:
    rng = np.random.default_rng(seed)
    a, b = (
        Spot(*(rng.uniform(-9, 9, (2, int(rng.integers(1, 5)), 1)) + shift)) for shift in (0.0, rng.uniform(-30, 30))
    )
    apart = float(core_distance(a, b)[0])
    x, y = meeting_point(a, r, b, s)
    point = Spot(np.array([[x]]), np.array([[y]]))
    half = (apart - r - s) / 2
    if half > 0 and not overlap(a, b)[0]:
        assert abs(float(core_distance(point, a)[0]) - r - half) < 1e-9
        assert abs(float(core_distance(point, b)[0]) - s - half) < 1e-9
