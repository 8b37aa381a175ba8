"""sheet, draw, share and check from the command line; JSON held to a schema."""

from __future__ import annotations

import json
import zipfile
from functools import lru_cache, partial
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner, Result
from PIL import Image

import leanmix.job
import leanmix.paper.facts
from leanmix.cli import leanmix as program
from leanmix.curve import make_table
from leanmix.job import work_out
from leanmix.machine import DEMOS, demo, parse, set_value
from leanmix.paper import A4, EVERYTHING_SCHEMA, Facts, build_files, everything_json, facts_of, open_build, pack_build
from leanmix.paper.facts import TIPS, TipRow

NUMBER = {"type": "number"}
MAYBE = {"type": ["number", "null"]}
TEXT = {"type": "string"}
WAY = {"enum": ["left", "right"]}


def _object(**keys: object) -> dict[str, object]:
    return {"type": "object", "properties": keys, "required": list(keys), "additionalProperties": False}


def _list(item: object) -> dict[str, object]:
    return {"type": "array", "items": item}


_POINT = _object(right_mm=NUMBER, up_mm=NUMBER)
_POSE = _object(throw_deg=NUMBER, lean_deg=NUMBER, **{s: {"type": "object", "additionalProperties": _POINT} for s in ("left", "right")})  # fmt: skip
SCHEMA = _object(
    schema={"const": EVERYTHING_SCHEMA},
    kind={"const": "build"},
    tool={"type": "string", "pattern": r"^leanmix \d"},
    machine=_object(name=TEXT, sha256={"type": "string", "pattern": "^[0-9a-f]{64}$"}),
    numbers=_list(_object(key=TEXT, at=NUMBER, tol=MAYBE, unit=TEXT, **{"from": TEXT})),
    links=_list(_object(side=WAY, length_mm=NUMBER, rod_cut_mm=NUMBER, rod_bare_mm=NUMBER, thread_in_mm=NUMBER, guide_play_mm=_list(NUMBER))),
    screws=_list(_object(name=TEXT, thread=TEXT, length_mm=NUMBER, stack_mm=NUMBER, bite_mm=NUMBER, stands_out_mm=NUMBER, right_length_mm=MAYBE)),
    holes=_list(_object(part=TEXT, out_mm=NUMBER, up_mm=NUMBER, diameter_mm=NUMBER, what=TEXT)),
    caps=_object(**{w: _object(throw_deg=NUMBER, why=TEXT, lean_deg=MAYBE) for w in ("left", "right")}),
    stops=_list(_object(way=WAY, throw_deg=NUMBER, pulses_us=_list(NUMBER), lean_deg=MAYBE, blocks={"type": "boolean"}, kind=TEXT, says=TEXT, cure=TEXT, gain_deg=MAYBE)),
    curve=_object(ask={"enum": ["lean", "arm"]}, knee_deg=NUMBER, steer=_list(NUMBER), asked_deg=_list(NUMBER), throw_uncapped_deg=_list(NUMBER), throw_deg=_list(NUMBER), lean_deg=_list(NUMBER), pulses_us=_list(_list(NUMBER))),
    tips=_list(_object(what=TEXT, way=WAY, before_g=MAYBE, after_g=MAYBE)),
    poses=_object(neutral=_POSE, left=_POSE, right=_POSE),
    table=_object(
        bytes=TEXT, crc32={"type": "string", "pattern": "^[0-9a-f]{8}$"}, sha256=TEXT, error_us=NUMBER, knee_error_us=NUMBER, steering_us=_list(NUMBER),
        outputs=_list(_object(cap_low_us=NUMBER, cap_high_us=NUMBER, neutral_us=NUMBER, failsafe_us=NUMBER, slew_us_per_frame=NUMBER, knots_us={"type": "array", "items": NUMBER, "minItems": 33, "maxItems": 33})),
    ),
    proof=_list(_object(check=TEXT, passed={"type": "boolean"}, figure=TEXT, inputs={"type": "integer"})),
    missing=_list(TEXT),
)  # fmt: skip


@lru_cache(maxsize=4)
def made(name: str) -> Facts:
    """A demo's results, once."""
    return facts_of(work_out(demo(name)))


@lru_cache(maxsize=4)
def shared(name: str) -> bytes:
    """A demo's build as a zip, once."""
    return pack_build(demo(name), build_files(made(name), A4))


