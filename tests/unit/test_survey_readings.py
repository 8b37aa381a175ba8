"""The readings file: what is taken, what is refused and in which words, what is kept."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leanmix.errors import FileTrouble, LeanmixError, MachineFileError
from leanmix.machine import demo
from leanmix.survey import (
    KINDS,
    PointName,
    Reading,
    UnknownPoint,
    add_line,
    blank_readings,
    find_point,
    load_readings,
    parse_line,
    parse_readings,
    places_of,
    readings_path,
    solve,
)
from leanmix.survey.tables import Trouble

TARN = demo("tarn").machine
PLACES = places_of(TARN)


@pytest.mark.parametrize(
    ("typed", "place", "side"),
    [
        ("lower_pivot", "lower_pivot", ""),
        ("left lower_pivot", "lower_pivot", "left"),
        ("RIGHT Lower Arm Pivot", "lower_pivot", "right"),
        ("J", "lower_pivot", ""),
        ("left k", "lower_ball", "left"),
        ("rack 2", "rack 2", "centre"),
        ("servo screw", "servo screw", ""),
        ("rear_pivot", "rear_pivot", "centre"),
    ],
)
def test_points_as_builders_write_them(typed: str, place: str, side: str) -> None:
    assert find_point(typed, PLACES) == PointName(place, side)


def test_a_wrong_name_gets_the_nearest_ones() -> None:
    with pytest.raises(UnknownPoint, match=r"'lower_pivto' is not a point.*lower_pivot"):
        find_point("lower_pivto", PLACES)


@pytest.mark.parametrize(
    ("line", "want"),
    [
        ("pins lower_pivot lower_ball 84.9", Reading("pins", (PointName("lower_pivot"), PointName("lower_ball")), 84.9)),
        ("pins lower arm pivot to lower arm ball = 84.9 +- 0.1", Reading("pins", (PointName("lower_pivot"), PointName("lower_ball")), 84.9, 0.1)),
        ("height left mount_ball 136.2 ± 0.4", Reading("height", (PointName("mount_ball", "left"),), 136.2, 0.4)),
        ("pins left J, right J 68", Reading("pins", (PointName("lower_pivot", "left"), PointName("lower_pivot", "right")), 68.0)),
        ("corner J K H 80", Reading("corner", (PointName("lower_pivot"), PointName("lower_ball"), PointName("upper_ball")), 80.0)),
        ("alike lower_ball", Reading("alike", (PointName("lower_ball"),), 0.0)),
        ("level J to K -8.1", Reading("level", (PointName("lower_pivot"), PointName("lower_ball")), -8.1)),
    ],
)  # fmt: skip
def test_lines_as_builders_type_them(line: str, want: Reading) -> None:
    assert parse_line(line, PLACES) == want


@pytest.mark.parametrize(
    "line", ["", "84.9", "pins lower_pivot 84.9", "pins lower_pivot lower_ball", "pins nobody nowhere 3", "pins J J 3", "pins J K -3", "height J nan"]
)  # fmt: skip
def test_lines_that_make_no_sense_get_a_sentence(line: str) -> None:
    with pytest.raises(Trouble):
        parse_line(line, PLACES)


def test_a_line_added_and_read_again_is_the_same() -> None:
    text = blank_readings(TARN)
    wanted = []
    for kind, spec in KINDS.items():
        points = tuple(PointName(n, "left") for n in ("lower_pivot", "lower_ball", "upper_ball")[: spec.points])
        reading = Reading(kind, points, 0.0 if kind == "alike" else 12.5, 0.25)
        wanted.append(reading)
        text = add_line(text, reading)
    got = parse_readings(text, TARN).survey.readings
    assert [(r.kind, r.points, r.reads, r.tol) for r in got] == [(r.kind, r.points, r.reads, r.tol) for r in wanted]
    lines = text.splitlines()
    for r in got:
        assert r.line is not None
        assert r.kind in lines[r.line - 1]


def test_comments_and_order_stay() -> None:
    text = 'schema = 1\n# mine\nreading = [\n    { height = "J", reads_mm = 50 }, # glass plate\n    # half way\n]\n'
    out = add_line(text, parse_line("height K 38", PLACES))
    assert "# mine" in out
    assert "# glass plate" in out
    assert "# half way" in out
    assert len(tomllib.loads(out)["reading"]) == 2


def test_every_error_is_named_with_its_line() -> None:
    text = """schema = 1
