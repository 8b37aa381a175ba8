"""The main job from the command line: curve, table, flash, diff, revert, tour, on real files and the virtual board."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from leanmix.cli import leanmix
from leanmix.errors import LeanmixError
from leanmix.job import work_out
from leanmix.journal import Journal
from leanmix.machine import DEMOS, demo, set_value
from leanmix.mixer import Image


def call(*arguments: str) -> Result:
    return CliRunner().invoke(leanmix, arguments)


def answer(*arguments: str) -> dict[str, Any]:
    done = call(*arguments)
    assert done.exception is None, done.exception
    return dict(json.loads(done.stdout))


@pytest.mark.parametrize("name", DEMOS)
def test_curve_states_its_goals_for_every_demo(name: str) -> None:
    found = answer("curve", f"demo:{name}", "--json")
    assert found["proof"]["passed"] is True
    assert found["worst_error_us"] <= 0.5
    assert found["worst_error_at_knee_us"] <= 1.0
    assert found["inputs"] > 6000
    for output in found["outputs"]:
        assert len(output["knots_us"]) == 33
        assert all(output["cap_low_us"] <= k <= output["cap_high_us"] for k in output["knots_us"])
    assert "proved" in call("curve", f"demo:{name}").stdout


def test_flash_verifies_keeps_and_does_not_write_twice() -> None:
    first = answer("flash", "demo:tarn", "--port", "virtual", "--json")
    assert first["outcome"] == "stored"
    assert first["difference"] is None
    again = answer("flash", "demo:tarn", "--port", "virtual", "--json")
    assert again["outcome"] == "already there"
    other = call("flash", "demo:wren", "--port", "virtual")
    assert "machine file" in other.stdout
    assert "nan" not in other.stdout
    assert "read back equal" in other.stdout
    with Journal.open() as journal:
        flashes = journal.flashes()
        assert sorted(f.result for f in flashes) == ["already there", "verified", "verified"]
        assert len({f.board for f in flashes}) == 1
        kept = journal.file_of(demo("wren").digest)
        assert kept is not None
        assert kept.text == demo("wren").text


def test_diff_says_what_would_change_and_revert_brings_it_back(tmp_path: Path) -> None:
    call("flash", "demo:tarn", "--port", "virtual")
    assert call("board", "diff", "demo:tarn", "--port", "virtual").exit_code == 0
    changed = tmp_path / "less.toml"
    changed.write_text(set_value(set_value(demo("tarn").text, "lean.left_deg", 5), "lean.right_deg", 6.5))
    done = call("board", "diff", str(changed), "--port", "virtual", "--json")
    assert done.exit_code == 1
    found = json.loads(done.stdout)["difference"]
    assert found["worst_lean_deg"] == pytest.approx(2.0, abs=0.02)
    assert found["worst_at_steer"] == pytest.approx(1.0, abs=1e-3)
    call("flash", str(changed), "--port", "virtual")
    assert answer("board", "revert", "--port", "virtual", "--json")["outcome"] == "reverted"
    assert call("board", "diff", "demo:tarn", "--port", "virtual").exit_code == 0


def test_a_real_port_asks_before_it_writes() -> None:
    from leanmix.board import VirtualBoard

    with VirtualBoard() as board:
        done = call("flash", "demo:tarn", "--port", board.port)
        assert done.exit_code == 2
        assert "machine on a stand" in done.stderr
        assert "--yes" in done.stderr
        assert board.core.storage_writes == 0
        assert call("flash", "demo:tarn", "--port", board.port, "--yes").exit_code == 0
        assert board.core.running_bytes == work_out(demo("tarn")).proved.data


def test_a_table_that_cannot_be_proved_is_neither_written_nor_flashed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from leanmix.curve import caps

    monkeypatch.setattr(caps, "_cap", lambda *_: caps.WayCap(62.0, "broken on purpose"))
    asked = tmp_path / "much.toml"
    asked.write_text(set_value(demo("tarn").text, "lean.left_deg", 12))
    for arguments in (("table", str(asked), "--as", "csv"), ("flash", str(asked), "--port", "virtual")):
        done = call(*arguments)
        assert isinstance(done.exception, LeanmixError)
        assert "not proved" in str(done.exception)
    done = call("curve", str(asked))
    assert done.exit_code == 1
    assert "FAILED" in done.stdout


def test_table_as_image_is_what_would_be_flashed(tmp_path: Path) -> None:
    out = tmp_path / "tarn.bin"
    assert call("table", "demo:tarn", "--as", "image", "-o", str(out)).exit_code == 0
    image = Image.decode(out.read_bytes())
    assert image.machine_hash == demo("tarn").digest[:16]
    assert call("table", "demo:tarn", "--as", "image").exit_code == 2
    assert call("table", "demo:tarn", "--as", "header").stdout.count("{") > 0


def test_tour_does_the_whole_job_and_leaves_nothing_behind(tmp_path: Path) -> None:
    found = answer("tour", "--json")
    assert found["read_back_equal"] is True
    assert found["worst_error_us"] <= 0.5
    assert found["worst_error_at_knee_us"] <= 1.0
    assert {c["name"] for c in found["proof"]} >= {"no output beyond its caps, by not one count"}
    shown = call("tour").stdout
    for heading in (
        "What was measured",
        "What ends the throw",
        "How far it leans",
        "Curve, table and proof",
        "Onto the board",
    ):
        assert heading in shown
    assert not (tmp_path / "leanmix-home").exists()


def test_curve_says_what_the_caps_hold_back_and_which_own_cap_does_nothing(tmp_path: Path) -> None:
    tarn = demo("tarn")
    text = set_value(set_value(tarn.text, "lean.left_deg", 25), "limits.cap_right_deg", 66)
    file = tmp_path / "much.toml"
    file.write_text(text, encoding="utf-8")
    told = " ".join(call("curve", str(file)).stdout.split())
    assert "full left lock asks for 25.00° of lean and gets 8." in told
    assert "limits.cap_right_deg 66° changes nothing" in told
    assert "asks for" not in call("curve", "demo:tarn").stdout


def test_readings_of_the_scales_may_be_typed_with_a_comma() -> None:
    comma, point = (answer("weigh", "demo:tarn", "--left", v, "--right", "605", "--rear", "1685", "--json")
                    for v in ("610,5+-2,5", "610.5+-2.5"))  # fmt: skip
    assert comma["found"] == point["found"]


def test_table_takes_its_form_from_the_ending_and_asks_where_there_is_none(tmp_path: Path) -> None:
    for ending in (".bin", ".hex", ".h", ".csv"):
        assert call("table", "demo:tarn", "-o", str(tmp_path / f"t{ending}")).exit_code == 0
    assert (tmp_path / "t.bin").read_bytes() == work_out(demo("tarn")).proved.data
    assert (tmp_path / "t.hex").read_text().startswith(":")
    assert "#define LEAN_KNOTS 33" in (tmp_path / "t.h").read_text()
    assert "input_us" in (tmp_path / "t.csv").read_text()
    for rest in ((), ("-o", str(tmp_path / "t.table"))):
        refused = call("table", "demo:tarn", *rest)
        assert refused.exit_code == 2
        assert "--as image, hex, header or csv" in refused.output


def test_a_bench_reading_may_be_typed_with_commas(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(demo("tarn").text, encoding="utf-8")
    done = call(
        "bench", "add", str(file), "arm_deg", "--pulse", "1112,5", "--tol", "0,5", "--side", "left", "--", "-37,9"
    )
    assert done.exit_code == 0, done.output
    with Journal.open() as journal:
        ((_, reading),) = journal.readings()
    assert (reading.at, reading.tol, reading.pulse_us) == (-37.9, 0.5, 1112.5)
    assert "is not a number" in call("bench", "add", str(file), "arm_deg", "--tol", "1", "wide").output
