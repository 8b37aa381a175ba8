"""What a builder reads is named as in his own file: parts, screws and surfaces by name, corners counted from 1."""

from __future__ import annotations

import pytest

from leanmix.machine import demo, each_number, remarks, spoken_key, template
from leanmix.machine.file import parse
from tests.unit.shell_kit import ran

TARN = demo("tarn").machine


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("parts.0.points.1.up_mm", f"{TARN.parts[0].name}: corner 2 up_mm"),
        ("parts.1.radius_mm", f"{TARN.parts[1].name}: radius_mm"),
        ("surfaces.0.grip", f"{TARN.surfaces[0].name}: grip"),
        ("screws.1.length_mm", f"{TARN.screws[1].name}: length_mm"),
        ("left.arm.radius_mm", "left.arm.radius_mm"),
        ("chassis.mass_g", "chassis.mass_g"),
    ],
)
def test_a_key_is_said_by_name(key: str, said: str) -> None:
    assert spoken_key(TARN, key) == said


def test_no_number_of_any_list_is_shown_by_its_place_in_it() -> None:
    shown = [spoken_key(TARN, n.key) for n in each_number(TARN)]
    assert len(set(shown)) == len(shown)
    assert not [s for s in shown if any(word.isdigit() for word in s.split("."))]
    for out in (ran("check", "demo:tarn").out, ran("stops", "demo:tarn", "--builds", "200").out):
        assert "parts." not in out
        assert "surfaces." not in out
    assert "servo arm: corner 2 up_mm" in ran("check", "demo:tarn").out


def test_a_count_of_guesses_says_where_to_look_next() -> None:
    found = [f for f in remarks(parse(template("New"), "new").machine) if f.key == "guesses"]
    assert [f.todo for f in found] == ["Measure what matters most first: leanmix stops and leanmix stance say which."]


def test_the_template_keeps_its_words_whole() -> None:
    assert not [line for line in template("New").splitlines() if line.startswith("#") and line.endswith("-")]
