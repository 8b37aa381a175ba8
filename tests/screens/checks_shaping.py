"""Checks of the actions of Measure, Fit, Limits and Lean."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from textual.pilot import Pilot

from leanmix.screens import Screens
from leanmix.screens.boxes import AskBox
from tests.screens.checks import RADIUS, Check, box, radius, shows_next
from tests.screens.desk import on_screen, quick, settled


def in_measure(work: Check) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view("measure")
        desk.view.edited_elsewhere(RADIUS)
        await work(desk, pilot, key)

    return check


def chooses(wanted: Callable[[str], bool]) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        found = desk.view.chosen().key  # type: ignore[attr-defined]
        assert wanted(found), found

    return in_measure(check)


def makes(value: float) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert radius(desk) == pytest.approx(value)

    return in_measure(check)


async def check_change(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await pilot.press(*"14.2+-.1ruler", "enter")
    found = desk.store.good.machine.left.arm.radius_mm
    assert (found.at, found.tol, found.source) == (14.2, 0.1, "ruler")


async def check_leave_out(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.view.edited_elsewhere("side.link.length_mm")
    await pilot.press(key)
    assert desk.store.good.machine.left.link.length_mm is None
    desk.view.edited_elsewhere(RADIUS)
    await pilot.press(key)
    assert radius(desk) == 15.0
    assert "cannot be left out" in desk.said


async def check_part_sides(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    assert desk.store.field("right.arm.radius_mm") is not None
    desk.view.edited_elsewhere("right.arm.radius_mm")
    await pilot.press(key)
    assert desk.store.field("right.arm.radius_mm") is None


async def check_find(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await pilot.press(*"stiff", "enter")
    assert desk.view.chosen().key == "rear.roll_stiffness_N_m_per_rad"  # type: ignore[attr-defined]
    await pilot.press("escape")


def in_limits(work: Check) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view("limits")
        await quick(desk)
        view = desk.view
        view._way, view._at = "left", 1  # type: ignore[attr-defined]
        await work(desk, pilot, key)

    return check


def rung(way: str, at: int) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert (desk.view._way, desk.view._at) == (way, at)  # type: ignore[attr-defined]

    return in_limits(check)


async def check_go(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    stop = desk.view.chosen()  # type: ignore[attr-defined]
    assert desk.now is not None
    assert desk.now.throw_deg == pytest.approx(stop.throw_deg)
    assert "arm held at" in on_screen(desk)
    await pilot.press("escape")
    assert desk.store.position.held_deg is None


def in_lean(work: Check, *, own: bool = True) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        desk.show_view("lean")
        await settled(desk)
        if own:
            desk.store.put_knots(((-1.0, -7.0), (-0.5, -3.0), (0.0, 0.0), (0.5, 3.0), (1.0, 7.0)))
            desk.edited()
            await quick(desk)
            desk.view._at = 3  # type: ignore[attr-defined]
        await work(desk, pilot, key)

    return check


def knots_after(wanted: tuple[tuple[float, float], ...]) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert np.array(desk.store.good.machine.lean.knots) == pytest.approx(np.array(wanted))

    return in_lean(check)


async def check_knots(desk: Screens, pilot: Pilot[None], key: str) -> None:
    asked = desk.done.asked_deg.copy()  # type: ignore[union-attr]
    await pilot.press(key)
    assert len(desk.store.good.machine.lean.knots) == 9
    await quick(desk)
    assert abs(desk.done.asked_deg - asked).max() < 0.5, "knots say what the shape said"  # type: ignore[union-attr]
    await pilot.press(key)
    assert desk.store.good.machine.lean.knots == ()


def picks(at: int) -> Check:
    async def check(desk: Screens, pilot: Pilot[None], key: str) -> None:
        await pilot.press(key)
        assert desk.view._at == at  # type: ignore[attr-defined]
        assert desk.store.position.steer == pytest.approx(desk.store.good.machine.lean.knots[at][0])

    return in_lean(check)


async def check_type_knot(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await box(desk, pilot, AskBox)
    await pilot.press(*"4.25", "enter")
    await pilot.pause()
    assert desk.store.good.machine.lean.knots[3] == (0.5, 4.25)
    assert desk.store.good.machine.lean.knots[1] == (-0.5, -4.25)


async def check_add_knot(desk: Screens, pilot: Pilot[None], key: str) -> None:
    desk.steer_to(0.75)
    await pilot.press(key)
    knots = desk.store.good.machine.lean.knots
    assert len(knots) == 6
    assert knots[4][0] == 0.75
    assert 3.0 < knots[4][1] < 7.0


async def check_drop_knot(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    assert [k[0] for k in desk.store.good.machine.lean.knots] == [-1.0, -0.5, 0.0, 1.0]


async def check_link_sides(desk: Screens, pilot: Pilot[None], key: str) -> None:
    await pilot.press(key)
    await pilot.press("up")
    assert desk.store.good.machine.lean.knots[3] == (0.5, 3.1)
    assert desk.store.good.machine.lean.knots[1] == (-0.5, -3.0)
    await pilot.press(key)


SHAPING: dict[tuple[str, str], Check] = {
    ("measure", "change"): in_measure(check_change),
    ("measure", "move(-1)"): chooses(lambda k: k == "side.arm.centre.up_mm"),
    ("measure", "move(1)"): chooses(lambda k: k == "side.arm.rest_deg"),
    ("measure", "move_group(-1)"): chooses(lambda k: k == "servo.arrangement"),
    ("measure", "move_group(1)"): chooses(lambda k: k == "side.link.length_mm"),
    ("measure", "nudge(1)"): makes(15.1),
    ("measure", "nudge(-1)"): makes(14.9),
    ("measure", "nudge(10)"): makes(16.0),
    ("measure", "nudge(-10)"): makes(14.0),
    ("measure", "leave_out"): in_measure(check_leave_out),
    ("measure", "part_sides"): in_measure(check_part_sides),
    ("measure", "find"): in_measure(check_find),
    ("fit", "show_next"): shows_next("fit", "_chart"),
    ("limits", "move(-1)"): rung("left", 0),
    ("limits", "move(1)"): rung("left", 2),
    ("limits", "go"): in_limits(check_go),
    ("limits", "other_way"): rung("right", 1),
    ("lean", "knots"): in_lean(check_knots, own=False),
    ("lean", "pick(1)"): picks(2),
    ("lean", "pick(-1)"): picks(4),
    ("lean", "lift(1)"): knots_after(((-1.0, -7.0), (-0.5, -3.1), (0.0, 0.0), (0.5, 3.1), (1.0, 7.0))),
    ("lean", "lift(-1)"): knots_after(((-1.0, -7.0), (-0.5, -2.9), (0.0, 0.0), (0.5, 2.9), (1.0, 7.0))),
    ("lean", "shift(1)"): knots_after(((-1.0, -7.0), (-0.51, -3.0), (0.0, 0.0), (0.51, 3.0), (1.0, 7.0))),
    ("lean", "shift(-1)"): knots_after(((-1.0, -7.0), (-0.49, -3.0), (0.0, 0.0), (0.49, 3.0), (1.0, 7.0))),
    ("lean", "type_knot"): in_lean(check_type_knot),
    ("lean", "add_knot"): in_lean(check_add_knot),
    ("lean", "drop_knot"): in_lean(check_drop_knot),
    ("lean", "link_sides"): in_lean(check_link_sides),
    ("lean", "show_next"): shows_next("lean", "_chart"),
}
