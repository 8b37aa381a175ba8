"""Gaps of declared pairs: which pairs there are, sharp corners, bounds on speed."""

from __future__ import annotations

import numpy as np
import pytest

from leanmix.machine import demo, parse, values
from leanmix.stops import find_stops
from leanmix.stops.gaps import moved_by_droop_alone, needs_states, throw_gap
from leanmix.stops.mechanism import mechanism
from leanmix.stops.parts import find_pairs
from sims.reference.random_machines import random_machine

PARTS = "\n[[part]]"


def with_parts(*parts: str, pairs: str, margin: str = "0.0") -> str:
    head = demo("tarn").text.split("# What might be hit")[0]
    tail = "[steering]" + demo("tarn").text.split("[steering]")[1]
    return (
        head
        + "".join(f"{PARTS}\n{p}\n" for p in parts)
        + pairs
        + tail.replace("margin_mm = 0.3", f"margin_mm = {margin}")
    )


def pair(one: str, two: str, more: str = "") -> str:
    return f'\n[[clearance]]\nbetween = ["{one}", "{two}"]\n{more}\n'


ARM = 'name = "bar"\non = "arm"\npoints = [{ out_mm = 0, up_mm = 166 }, { out_mm = 20, up_mm = 166 }]'
POST = 'name = "post"\non = "chassis"\npoints = [{ out_mm = 10, up_mm = 170 }, { out_mm = 10, up_mm = 180 }]'


def test_sharp_edges_with_no_margin_do_not_pass_through_one_another() -> None:
    # a bar without thickness meets the foot of a post without thickness where its slope is 4 in 10
    ladder = find_stops(parse(with_parts(ARM, POST, pairs=pair("bar", "post"))).machine)
    first = ladder.left[0]
    assert first.kind == "contact"
    assert first.side == "left"
    assert first.throw_deg == pytest.approx(np.rad2deg(np.arctan2(4, 10)), abs=1e-6)
    assert first.at_mm == pytest.approx((10, 170), abs=1e-6)


def test_rounding_and_margin_add_up() -> None:
    # distance of the post's foot from the bar's line: √116·sin(21.80° − throw) = 1 + 0.5
    text = with_parts(ARM + "\nradius_mm = 1", POST, pairs=pair("bar", "post", "margin_mm = 0.5"))
    first = find_stops(parse(text).machine).left[0]
    wanted = np.rad2deg(np.arctan2(4, 10) - np.arcsin(1.5 / np.sqrt(116)))
    assert first.throw_deg == pytest.approx(wanted, abs=1e-6)


def test_each_side_is_its_own_pair_unless_across_is_asked_for() -> None:
    def names(text: str) -> list[tuple[str, str]]:
        return [(p.first.frame, p.second.frame) for p in find_pairs(parse(text).machine)]

    block = 'name = "block"\non = "mount"\npoints = [{ out_mm = 13, up_mm = 140 }]\nradius_mm = 2'
    centre = 'name = "rod"\non = "chassis"\nside = "centre"\npoints = [{ out_mm = 0, up_mm = 120 }]\nradius_mm = 2'
    left = POST + '\nside = "left"'
    assert names(with_parts(block, POST, pairs=pair("block", "post"))) == [("left", "left"), ("right", "right")]
    assert len(names(with_parts(block, POST, pairs=pair("block", "post", "across = true")))) == 4
    assert names(with_parts(block, centre, pairs=pair("block", "rod"))) == [("left", "centre"), ("right", "centre")]
    assert names(with_parts(block, left, pairs=pair("block", "post"))) == [("left", "left")]
    # a part against its own twin, and never against itself
    assert names(with_parts(block, pairs=pair("block", "block"))) == []
    assert names(with_parts(block, pairs=pair("block", "block", "across = true"))) == [("left", "right")]
    # the two halves of one double arm never move against each other, nor do two parts of the chassis
    assert names(with_parts(ARM, pairs=pair("bar", "bar", "across = true"))) == []
    assert names(with_parts(centre, POST, pairs=pair("rod", "post"))) == []


def test_left_and_right_mounts_can_meet() -> None:
    low, high = (
        f'name = "{name}"\non = "mount"\nside = "{side}"\npoints = [{{ out_mm = 0.5, up_mm = {up} }}]\nradius_mm = 1'
        for name, side, up in (("low", "left", 130), ("high", "right", 140))
    )
    ladder = find_stops(parse(with_parts(low, high, pairs=pair("low", "high"), margin="0.3")).machine)
    # leaning left brings the left mount up and the right one down; leaning right draws them apart
    stop = ladder.left[0]
    assert (stop.kind, stop.side, stop.blocks) == ("contact", "across", True)
    assert stop.push_right_mm - stop.push_left_mm == pytest.approx(10 - np.sqrt(2.3**2 - 1), abs=0.4)
    assert not any(s.kind == "contact" for s in ladder.right)


def test_the_speed_is_a_bound() -> None:
    rng = np.random.default_rng(12)
    tried = 0
    for seed in range(30):
        machine = parse(random_machine(np.random.default_rng(seed))).machine
        mech = mechanism(machine, values(machine))
        for p in find_pairs(machine):
            if moved_by_droop_alone(p) or needs_states(p):
                continue
            gap = throw_gap(mech, p)
            x = rng.uniform(-0.7, 0.7, 40)
            y = x + rng.uniform(0, 0.2, 40)
            index = np.zeros(40, dtype=np.intp)
            change = np.abs(gap(y, index) - gap(x, index))
            bound = gap.speed(x, y, index) * (y - x)
            known = np.isfinite(change)
            assert np.all(change[known] <= bound[known] + 1e-9)
            tried += int(known.sum())
    assert tried > 500
