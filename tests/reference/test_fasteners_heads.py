"""A screw's head in the servo arm's way, against a plane triangle worked by hand.

An arm of half-width w turns about its axis; a head of radius h stands at distance r from the axis, at an angle a under
the arm. They are the margin m apart when r·sin(a − throw) = w + h + m, as long as the foot of that distance lies on
the arm (trigonometry of a right triangle).
"""

from __future__ import annotations

import math
import re

import pytest

from leanmix.machine import CAP_SCREWS, MachineFile, demo, parse
from leanmix.stops import find_stops

ARM_AXIS_UP_MM = 166.0
HALF_WIDTH_MM = 3.5
MARGIN_MM = 0.3
HEAD_OUT_MM, HEAD_UP_MM = 6.0, 153.0


def with_head(radius_mm: float) -> MachineFile:
    head = re.compile(r'(name = "servo screw"\non = "chassis"\npoints = \[\{).*?(\}\]\nradius_mm = )[\d.]+')
    text, changed = head.subn(
        rf"\g<1> out_mm = {HEAD_OUT_MM}, up_mm = {HEAD_UP_MM} \g<2>{radius_mm}", demo("tarn").text
    )
    assert changed == 1
    return parse(text)


def by_hand_deg(radius_mm: float) -> float:
    down = ARM_AXIS_UP_MM - HEAD_UP_MM
    r, a = math.hypot(HEAD_OUT_MM, down), math.atan2(down, HEAD_OUT_MM)
    apart = math.asin((HALF_WIDTH_MM + radius_mm + MARGIN_MM) / r)
    assert r * math.cos(apart) < 15.0, "the foot must lie on the 15 mm arm"
    return math.degrees(a - apart)


@pytest.mark.parametrize("thread", ["M2", "M2.5", "M3"])
def test_a_head_that_meets_the_arm_is_found_by_the_stops(thread: str) -> None:
    # ISO 4762's largest (knurled) head, as it should be declared
    radius = CAP_SCREWS[thread].head_knurled_mm / 2
    ladder = find_stops(with_head(radius).machine)
    for way in ("left", "right"):
        met = [s for s in ladder.way(way) if set(s.parts) == {"servo arm", "servo screw"}]
        assert met, "the head is in the arm's way both ways"
        assert met[0].blocks
        assert met[0].throw_deg == pytest.approx(by_hand_deg(radius), abs=1e-6)


def test_a_flush_head_meets_nothing() -> None:
    """Sunk in its counterbore there is no head in the arm's plane to meet."""
    ladder = find_stops(with_head(0.01).machine)
    touched = [s for way in ("left", "right") for s in ladder.way(way) if set(s.parts) == {"servo arm", "servo screw"}]
    bare = by_hand_deg(0.01)
    assert all(s.throw_deg == pytest.approx(bare, abs=1e-6) for s in touched)
    assert bare > by_hand_deg(CAP_SCREWS["M3"].head_knurled_mm / 2) + 8