colour = "red"
pins = { lower_pivot = -3 }
reading = [
    { pins = ["nobody", "lower_ball"], reads_mm = 3 },
    { hight = "lower_ball" },
    { height = "lower_ball", reads_mm = "high" },  # "{" in a comment, and a string { too
    { height = "{", reads_mm = 1 },
    { over = ["J", "K"], reads_mm = nan },
    { pins = ["J"], reads_mm = 4 },
    { pins = ["J", "K"], reads_mm = 4, tol_mm = 0 },
    { pins = ["J", "K"], reads_deg = 4 },
    { pins = ["J", "K"], reads_mm = 4, aside = "yes" },
]
"""
    with pytest.raises(MachineFileError) as caught:
        parse_readings(text, TARN, "mine")
    found = {f.key: f for f in caught.value.findings}
    assert found["colour"]
    assert found["pins"]
    assert [found[f"reading {i}"].line for i in range(1, 10)] == list(range(5, 14))


def test_missing_pin_diameter_and_open_side_are_said() -> None:
    text = 'schema = 1\ndiffer = ["K"]\nreading = [{ over = ["J", "A"], reads_mm = 80 }, { height = "K", reads_mm = 38 }]\n'
    with pytest.raises(MachineFileError) as caught:
        solve(TARN, parse_readings(text, TARN).survey)
    said = str(caught.value)
    assert "pin diameter of lower_pivot is not given" in said
    assert "Put left or right before the name" in said


def test_keep_takes_the_machine_files_own_measurement_once() -> None:
    survey = parse_readings('schema = 1\nkeep = ["lower_pivot"]\n', TARN).survey
    assert [(r.kind, r.reads, r.tol) for r in survey.readings] == [("offset", 34.0, 0.3), ("height", 50.0, 0.3)]
    with pytest.raises(MachineFileError, match="no measured value"):
        parse_readings('schema = 1\nkeep = ["guide_top"]\n', TARN)


def test_broken_files_are_sentences(tmp_path) -> None:
    with pytest.raises(FileTrouble, match="cannot be read"):
        load_readings(tmp_path / "none.toml", TARN)
    (tmp_path / "raw.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileTrouble, match="not UTF-8"):
        load_readings(tmp_path / "raw.toml", TARN)
    (tmp_path / "big.toml").write_bytes(b"#" * (5 << 20))
    with pytest.raises(FileTrouble, match="larger than"):
        load_readings(tmp_path / "big.toml", TARN)
    for text in (
        "schema = 2",
        "reading = 3",
        "[[reading]]",
        "x = [",
        "picture = [{}]",
        "[[drawing]]\nhole = 4",
        "schema = true",
    ):
        with pytest.raises(MachineFileError):
            parse_readings(text, TARN)


def test_readings_lie_beside_the_machine_file() -> None:
    assert readings_path("garage/mine.toml").as_posix() == "garage/mine.readings.toml"


words = st.sampled_from([*KINDS, "J", "left", "lower_ball", "rack 1", "84.9", "-3", "+-", "±", "nan", "=", "to", "x", "é", '"', "\\", "\n"])  # fmt: skip


@given(st.lists(words, max_size=8))
def test_no_typed_line_makes_a_fault(parts: list[str]) -> None:
    try:
        reading = parse_line(" ".join(parts), PLACES)
    except LeanmixError:
        return
    assert parse_readings(add_line(blank_readings(TARN), reading), TARN).survey.readings


values = st.one_of(
    st.sampled_from(["J", "left K", "nobody", "", True, False, None]),
    st.floats(),
    st.integers(-(10**6), 10**6),
    st.lists(st.sampled_from(["J", "K", "left J", 3]), max_size=3),
)
items = st.dictionaries(st.sampled_from([*KINDS, "reads_mm", "tol_mm", "reads_deg", "aside", "note", "behind_mm"]), values, max_size=4)  # fmt: skip


@given(st.lists(items, max_size=4))
def test_no_readings_file_makes_a_fault(tables: list[dict[str, object]]) -> None:
    import tomlkit

    text = tomlkit.dumps({"schema": 1, "reading": [{k: v for k, v in t.items() if v is not None} for t in tables]})
    try:
        survey = parse_readings(text, TARN).survey
        found = solve(TARN, survey)
    except LeanmixError:
        return
    assert len(found.readings) == sum(not r.aside for r in survey.readings)
