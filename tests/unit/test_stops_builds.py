"""Many builds: the same as one at a time, the same with the same seed, and what the spread comes from."""

from __future__ import annotations

import re

import numpy as np
import pytest

from leanmix.machine import Machine, Numbers, demo, draw_builds, parse, values
from leanmix.stops import find_arms, find_stops, first_blocks_of, stops_of_builds
from leanmix.stops.arms import ArmLimits
from leanmix.stops.builds import FINE


def one_of(numbers: Numbers, i: int) -> Numbers:
    return Numbers({k: float(v[i]) if isinstance(v, np.ndarray) else v for k, v in numbers.items()})


def without_tolerance(text: str, keys: str = r"\w+") -> str:
    return re.sub(rf"(?m)^({keys} = \{{.*?), tol(?:_mm)? = [\d.]+", r"\1", text)


def known_friction(name: str) -> Machine:
    """A demo whose friction has no range left, so that one build and the ladder reckon with the same."""
    machine = parse(without_tolerance(demo(name).text, "friction")).machine
    assert machine.left.guide.friction.tol is None
    return machine


@pytest.mark.parametrize("name", ["tarn", "wren", "moss"])
def test_many_at_once_are_each_as_alone(name: str) -> None:
    machine = known_friction(name)
    builds = draw_builds(machine, 12, seed=9)
    left, right = first_blocks_of(machine, builds)
    for i in range(12):
        ladder = find_stops(machine, one_of(builds, i))
        for way, many in (("left", left[i]), ("right", right[i])):
            block = ladder.first_block(way)
            assert block is not None
            assert many == pytest.approx(block.throw_deg, abs=1e-6), (name, i, way, block.kind)


def test_same_seed_same_builds_other_seed_others() -> None:
    machine = demo("tarn").machine
    one, again, other = (stops_of_builds(machine, 300, seed=s) for s in (4, 4, 5))
    assert np.array_equal(one.left.first_block_deg, again.left.first_block_deg)
    assert one.measure_again == again.measure_again
    assert not np.array_equal(one.left.first_block_deg, other.left.first_block_deg)


def test_chunks_make_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = demo("moss").machine
    whole = stops_of_builds(machine, 200)
    monkeypatch.setattr("leanmix.stops.builds.CHUNK", 37)
    pieces = stops_of_builds(machine, 200)
    # a root is found to 1e-11 rad, by whichever way the builds beside it leave
    assert pieces.left.first_block_deg == pytest.approx(whole.left.first_block_deg, abs=1e-8)
    assert pieces.right.what == whole.right.what


def test_the_chosen_share_of_builds_is_clear_below_the_cap() -> None:
    builds = stops_of_builds(demo("tarn").machine, 2000)
    for way in (builds.left, builds.right):
        clear = np.mean(way.first_block_deg >= way.clear_deg)
        assert builds.share_clear <= clear < builds.share_clear + 0.002
        assert way.cap_deg == pytest.approx(way.clear_deg - 1.5)
        assert sum(share for _, share in way.what) == pytest.approx(1)
        assert np.all(way.first_stop_deg <= way.first_block_deg)


def test_a_wider_share_asks_for_an_earlier_cap() -> None:
    text = demo("tarn").text
    wide = stops_of_builds(parse(text.replace("share_clear = 0.95", "share_clear = 0.999")).machine, 2000)
    usual = stops_of_builds(demo("tarn").machine, 2000)
    assert wide.left.cap_deg < usual.left.cap_deg


def test_what_matters_most_is_what_the_spread_comes_from() -> None:
    moss = stops_of_builds(demo("moss").machine, 2000)
    assert moss.left.influences[0].key == "left.guide.friction"
    assert moss.right.influences[0].key == "right.guide.friction"
    assert moss.left.influences[0].share > 0.4
    assert moss.left.influences[0].slope < 0
    # where nothing but one length is unsure, it accounts for all of the spread
    bare = without_any_tolerance("wren").replace("radius_mm = { at = 12,", "radius_mm = { at = 12, tol = 0.15,")
    only = stops_of_builds(parse(bare).machine, 400).left.influences
    assert [i.key for i in only if i.share > 0.01] == ["left.arm.radius_mm"]
    assert only[0].share > 0.99