@pytest.fixture(autouse=True)
def _few_builds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Coarser than in earnest: what is on the pages is as long."""
    rows = tuple(TipRow(what, way, 0.7654, 1.2345) for what in TIPS for way in ("left", "right"))
    monkeypatch.setattr(leanmix.paper.facts, "_tips", lambda job, curve: rows)
    monkeypatch.setattr(leanmix.job, "make_table", partial(make_table, widen_knee=False))
    monkeypatch.setattr(leanmix.job, "BUILDS", 40)


def run(*arguments: str | Path, status: int = 0) -> Result:
    result = CliRunner().invoke(program, [str(a) for a in arguments], standalone_mode=True)
    assert result.exit_code == status, result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result


@pytest.mark.parametrize("name", DEMOS)
def test_everything_as_json_keeps_to_its_schema(name: str) -> None:
    content = json.loads(everything_json(made(name)))
    jsonschema.validate(content, SCHEMA)
    assert content["machine"]["sha256"] == demo(name).digest.hex()
    assert len(content["curve"]["steer"]) == len(content["curve"]["lean_deg"]) == 161
    assert content["links"][0]["rod_cut_mm"] == pytest.approx(
        content["links"][0]["rod_bare_mm"] + 2 * content["links"][0]["thread_in_mm"]
    )


def test_sheet_as_pdf_pages_and_json(tmp_path: Path) -> None:
    run("sheet", "demo:wren", "-o", tmp_path / "w.pdf")
    assert (tmp_path / "w.pdf").read_bytes().startswith(b"%PDF-")
    run("sheet", "demo:wren", "-o", tmp_path / "p.png", "--dpi", "40", "--part", "sheet", "--paper", "letter")
    pages = sorted(tmp_path.glob("p-*.png"))
    assert len(pages) >= 4
    with Image.open(pages[0]) as page:
        assert page.size == (round(215.9 / 25.4 * 40), round(279.4 / 25.4 * 40))
    run("sheet", "demo:wren", "-o", tmp_path / "t.svg", "--part", "templates")
    assert (tmp_path / "t-01.svg").read_text(encoding="utf-8").startswith("<?xml")
    run("sheet", "demo:wren", "-o", tmp_path / "w.json")
    jsonschema.validate(json.loads((tmp_path / "w.json").read_text(encoding="utf-8")), SCHEMA)


@pytest.mark.parametrize("suffix", ["dxf", "svg", "png", "pdf"])
def test_draw_writes_each_kind(suffix: str, tmp_path: Path) -> None:
    begins = {"dxf": b"999\nleanmix", "svg": b"<?xml", "png": b"\x89PNG", "pdf": b"%PDF-"}[suffix]
    for what, at in (("front", "left" if suffix == "dxf" else "-7.5"), ("gauge", "neutral")):
        out = tmp_path / f"{what}{at}.{suffix}"
        run("draw", "demo:moss", "--what", what, "--at", at, "-o", out, "--dpi", "40")
        assert out.read_bytes().startswith(begins)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["sheet", "demo:tarn", "-o", "x.doc"], ".pdf, .svg, .png or .json"),
        (["draw", "demo:tarn", "-o", "x.doc"], ".dxf, .svg, .png or .pdf"),
        (["draw", "demo:tarn", "-o", "x.svg", "--at", "sideways"], "say neutral, left, right"),
        (["draw", "demo:tarn", "-o", "x.svg", "--at", "nan"], "say neutral, left, right"),
        (["draw", "demo:tarn", "-o", "x.svg", "--at", "500"], "within ±68"),
        (["sheet", "demo:tarn", "-o", "x.png", "--dpi", "5"], "dpi"),
        (["sheet", "demo:tarn", "-o", "x.pdf", "--paper", "a0"], "a0"),
    ],
)
def test_bad_requests_are_said_in_a_sentence(
    arguments: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert says in run(*arguments, status=2).output
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_written_over_unless_forced(tmp_path: Path) -> None:
    out = tmp_path / "a.svg"
    out.write_text("mine")
    result = CliRunner().invoke(program, ["draw", "demo:wren", "--what", "link", "-o", str(out)])
    assert "is there already" in str(result.exception)
    assert out.read_text() == "mine"
    run("draw", "demo:wren", "--what", "link", "-o", out, "--force")
    assert out.read_text(encoding="utf-8").startswith("<?xml")


@pytest.mark.parametrize("name", DEMOS)
def test_share_goes_round(name: str, tmp_path: Path) -> None:
    run("share", "make", f"demo:{name}", "-o", tmp_path / "b.zip")
    build = open_build((tmp_path / "b.zip").read_bytes())
    assert build.source.text == demo(name).text
    assert build.image is not None
    assert {
        "sheet.pdf",
        "templates.pdf",
        "table.hex",
        "table.h",
        "mapping.csv",
        "cad/front-left.dxf",
        "pictures/right.png",
    } <= set(build.files)
    with zipfile.ZipFile(tmp_path / "b.zip") as archive:
        assert archive.testzip() is None
        readme = archive.read("readme.txt").decode()
    assert all(file in readme for file in build.files if file != "readme.txt")
    assert demo(name).digest.hex() in readme

    shown = run("share", "open", tmp_path / "b.zip", "--beside", f"demo:{name}").output
    assert "No difference" in shown
    run("share", "open", tmp_path / "b.zip", "--save", tmp_path / "theirs.toml")
    assert (tmp_path / "theirs.toml").read_text(encoding="utf-8") == demo(name).text


def test_share_shows_what_differs(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text(set_value(demo("wren").text, "side.arm.radius_mm", 12.5), encoding="utf-8")
    (tmp_path / "b.zip").write_bytes(shared("wren"))
    content = json.loads(run("share", "open", tmp_path / "b.zip", "--beside", mine, "--json").output)
    assert content["differences"] == [
        {"key": "left.arm.radius_mm", "mine": "12.5 ± 0.15", "theirs": "12 ± 0.15", "unit": "mm"}
    ]


def test_a_table_of_another_machine_in_a_build_is_refused(tmp_path: Path) -> None:
    import hashlib

    for name in ("wren", "tarn"):
        (tmp_path / f"{name}.zip").write_bytes(shared(name))
    with zipfile.ZipFile(tmp_path / "tarn.zip") as tarn, zipfile.ZipFile(tmp_path / "wren.zip") as wren:
        files = {n: tarn.read(n) for n in tarn.namelist()}
        files["table.bin"] = wren.read("table.bin")
    contents = json.loads(files["contents.json"])
    contents["files"]["table.bin"] = {
        "bytes": len(files["table.bin"]),
        "sha256": hashlib.sha256(files["table.bin"]).hexdigest(),
    }
    files["contents.json"] = json.dumps(contents).encode()
    with zipfile.ZipFile(tmp_path / "mixed.zip", "w") as mixed:
        for n, data in files.items():
            mixed.writestr(n, data)
    result = CliRunner().invoke(program, ["share", "open", str(tmp_path / "mixed.zip")])
    assert "made from another machine file" in str(result.exception)


def test_a_strangers_text_does_not_reach_the_terminal_raw(tmp_path: Path) -> None:
    text = demo("wren").text.replace('about = """', 'about = """\\u001b[2J\\u009b31m')
    (tmp_path / "n.zip").write_bytes(pack_build(parse(text), {}))
    shown = run("share", "open", tmp_path / "n.zip", "--beside", "demo:wren").output
    assert "about" in shown
    assert not [c for c in shown if not c.isprintable() and c != "\n"]


def test_check_shows_the_screw_that_binds_with_its_line() -> None:
    shown = run("check", "demo:moss", status=1).output
    assert "10 mm in a stack of 9.5 mm stands out 0.5 mm into the slide" in " ".join(shown.split())
    content = json.loads(run("check", "demo:moss", "--json", status=1).output)
    (error,) = content["errors"]
    assert demo("moss").text.splitlines()[error["line"] - 1] == "length_mm = 10"
    run("check", "demo:tarn")


def test_check_works_out_links_and_says_what_cannot_be_put_together(tmp_path: Path) -> None:
    short = tmp_path / "short.toml"
    short.write_text(set_value(demo("moss").text, "side.link.rod_end_mm", 9), encoding="utf-8")
    assert "leaves no rod between two ends" in " ".join(run("check", short, status=1).output.split())
    far = tmp_path / "far.toml"
    far.write_text(set_value(demo("tarn").text, "side.link.length_mm", 2), encoding="utf-8")
    shown = " ".join(run("check", far, status=1).output.split())
    assert "cannot be put together with the arm centred" in shown
