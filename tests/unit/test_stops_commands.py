"""`leanmix stops` and `leanmix fit` as people and programs meet them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from leanmix.cli import leanmix as group
from leanmix.errors import LeanmixError


def run(*arguments: str) -> Result:
    result = CliRunner().invoke(group, arguments)
    if result.exception is not None and not isinstance(result.exception, (SystemExit, LeanmixError)):
        raise result.exception
    return result


def test_both_ladders_stand_side_by_side() -> None:
    text = run("stops", "demo:moss", "--builds", "200").stdout
    head = next(line for line in text.splitlines() if "leaning left" in line)
    assert "leaning right" in head
    for word in (
        "BLOCKS",
        "touches",
        "jams in its",
        "without it",
        "cap left",
        "measure again",
        "friction",
        "too short",
    ):
        assert word in text, word


def test_json_has_units_in_its_names() -> None:
    found = json.loads(run("stops", "demo:wren", "--json", "--builds", "50").stdout)
    assert found["schema"] == 1
    assert found["kind"] == "stops"
    rung = found["left"][0]
    assert {"throw_deg", "pulses_us", "push_left_mm", "lean_deg", "gain_deg", "kind", "blocks", "says", "cure"} <= set(
        rung
    )
    assert len(rung["pulses_us"]) == 2
    assert len(found["loads"]["throw_deg"]) == len(found["clearances"][0]["gap_mm"])
    assert found["builds"]["builds"] == 50
    assert 0 < found["builds"]["left"]["clear_deg"] < 60
    assert "builds" not in json.loads(run("stops", "demo:wren", "--json", "--builds", "0").stdout)


def test_a_rung_can_be_drawn(tmp_path: Path) -> None:
    text = run("stops", "demo:moss", "--at", "left:1").stdout
    assert "◇" in text
    assert "comes down on rack" in text
    assert "✕" in run("stops", "demo:moss", "--at", "right:2").stdout
    for suffix, begin in ((".svg", b"<"), (".png", b"\x89PNG")):
        out = tmp_path / f"stop{suffix}"
        assert run("stops", "demo:tarn", "--at", "left:1", "-o", str(out)).exit_code == 0
        assert out.read_bytes().startswith(begin)
        again = run("stops", "demo:tarn", "--at", "left:1", "-o", str(out))
        assert isinstance(again.exception, LeanmixError)
    assert "servo screw" in (tmp_path / "stop.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "arguments",
    [
        ("stops", "demo:tarn", "--at", "up:1"),
        ("stops", "demo:tarn", "--at", "left:9"),
        ("stops", "demo:tarn", "--at", "left:x"),
        ("stops", "demo:tarn", "-o", "x.svg"),
        ("stops", "demo:tarn", "--at", "left:1", "-o", "x.gif"),
        ("fit", "demo:tarn", "--arms", "8:4:1"),
        ("fit", "demo:tarn", "--arms", "nan,3"),
        ("fit", "demo:tarn", "--links", "a"),
        ("fit", "demo:tarn", "--links", "-3"),
        ("fit", "demo:tarn", "-o", "x.gif"),
    ],
)
def test_wrong_asks_end_with_a_sentence_and_two(arguments: tuple[str, ...]) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert result.output.strip().endswith((".", "'."))


def test_fit_trades_and_marks_what_is_there_now(tmp_path: Path) -> None:
    text = run("fit", "demo:moss").stdout
    assert "now" in text
    assert "lean °" in text
    assert "ball to ball" in text
    out = tmp_path / "trade.svg"
    found = json.loads(
        run("fit", "demo:wren", "--links", "18,20", "--arms", "8,10,12", "-o", str(out), "--json").stdout
    )
    assert found["candidates"]["radius_mm"] == [8, 8, 10, 10, 12, 12]
    assert len(found["candidates"]["why_not"]) == 6
    assert "20 mm links" in out.read_text(encoding="utf-8")
    listed = run("fit", "demo:tarn", "--all", "--arms", "10:40:10", "--links", "25,30").stdout
    assert "would have to move too far" in listed
    nothing = run("fit", "demo:tarn", "--arms", "30", "--off-guide", "1").stdout
    assert "None keeps to the limits" in nothing


def test_fit_says_when_nothing_goes_together() -> None:
    result = run("fit", "demo:tarn", "--arms", "30", "--links", "2")
    assert isinstance(result.exception, LeanmixError)
    assert "Not one of these" in str(result.exception)