def test_neutral_spreads_with_the_link() -> None:
    tarn = stops_of_builds(demo("tarn").machine, 3000)
    # link ± 0.2, arm axis ± 0.3, ball ± 0.2 along it, in squares; the rest lies across
    assert tarn.mount_low_mm[0].sd * 1.96 == pytest.approx(np.sqrt(0.2**2 + 0.3**2 + 0.2**2), rel=0.25)
    assert tarn.left_less_right_mm.sd > tarn.mount_low_mm[0].sd
    wren = stops_of_builds(demo("wren").machine, 200)
    assert wren.mount_low_mm[0].sd == pytest.approx(0, abs=1e-12)


def without_any_tolerance(name: str) -> str:
    text = demo(name).text
    while (less := re.sub(r", tol(?:_mm)? = [\d.]+", "", text)) != text:
        text = less
    return text


def test_no_tolerance_is_no_spread() -> None:
    bare = stops_of_builds(parse(without_any_tolerance("wren")).machine, 10)
    assert bare.left.spread_deg.sd == pytest.approx(0, abs=1e-12)
    block = find_stops(demo("wren").machine).first_block("left")
    assert block is not None
    assert bare.left.clear_deg == pytest.approx(block.throw_deg, abs=1e-6)
    assert bare.measure_again == ()


def test_a_build_that_goes_not_together_counts_as_blocked_at_once() -> None:
    machine = demo("tarn").machine
    numbers = values(machine)
    lengths = np.array([30.15, 2.0, 30.15])
    left, right = first_blocks_of(machine, numbers.changed({"left.link.length_mm": lengths}))
    assert np.isnan([left[1], right[1]]).all()
    assert left[0] == left[2] > 50


def test_shapes_go_with_the_body_they_sit_on() -> None:
    # the whole arm stands 1 mm higher, shape and all: its end comes nearer to a screw above, farther from one below
    machine = demo("tarn").machine
    numbers = values(machine)
    up = np.array([165.0, 166.0, 167.0])
    left, _ = first_blocks_of(
        machine, numbers.changed({"left.arm.centre.up_mm": up, "left.link.length_mm": up - 166 + 30.15,
                                  "right.link.length_mm": up - 166 + 30.15})
    )  # fmt: skip
    assert left[0] < left[1] < left[2]


def test_arm_choices_are_whole_machines() -> None:
    moss = demo("moss").machine
    choices = find_arms(moss, np.array([8.0, 11.0, 15.0]))
    assert choices.radius_mm.tolist() == [8, 11, 15]
    assert choices.now == 0
    assert np.all(np.diff(choices.lean_left_deg) > 0.5)
    ladder = find_stops(moss)
    block = ladder.first_block("left")
    assert block is not None
    assert choices.usable_left_deg[0] == pytest.approx(block.throw_deg - 1.5, abs=1e-6)
    assert choices.link_mm[0] == pytest.approx(ladder.neutral.left.link_length_mm)


def test_stock_links_turn_a_single_arm_and_lift_a_double_one() -> None:
    wren = find_arms(demo("wren").machine, np.array([12.0]), np.array([18.0, 20.0]))
    # the longer link lets the arm's ball stand higher
    assert wren.rest_deg[1] > wren.rest_deg[0]
    assert np.allclose(wren.teeth * 360 / 21 + wren.trim_deg, wren.rest_deg)
    tarn = find_arms(demo("tarn").machine, np.array([15.0]), np.array([28.0, 30.15, 33.0]), ArmLimits(axis_move_mm=1))
    assert tarn.axis_up_mm[1] == pytest.approx(166.0, abs=0.01)
    assert tarn.why_not == (
        "the servo's axis would have to move too far", "", "the servo's axis would have to move too far"
    )  # fmt: skip
    assert tarn.kept.tolist() == [False, True, False]


def test_what_is_kept_is_not_beaten() -> None:
    choices = find_arms(demo("tarn").machine)
    lean = np.minimum(choices.lean_left_deg, choices.lean_right_deg)
    for i in np.flatnonzero(choices.kept):
        better = choices.ok & (lean >= lean[i]) & (choices.side_load_N <= choices.side_load_N[i])
        better &= (lean > lean[i]) | (choices.side_load_N < choices.side_load_N[i])
        assert not better.any()


def test_impossible_asks_are_said() -> None:
    machine = demo("tarn").machine
    with pytest.raises(ValueError, match="longer than 0"):
        find_arms(machine, np.array([0.0]))
    with pytest.raises(ValueError, match="candidates"):
        find_arms(machine, np.linspace(1, 50, 500), np.linspace(1, 50, 500))
    with pytest.raises(ValueError, match="two builds"):
        stops_of_builds(machine, 1)
    assert FINE.samples >= 5
