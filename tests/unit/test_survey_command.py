"""`leanmix survey` from the command line, the labelled drawing, and what a new number moves."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from click.testing import CliRunner, Result

from leanmix.cli import leanmix
from leanmix.curve import worst_case
from leanmix.drawing import to_svg
from leanmix.errors import LeanmixError
from leanmix.job import work_out
from leanmix.journal import Journal
from leanmix.machine import DEMOS, Numbers, demo, load, parse, set_value, values
from leanmix.remeasure import ACCURACY_CHECK, FIGURES, ask_next, figure_slopes, flashed_stands, what_moved
from leanmix.survey import PLACES, Reading, add_line, blank_readings, made_up_readings, sensitivities, solve
from leanmix.survey.layout import machine_spots
from leanmix.survey.places import FRONT_PLACES, PointName
from leanmix.survey.sketch import points_drawing, points_text

TARN = demo("tarn")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(leanmix, [str(a) for a in arguments])


def said(result: Result) -> str:
    return f"{result.output}\n{result.exception or ''}"


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    """A copy of Tarn with a full set of made-up readings beside it."""
    path = tmp_path / "mine.toml"
    path.write_text(TARN.text)
    text = blank_readings(TARN.machine)
    for reading in made_up_readings(TARN.machine, 1).readings:
        text = add_line(text, reading)
    (tmp_path / "mine.readings.toml").write_text(text)
    return path


def test_a_demo_shows_a_survey_at_once() -> None:
    result = run("survey", "demo:tarn")
    assert result.exit_code == 0
    for words in ("lower arm ball", "how sure (95 %)", "next", "arm ball to servo screw"):
        assert words in result.output


def test_from_the_first_reading_to_numbers_in_the_file(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_text(TARN.text)
    first = run("survey", path)
    assert first.exit_code != 0
    assert "there are no readings yet" in said(first)
    result = run("survey", path, "--add", "pins lower_pivot lower_ball 84.9", "--add", "height J 50.1")
    assert result.exit_code == 0
    assert "lower arm pivot and lower arm ball can still" in result.output.replace("\n", " ")
    assert "no reading yet to" in result.output
    bad = run("survey", path, "--add", "pins lower_pivot 3")
    assert bad.exit_code != 0
    assert path.read_text() == TARN.text


def test_write_puts_the_numbers_in_and_shows_what_moved(mine: Path) -> None:
    result = run("survey", mine, "--write")
    assert result.exit_code == 0
    assert "What moved" in result.output
    assert "no table was flashed" in result.output.replace("\n", " ")
    after = load(mine).machine.left
    assert after.suspension.lower_ball.out.source == "survey"
    assert after.suspension.lower_ball.out.at == pytest.approx(118, abs=0.3)
    assert "# Grip: estimates, not measurements." in mine.read_text()


def test_json_has_units_in_its_keys(mine: Path) -> None:
    found = json.loads(run("survey", mine, "--json").stdout)
    assert found["kind"] == "survey"
    assert {p["point"] for p in found["points"]} >= {"left lower_ball", "arm_centre"}
    assert all({"out_mm", "up_mm", "covariance_mm2", "ellipse_95_mm"} <= set(p) for p in found["points"])
    assert found["open"] == []
    assert found["next"]


def test_a_slip_is_named_with_what_the_rest_say(mine: Path) -> None:
    readings = mine.with_name("mine.readings.toml")
    lines = readings.read_text().splitlines()
    row = next(i for i, line in enumerate(lines) if line.startswith('    { pins = ["lower_pivot", "lower_ball"]'))
    value = float(lines[row].split("reads_mm = ")[1].split(" ")[0])
    lines[row] = lines[row].replace(f"{value:g}", f"{value + 6:g}")
    readings.write_text("\n".join(lines) + "\n")
    text = " ".join(run("survey", mine).output.split())
    assert "disagrees lower arm pivot to lower arm ball" in text
    assert f"{value:.1f}"[:-1] in text


def test_holes_of_a_drawing_join(mine: Path, tmp_path: Path) -> None:
    document = ezdxf.new(units=4)
    for i, (x, y, label) in enumerate(((34, 50, "J"), (38, 78, "G"), (76, 54, ""))):
        document.modelspace().add_circle((x + 5, y - 7), 1.5)
        if label:
            document.modelspace().add_text(label, dxfattribs={"insert": (x + 7, y - 6 + i * 0)})
    document.saveas(tmp_path / "plate.dxf")
    result = run(
        "survey", mine, "--drawing", tmp_path / "plate.dxf", "--hole", "2=lower_eye", "--drawing-tol-mm", "0.2"
    )
    assert result.exit_code == 0, said(result)
    assert mine.with_name("mine.readings.toml").read_text().count("at_mm") == 3
    again = run("survey", mine, "--drawing", tmp_path / "plate.dxf", "--layer", "none")
    assert again.exit_code != 0
    assert "no hole is named" in said(again)
    wrong = run("survey", mine, "--drawing", tmp_path / "plate.dxf", "--hole", "9=lower_eye")
    assert wrong.exit_code == 2


def test_since_compares_two_states_and_proves_the_flashed_table_again(mine: Path, tmp_path: Path) -> None:
    old = tmp_path / "old.toml"
    old.write_text(TARN.text)
    job = work_out(load(old))
    with Journal.open() as journal:
        journal.record_flash(load(old), job.table.image.encode(), "bench board", "verified")
    mine.write_text(set_value(TARN.text, "side.arm.radius_mm", 15.3))
    held = " ".join(run("survey", mine, "--since", old).output.split())
    assert "lean at the cap, left" in held
    assert "tips turning right, leaning to the cap" in held
    assert "the flashed table's proof still holds" in held
    # the screw moved up into the arm's way: the same table is no longer clear of it
    mine.write_text(set_value(TARN.text, "part.5.points.0.up_mm", 158.5))
    gone = " ".join(run("survey", mine, "--since", old).output.split())
    assert "no longer holds" in gone
    assert "flash a new one before driving" in gone


def test_wrong_uses_are_said(tmp_path: Path) -> None:
    for arguments in (("demo:tarn", "--write"), ("demo:tarn", "--add", "height J 3"), ("demo:tarn", "--since", "none.toml"), ("demo:tarn", "--drawing", "x.dxf"), ("demo:tarn", "--points-out", "x.bmp")):  # fmt: skip
        result = run("survey", *arguments)
        assert result.exit_code != 0
        assert isinstance(result.exception, (SystemExit, LeanmixError))


@pytest.mark.parametrize("name", DEMOS)
def test_every_demo_can_be_surveyed_with_made_up_readings(name: str) -> None:
    """Sides that differ included: a place that is not alike is then read on both."""
    result = run("survey", f"demo:{name}")
    assert result.exit_code == 0, result.exception
    assert "made up" in result.stderr
    machine = demo(name).machine
    solution = solve(machine, made_up_readings(machine, 1))
    assert solution.open == ()


@pytest.mark.parametrize("name", DEMOS)
def test_what_was_read_already_is_not_advised_again(name: str) -> None:
    """Though the same points may be written with or without their side."""
    machine = demo(name).machine
    survey = made_up_readings(machine, 1)

    def which(r: Reading) -> tuple[object, ...]:
        return r.kind, frozenset(p.place for p in r.points), frozenset(p.side for p in r.points) - {""}

    advised = ask_next(machine, survey, "stop", most=20)
    assert len(advised) == 20
    assert not {which(a.reading) for a in advised} & {which(r) for r in survey.readings}


# ---- which is which


def test_the_labelled_drawing_names_every_point(tmp_path: Path) -> None:
    for name in ("tarn", "wren", "moss"):
        text = points_text(demo(name).machine)
        drawn = text.split("Left side")[0]
        svg = to_svg(points_drawing(demo(name).machine))
        for place in PLACES:
            assert f"  {place.letter}  {place.plain}" in text
            if place.name in FRONT_PLACES:
                assert drawn.count(place.letter) == 1
                assert f">{place.letter}<" in svg or place.plain in svg
        assert max(map(len, drawn.splitlines())) <= 80
    assert run("survey", "demo:tarn", "--points-out", str(tmp_path / "p.svg")).exit_code == 0
    assert run("survey", "demo:tarn", "--points").output.startswith("A")


def test_letters_stand_where_the_points_are() -> None:
    machine = TARN.machine
    spots = machine_spots(machine)
    rows = points_text(machine).splitlines()
    found = {}
    for y, row in enumerate(rows[:30]):
        for x, c in enumerate(row):
            if c.isupper() and len(row.strip()) < 60:
                found.setdefault(c, (x, y))
    for place in PLACES:
        if place.name not in FRONT_PLACES or place.name == "contact":
            continue
        out, up, _ = spots[PointName(place.name, "left")]
        x, y = found[place.letter]
        lowest = found["M"]
        assert x / lowest[0] == pytest.approx(out / 134.0, abs=0.06)
        assert (lowest[1] - y) / lowest[1] == pytest.approx(up / 166.0, abs=0.06)


# ---- what a number moves


def test_sensitivities_against_plain_differences() -> None:
    def figure(numbers: Numbers) -> Any:
        return np.asarray(numbers["left.arm.radius_mm"]) ** 2 + 3 * np.asarray(numbers["left.mount.ball.up_mm"])

    got = sensitivities(figure, TARN.machine, ("left.arm.radius_mm", "left.mount.ball.up_mm", "not.there"))
    assert got == {"left.arm.radius_mm": pytest.approx(30.0), "left.mount.ball.up_mm": pytest.approx(3.0)}


def test_figure_slopes_foretell_what_a_change_does() -> None:
    slopes = figure_slopes(TARN.machine, "stop")
    up = values(TARN.machine)["parts.5.points.0.up_mm"]
    moved = parse(set_value(TARN.text, "part.5.points.0.up_mm", float(up) - 0.2), "x")
    rows = {m.what: m for m in what_moved(TARN, moved).moved}
    first = rows["first block leaning left"]
    assert first.after - first.before == pytest.approx(-0.2 * slopes["parts.5.points.0.up_mm"], rel=0.05)


@pytest.mark.parametrize("figure", list(FIGURES))
def test_advice_is_ranked_and_never_makes_it_worse(figure: str) -> None:
    advice = ask_next(TARN.machine, made_up_readings(TARN.machine, 1), figure, most=8)
    shares = [a.share for a in advice]
    assert shares == sorted(shares, reverse=True)
    assert all(0 <= s <= 1 for s in shares)
    assert all(a.tol_after <= a.tol_before for a in advice)


def test_the_check_left_out_of_an_older_tables_proof_exists() -> None:
    job = work_out(TARN)
    assert ACCURACY_CHECK in [c.name for c in worst_case(job.table, *job.limits)]
    stands = flashed_stands(TARN, job.table.image.encode())
    assert stands.holds
    assert stands.lean_moved_deg == pytest.approx(0, abs=1e-9)
