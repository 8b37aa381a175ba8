"""What a builder types into a field: read as meant, or refused with a sentence."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leanmix.machine import Measured
from leanmix.screens.entry import BadEntry, nudged, read_entry, shown_entry
from leanmix.screens.fields import Field
from leanmix.screens.store import Store


def field(key: str) -> Field:
    found = Store().field(key)
    assert found is not None
    return found


RADIUS = field("side.arm.radius_mm")  # 15 ± 0.15, calipers


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("15", 15.0),
        (" 15,2 ", 15.2),
        ("15.", 15.0),
        (".5e1", 5.0),
        ("15.1 mm", 15.1),
        ("15.1 ± 0.3", Measured(15.1, 0.3, "calipers")),
        ("15.1±.3", Measured(15.1, 0.3, "calipers")),
        ("15.1 +- 0.3 mm photo", Measured(15.1, 0.3, "photo")),
        ("15.1 +/- 0,3 ruler", Measured(15.1, 0.3, "ruler")),
        ("± 0.4", Measured(15.0, 0.4, "calipers")),
        ("drawing", Measured(15.0, 0.15, "drawing")),
        ("16 bench", Measured(16.0, 0.15, "bench")),
    ],
)
def test_what_is_typed_is_read_as_meant(typed: str, meant: float | Measured) -> None:
    assert read_entry(RADIUS, typed) == meant


@pytest.mark.parametrize(
    ("typed", "part"),
    [
        ("", "Type a number in mm"),
        ("wide", "Type a number in mm"),
        ("15 in", "“in” cannot stand here"),
        ("15 calliper", "is calipers meant?"),
        ("1.5 cm", "counted in mm"),
        ("1e9", "outside what is possible: 1 to 200 mm"),
        ("-3", "outside what is possible"),
        ("15 ± wide", "Type a number"),
        ("1.2.3", "cannot stand here"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_a_sentence(typed: str, part: str) -> None:
    with pytest.raises(BadEntry) as refused:
        read_entry(RADIUS, typed)
    assert part in refused.value.says


def test_choices_switches_counts_and_names() -> None:
    assert read_entry(field("runner.kind"), "whe") == "wheel"
    with pytest.raises(BadEntry):
        read_entry(field("runner.kind"), "hover")
    assert read_entry(field("side.guide.bearing_moves"), "False") is False
    assert read_entry(field("servo.spline_teeth"), "24") == 24
    with pytest.raises(BadEntry):
        read_entry(field("servo.spline_teeth"), "24.5")
    assert read_entry(field("name"), "Mine") == "Mine"
    with pytest.raises(BadEntry):
        read_entry(field("name"), "")


@given(
    st.floats(1, 200).map(lambda x: float(f"{x:.6g}")),
    st.none() | st.floats(0, 50).map(lambda x: float(f"{x:.4g}")),
    st.sampled_from(["", "ruler", "maker"]),
)
def test_what_is_shown_can_be_typed_back(at: float, tol: float | None, source: str) -> None:
    from dataclasses import replace

    shown = replace(RADIUS, measured=Measured(at, tol, source))
    back = read_entry(shown, shown_entry(shown))
    assert back == Measured(at, tol, source) or (back == at and tol is None and source == "")


@given(st.text(max_size=40))
def test_no_text_at_all_breaks_the_reading(typed: str) -> None:
    for one in (RADIUS, field("runner.kind"), field("servo.spline_teeth"), field("name")):
        try:
            value = read_entry(one, typed)
        except BadEntry as refused:
            assert refused.says
        else:
            assert isinstance(value, (Measured, float, int, str, bool))


def test_nudges_go_by_the_unit_and_stay_in_range() -> None:
    assert nudged(RADIUS, 1) == 15.1
    assert nudged(RADIUS, -1, large=True) == 14.0
    assert nudged(field("servo.pulse_neutral_us"), 1, large=True) == 1510
    assert nudged(field("runner.kind"), 1) == "wheel"
    assert nudged(field("board.failsafe_frames"), 1) == 11
    assert nudged(field("runner.radius_mm"), 1) == 0.1, "from the default where the file gives none"
    assert nudged(field("runner.radius_mm"), -1) is None, "not below what is possible"
    assert nudged(field("name"), 1) is None
    assert nudged(field("chassis.roll_inertia_kg_mm2"), 1) is None, "left out, and nothing to start from"


def test_many_small_nudges_do_not_gather_rounding() -> None:
    from dataclasses import replace

    one = RADIUS
    for _ in range(30):
        up = nudged(one, 1)
        assert isinstance(up, float)
        one = replace(one, measured=Measured(up))
    assert one.measured == Measured(18.0)
