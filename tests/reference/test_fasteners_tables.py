"""Screws, holes, tolerances and bites, held against the published tables."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leanmix.machine import (
    CAP_SCREWS,
    Machine,
    Screw,
    demo,
    fastener_errors,
    fastener_remarks,
    general_tolerance_mm,
    length_tolerance_mm,
    parse,
    plastic_hole_mm,
    rod_fit,
    screw_fit,
    set_value,
    slide_fit,
)

# ISO 4762 table: head across, head height, socket
ISO_4762 = {"M2": (3.8, 2), "M2.5": (4.5, 2.5), "M3": (5.5, 3), "M4": (7, 4), "M5": (8.5, 5)}
# ISO 273: fine, medium, coarse
ISO_273 = {"M2": (2.2, 2.4, 2.6), "M2.5": (2.7, 2.9, 3.1), "M3": (3.2, 3.4, 3.6), "M4": (4.3, 4.5, 4.8)}
# ISO 273 for M5, ISO 4762 sockets and knurled heads, DIN 974-1 series 1 counterbores: from memory
ISO_273_M5 = (5.3, 5.5, 5.8)
SOCKETS = {"M2": 1.5, "M2.5": 2.0, "M4": 3.0, "M5": 4.0}
KNURLED = {"M2": 3.98, "M2.5": 4.68, "M4": 7.22, "M5": 8.72}
COUNTERBORES = {"M2": 4.4, "M2.5": 5.5, "M3": 6.5, "M4": 8.0, "M5": 10.0}


@pytest.mark.parametrize("thread", ISO_4762)
def test_heads_are_iso_4762(thread: str) -> None:
    assert (CAP_SCREWS[thread].head_mm, CAP_SCREWS[thread].head_height_mm) == ISO_4762[thread]


def test_m3_socket_and_knurled_head_are_iso_4762() -> None:
    assert (CAP_SCREWS["M3"].socket_mm, CAP_SCREWS["M3"].head_knurled_mm) == (2.5, 5.68)


@pytest.mark.parametrize("thread", ISO_273)
def test_clearance_holes_are_iso_273(thread: str) -> None:
    s = CAP_SCREWS[thread]
    assert (s.hole_fine_mm, s.hole_medium_mm, s.hole_coarse_mm) == ISO_273[thread]


def test_sizes_known_from_memory() -> None:
    s = CAP_SCREWS["M5"]
    assert (s.hole_fine_mm, s.hole_medium_mm, s.hole_coarse_mm) == ISO_273_M5
    assert {t: CAP_SCREWS[t].socket_mm for t in SOCKETS} == SOCKETS
    assert {t: CAP_SCREWS[t].head_knurled_mm for t in KNURLED} == KNURLED
    assert {t: CAP_SCREWS[t].counterbore_mm for t in COUNTERBORES} == COUNTERBORES


@pytest.mark.parametrize(
    ("size", "tol"),
    # ISO 2768-1 class m; a size on a boundary belongs to the smaller range
    [
        (0.5, 0.1),
        (3, 0.1),
        (3.01, 0.1),
        (6, 0.1),
        (6.01, 0.2),
        (30, 0.2),
        (30.1, 0.3),
        (120, 0.3),
        (120.1, 0.5),
        (400, 0.5),
    ],
)
def test_general_tolerances_are_iso_2768_1_m(size: float, tol: float) -> None:
    assert general_tolerance_mm(size) == tol


@pytest.mark.parametrize("size", [0.49, 2000.1, float("nan"), -1])
def test_general_tolerance_refuses_what_the_standard_leaves_out(size: float) -> None:
    with pytest.raises(ValueError, match="ISO 2768-1"):
        general_tolerance_mm(size)


@pytest.mark.parametrize(("length", "tol"), [(5, 0.24), (10, 0.29), (14, 0.35), (20, 0.42), (50, 0.5)])
def test_screw_lengths_vary_as_iso_4762_says(length: float, tol: float) -> None:
    # js15: half of IT15 for the length's range (ISO 286-1), from memory
    assert length_tolerance_mm(length) == tol


def test_hole_in_plastic_is_about_085_of_the_diameter() -> None:
    # plastic-fastener design guides
    assert plastic_hole_mm("M3") == pytest.approx(2.55)


def _screw(**changes: object) -> Screw:
    base = {"name": "s", "thread": "M3", "length_mm": 10, "clamped_mm": 4, "threaded_mm": 6, "beyond": "slide"}
    return Screw.model_validate({**base, **changes})


def _with(*screws: Screw) -> Machine:
    return demo("tarn").machine.model_copy(update={"screws": screws})


def test_ten_mm_screw_in_nine_and_a_half_mm_binds_the_slide() -> None:
    # common practice: a 10 mm screw engages fully and must not stand out on the far side
    (found,) = fastener_errors(_with(_screw(clamped_mm=3.5)))
    assert "stands out 0.5 mm into the slide" in found.what
    assert "The right length is 9.5 mm" in found.todo
    assert found.key == "screw.0.length_mm"


def test_ten_mm_screw_in_ten_mm_is_right() -> None:
    fit = screw_fit(_screw())
    assert (fit.bite_mm, fit.bite_d, fit.stands_out_mm, fit.right_mm) == (6, 2, 0, 10)
    assert fastener_errors(_with(_screw())) == ()
    assert fastener_remarks(_with(_screw())) == ()


@pytest.mark.parametrize(
    ("changes", "kind", "says"),
    [
        ({"length_mm": 14}, "error", "right length is 10 mm"),
        ({"length_mm": 14, "beyond": "closed"}, "error", "blind end"),
        ({"length_mm": 4}, "error", "does not reach"),
        ({"length_mm": 14, "beyond": "open"}, "", ""),
        ({"length_mm": 8, "beyond": "open"}, "remark", "right length is 10 mm"),
        ({"length_mm": 16, "threaded_mm": 12, "beyond": "open"}, "remark", "9 mm is enough"),
        ({"length_mm": 8, "into": "metal"}, "", ""),
        ({"length_mm": 6, "into": "metal"}, "remark", "right length is 10 mm"),
        ({"length_mm": 8, "threaded_mm": 4}, "remark", "only 4 mm deep"),
        ({"length_mm": {"at": 10, "tol": 0.3}}, "remark", "may stand out 0.3 mm"),
    ],
)
def test_a_screw_is_judged(changes: dict[str, object], kind: str, says: str) -> None:
    machine = _with(_screw(**changes))
    found = {"error": fastener_errors(machine), "remark": fastener_remarks(machine)}
    assert [k for k, v in found.items() if v] == ([kind] if kind else [])
    if kind:
        assert says in str(found[kind][0])


@given(
    thread=st.sampled_from(sorted(CAP_SCREWS)),
    clamped=st.floats(0, 40),
    threaded=st.floats(0.5, 40),
    into=st.sampled_from(["plastic", "metal", "nut"]),
    beyond=st.sampled_from(["open", "slide", "closed"]),
    length=st.floats(2, 100),
)
def test_the_right_length_is_right(
    thread: str, clamped: float, threaded: float, into: str, beyond: str, length: float
) -> None:
    """Whatever length is named as right gives no error and no remark of too little."""
    screw = _screw(thread=thread, clamped_mm=clamped, threaded_mm=threaded, into=into, beyond=beyond, length_mm=length)
    right = screw_fit(screw).right_mm
    if right is None:
        return
    better = _with(screw.model_copy(update={"length_mm": dataclasses.replace(screw.length_mm, at=right)}))
    assert fastener_errors(better) == ()
    assert not [f for f in fastener_remarks(better) if "only" in f.what]


def test_rod_is_ball_to_ball_less_the_ends_plus_the_thread() -> None:
    # arithmetic: 60 between balls, 9 from ball centre to face, 6 screwed in at each end
    fit = rod_fit(60, 9, 6, 3)
    assert (fit.cut_mm, fit.bare_mm, fit.thread_in_d) == (54, 42, 2)


def test_slide_rocks_by_its_play_over_its_length() -> None:
    # arithmetic: atan(0.2 / 26) = 0.4407°
    fit = slide_fit(demo("tarn").machine.left)
    assert fit.rock_deg == pytest.approx(0.44073, abs=1e-5)
    assert (fit.least_mm, fit.most_mm) == (pytest.approx(0.1), pytest.approx(0.3))


@pytest.mark.parametrize(
    ("key", "value", "where"),
    [
        ("side.link.thread_in_mm", 9.0, "error"),
        ("side.link.rod_end_mm", 15.1, "error"),
        ("side.link.rod_diameter_mm", 5.0, "remark"),
        ("side.guide.clearance_mm", 0.1, "remark"),
    ],
)
def test_rods_and_slides_are_judged(key: str, value: float, where: str) -> None:
    machine = parse(set_value(demo("tarn").text, key, value)).machine
    found = {"error": fastener_errors(machine), "remark": fastener_remarks(machine)}
    assert [k for k, v in found.items() if v] == [where]
    assert len(found[where]) == 1  # both sides alike: said once


def test_a_link_worked_out_too_short_for_its_ends_is_an_error() -> None:
    """Moss leaves its link out: 17.72 mm worked out cannot hold two ends of 9 mm."""
    moss = parse(set_value(demo("moss").text, "side.link.rod_end_mm", 9.0)).machine
    plain = fastener_errors(moss)
    found = fastener_errors(moss, {"left": 17.72, "right": 17.72})
    (rod,) = [f for f in found if f not in plain]
    assert rod.key == "left.link.length_mm"
    assert "17.72 mm leaves no rod between two ends of 9 mm" in rod.what
    apart = fastener_errors(moss, {"left": 19.0, "right": 17.72})
    assert [f.key for f in apart if f not in plain] == ["right.link.length_mm"]
