"""Whole files from strangers, through the commands: status 2 and a sentence, no traceback, nothing written elsewhere."""

from __future__ import annotations

import io
import os
import re
import sqlite3
import tracemalloc
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image as Picture

from leanmix import cli
from leanmix.errors import FileTrouble, LeanmixError
from leanmix.journal import DriveNote, Journal, JournalDamaged, Reading, export_lines, import_lines, journal_path
from leanmix.journal.entries import row_sum
from leanmix.machine import bounds, demo, parse, set_value
from leanmix.survey.holes import read_holes
from leanmix.survey.photo.image import open_photograph
from leanmix.survey.svg import MOST_TEXT
from leanmix.survey.tables import Trouble, number

TARN = demo("tarn").text
NUMBER = next(line for line in TARN.splitlines() if line.startswith("radius_mm"))
HUGE = "0x" + "f" * 5000
Said = Callable[..., tuple[int, str, str]]


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Said:
    def run(*arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            cli.main([str(a) for a in arguments])
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), out, err

    return run


def refused(answer: tuple[int, str, str]) -> str:
    status, _, err = answer
    assert status == 2, answer
    assert re.search(r"^(leanmix|Error): ", err, re.MULTILINE)
    assert "Traceback" not in err
    assert "fault in leanmix" not in err
    assert err.replace("\n", "").isprintable()
    return err


TEXTS = {
    "nothing": "",
    "NUL": TARN.replace("schema", "sch\0ema", 1),
    "a key twice": TARN + "\nschema = 1\n",
    "a number that cannot be printed": TARN.replace(NUMBER, f"radius_mm = {HUGE}", 1),
    "a tolerance that cannot be printed": TARN.replace(NUMBER, f"radius_mm = {{ at = 15, tol = {HUGE} }}", 1),
    "a layout that cannot be printed": TARN.replace("schema = 1", f"schema = {HUGE}", 1),
    "text for a number, 1 MB of it": TARN.replace(NUMBER, f'radius_mm = """\n{"x" * 70 + chr(10)}{("y" * 70 + chr(10)) * 13000}"""', 1),
    "10 MB on one line": f'about = "{"x" * 10_000_000}"\n' + TARN,
    "1e999": TARN.replace(NUMBER, "radius_mm = 1e999", 1),
    "nan": TARN.replace(NUMBER, "radius_mm = nan", 1),
    "lists in lists": "a = " + "[" * 4000,
    "tables in tables": "a = " + "{a=" * 2000,
    "a dotted key in many parts": "a." * 4000 + "a = 1",
    "a dotted key in more": "a." * 400_000 + "a = 1",
    "both sides nested": "schema = 1\n[side]\narm." + "a." * 3000 + "a = 1\n[left]\narm." + "a." * 3000 + "a = 1\n",
    "thousands of unknown keys": "".join(f"k{i} = 1\n" for i in range(20_000)),
    "a name that steers the terminal": TARN.replace('name = "Tarn"', 'name = "\\u009b2J"', 1),
    "a name that turns the line round": TARN.replace('name = "Tarn"', 'name = "a\\u202eb"', 1),
    "a key that steers the terminal": TARN + '\n["\\u001b[2J"]\n',
    "a thousand parts": TARN + '[[part]]\nname = "x"\non = "chassis"\npoints = [{ out_mm = 1, up_mm = 1 }]\n' * 1000,
}  # fmt: skip


@pytest.mark.fault
def test_machine_files_that_mean_harm(
    tmp_path: Path, said: Said, record_property: Callable[[str, object], None]
) -> None:
    file = tmp_path / "m.toml"
    raws = {name: text.encode() for name, text in TEXTS.items()}
    raws["no UTF-8"] = TARN.encode().replace(b"Tarn", b"T\xffrn", 1)
    raws["UTF-16"] = TARN.encode("utf-16")
    for name, raw in raws.items():
        file.write_bytes(raw)
        err = refused(said("check", file))
        assert len(err) < 120_000, name
        assert [p.name for p in tmp_path.iterdir() if p.name != "leanmix-home"] == ["m.toml"]
    file.write_bytes(b"\xef\xbb\xbf" + TARN.encode())  # an editor's mark is no harm
    assert said("check", file)[0] == 0
    record_property("fault", ["hostile: machine files", len(raws), "a sentence and status 2"])


COMMANDS = (
    ("check", "FILE"), ("survey", "FILE"), ("drive", "demo:tarn", "FILE"), ("log", "tips", "FILE"), ("share", "open", "FILE"),
    ("journal", "import", "FILE"), ("photo", "demo:tarn", "FILE"), ("survey", "demo:tarn", "--drawing", "FILE"),
)  # fmt: skip


@pytest.mark.fault
def test_names_that_lead_to_no_file(
    tmp_path: Path, said: Said, monkeypatch: pytest.MonkeyPatch, record_property: Callable[[str, object], None]
) -> None:
    monkeypatch.setattr(bounds, "PIPE_S", 0.05)
    (tmp_path / "folder.svg").mkdir()
    (tmp_path / "loop.svg").symlink_to("loop.svg")
    (tmp_path / "endless.svg").symlink_to("/dev/zero")
    os.mkfifo(tmp_path / "pipe.svg")
    tried = 0
    for name in ("folder.svg", "loop.svg", "endless.svg", "pipe.svg", "absent.svg"):
        for command in COMMANDS:
            refused(said(*(tmp_path / name if a == "FILE" else a for a in command)))
            tried += 1
    record_property(
        "fault", ["hostile: folders, pipes, endless devices, links in a ring", tried, "a sentence and status 2"]
    )


def test_a_pipe_is_read_while_somebody_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    os.mkfifo(tmp_path / "silent")
    monkeypatch.setattr(bounds, "PIPE_S", 0.05)
    with pytest.raises(FileTrouble, match="did not end within"):
        bounds.read_file(tmp_path / "silent", 10, "10 bytes", "")
    reader, writer = os.pipe()
    os.write(writer, b"hello")
    os.close(writer)
    try:
        assert bounds.read_file(f"/dev/fd/{reader}", 10, "10 bytes", "") == b"hello"
        (tmp_path / "f").write_bytes(b"1234")
        with pytest.raises(FileTrouble, match="larger than 3 bytes"):
            bounds.read_file(tmp_path / "f", 3, "3 bytes", "")
    finally:
        os.close(reader)


@pytest.mark.fault
def test_pictures_that_mean_harm(tmp_path: Path, record_property: Callable[[str, object], None]) -> None:
    out = io.BytesIO()
    noise = np.random.default_rng(1).integers(0, 255, (300, 300, 3), dtype=np.uint8)
    Picture.fromarray(noise).save(out, "PNG")
    good = out.getvalue()
    head = good.index(b"IHDR")
    bomb = bytearray(good)
    bomb[head + 4 : head + 12] = (11_000).to_bytes(4, "big") * 2
    bomb[head + 17 : head + 21] = zlib.crc32(bytes(bomb[head : head + 17])).to_bytes(4, "big")
    gif = io.BytesIO()
    Picture.fromarray(noise).save(gif, "GIF")
    bad = {"bomb": bytes(bomb), "cut": good[: len(good) // 2], "another kind": gif.getvalue(), "text": b"hello" * 100,
           "postscript": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 300 300\n"}  # fmt: skip
    for name, raw in bad.items():
        (tmp_path / "p.png").write_bytes(raw)
        tracemalloc.start()
        with pytest.raises(FileTrouble, match="pixels are more than" if name == "bomb" else r"p\.png: "):
            open_photograph(tmp_path / "p.png")
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert most < 50e6, name
    record_property(
        "fault", ["hostile: pictures (bomb, cut off, other kinds)", len(bad), "a sentence, nothing unpacked"]
    )


def svg(body: str) -> str:
    return f'<svg xmlns="http://www.w3.org/2000/svg" width="9mm" viewBox="0 0 9 9">{body}</svg>'


def dxf(body: str, blocks: str = "") -> str:
    return f"{blocks}0\nSECTION\n2\nENTITIES\n{body}0\nENDSEC\n0\nEOF\n"


INSERT = "0\nINSERT\n8\nL\n2\n%s\n10\n1\n20\n0\n"
CIRCLE = "0\nCIRCLE\n8\nL\n10\n%s\n20\n2\n40\n3\n"


def nest(inner: str, each: int) -> str:
    rows = ["0\nSECTION\n2\nBLOCKS\n"]
    for k in range(6):
        within = inner if k == 0 else (INSERT % f"B{k - 1}") * each
        rows.append(f"0\nBLOCK\n8\nL\n2\nB{k}\n70\n0\n10\n0\n20\n0\n{within}0\nENDBLK\n8\nL\n")
    return "".join([*rows, "0\nENDSEC\n"])


@pytest.mark.fault
def test_drawings_that_mean_harm(tmp_path: Path, record_property: Callable[[str, object], None]) -> None:
    entities = '<!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>' + svg("<title>&b;</title>")
    outside = '<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>' + svg('<circle r="1" id="&x;"/>')
    refuse = {
        "a.svg": [entities, outside, svg('<circle r="1"/>' * 5001), "<svg", svg("<g>" * 300), "<html/>", ""],
        "a.dxf": [dxf(CIRCLE % 1 * 5001), dxf(INSERT % "B5", nest(CIRCLE % 1, 40)), "no drawing", "0\nSECTION\n"],
    }
    for name, texts in refuse.items():
        for text in texts:
            (tmp_path / name).write_text(text)
            try:
                found = read_holes(tmp_path / name)
            except FileTrouble as error:
                assert str(error).strip()
            else:
                assert found == (), text[:200]
    # what only costs time: each of these would be searched for ever without a bound
    slow = {
        "a.svg": [svg(f'<circle r="1" transform="{"a" * 300_000}"/>'), svg(f'<circle r="{"1" * 300_000}!"/>')],
        "a.dxf": [dxf(INSERT % "B5", nest("", 200))],
    }
    (tmp_path / "a.svg").write_text(slow["a.svg"][0])
    assert len(read_holes(tmp_path / "a.svg")) == 1
    (tmp_path / "a.svg").write_text(slow["a.svg"][1])
    assert read_holes(tmp_path / "a.svg") == ()
    (tmp_path / "a.dxf").write_text(slow["a.dxf"][0])
    with pytest.raises(FileTrouble, match="more than 30000 things"):
        read_holes(tmp_path / "a.dxf")
    # numbers beyond any machine are left out, and labels are cut and cannot steer
    for far in ("1e999", "-1e300", "nan"):
        (tmp_path / "a.svg").write_text(svg(f'<circle cx="{far}" r="1"/>'.replace("nan", "1e999")))
        (tmp_path / "a.dxf").write_text(dxf(CIRCLE % far))
        assert read_holes(tmp_path / "a.svg") == read_holes(tmp_path / "a.dxf") == ()
    (tmp_path / "a.svg").write_text(svg(f'<circle r="1"><title>a&#x9b;b{"c" * 2 * MOST_TEXT}</title></circle>'))
    (hole,) = read_holes(tmp_path / "a.svg")
    assert hole.label.isprintable()
    assert len(hole.label) <= 80
    record_property(
        "fault", ["hostile: drawings (entities, outside files, blocks in blocks)", 21, "a sentence, or left out"]
    )


def strange_entry(kind: str, body: str, **also: object) -> dict[str, object]:
    item: dict[str, object] = {"uid": "u1", "at_ms": 5, "kind": kind, "machine": "M", "board": "B", "line": "l", **also}
    total = row_sum(*(item[k] for k in ("uid", "at_ms", "kind", "machine", "board", "line")), b"", body, b"")  # type: ignore[arg-type]
    import json

    return {"entry": {**item, "digest": "", "body": json.loads(body), "image": "", "sum": total.hex()}}


@pytest.mark.fault
def test_journals_of_others(tmp_path: Path, said: Said, record_property: Callable[[str, object], None]) -> None:
    """Rows that cannot be, and files whose triggers, views or tables are not ours."""
    import json

    bodies = ["{}", '{"at":"x","quantity":"arm_deg","tol":1.0}', '{"at":1.0,"quantity":"other","tol":1.0}',
              '{"at":1.0,"quantity":"arm_deg","tol":-1.0}', '{"at":[],"quantity":"arm_deg","tol":1.0}']  # fmt: skip
    with Journal.open(tmp_path / "mine.sqlite") as j:
        head = {"leanmix_journal": 1}
        for body in bodies:
            lines = [head, strange_entry("reading", body), {"end": {"files": 0, "entries": 1}}]
            raw = "\n".join(map(json.dumps, lines)).encode()
            with pytest.raises(FileTrouble, match="line 2"):
                import_lines(j, io.BytesIO(raw), "export")
        assert j.headlines() == [] and j.readings() == ()  # noqa: PT018
        steer = strange_entry("other", "{}", machine="\x1b[2J", line="\x9bx")
        raw = "\n".join(map(json.dumps, [head, steer, {"end": {"files": 0, "entries": 1}}])).encode()
        import_lines(j, io.BytesIO(raw), "export")
        text = "".join(export_lines(j))
    place = journal_path()
    place.parent.mkdir(parents=True, exist_ok=True)
    with Journal.open(place) as j:
        import_lines(j, io.BytesIO(text.encode()), "export")
    for command in (("list",), ("show", "1")):
        status, out, _ = said("journal", *command)
        assert status == 0
        assert out.replace("\n", "").isprintable()

    changes = {
        "a trigger": "CREATE TRIGGER t AFTER INSERT ON entry BEGIN DELETE FROM entry; END",
        "a view": "ALTER TABLE entry RENAME TO e2; CREATE VIEW entry AS WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL"
        " SELECT x FROM c) SELECT x AS number, x AS uid, x AS at_ms, x AS kind, x AS machine, x AS board, x AS line,"
        " x AS digest, x AS body, x AS image, x AS sum FROM c",
        "a virtual table": "CREATE VIRTUAL TABLE more USING fts5(a)",
        "another column": "ALTER TABLE entry ADD COLUMN more",
        "a table less": "DROP TABLE machine_file",
        "an index on an expression": "CREATE INDEX i ON entry (abs(at_ms))",
        "another's layout": "PRAGMA user_version = 999",
        "another's mark": "PRAGMA application_id = 7",
    }
    for name, change in changes.items():
        path = tmp_path / f"{name}.sqlite"
        with Journal.open(path) as j:
            j.record_drive(DriveNote("lake"))
        link = sqlite3.connect(path)
        link.executescript(change)
        link.close()
        before = path.read_bytes()
        for read_only in (True, False):
            with pytest.raises((JournalDamaged, FileTrouble)):
                Journal.open(path, read_only=read_only)
        assert path.read_bytes() == before, name
    record_property(
        "fault",
        [
            "hostile: journals (rows that cannot be, triggers, views)",
            len(bodies) + len(changes) + 1,
            "refused, nothing run",
        ],
    )


def test_a_row_that_cannot_be_is_left_out_and_told_of(tmp_path: Path) -> None:
    path = tmp_path / "j.sqlite"
    with Journal.open(path) as j:
        uid = j.record_reading(Reading("arm_deg", 1.0, 0.1))
        j.link.execute("UPDATE entry SET body = '{\"at\":true}'")
        assert j.readings() == ()
        assert any(word in t for t in j.trouble() for word in ("as it was written", "says nothing"))
        assert [h.uid for h in j.headlines()] == [uid]


@pytest.mark.fault
def test_names_that_look_like_markup(
    tmp_path: Path, said: Said, record_property: Callable[[str, object], None]
) -> None:
    text = re.sub(r'^name = "(.*)"', r'name = "[/b][link=x]\1"', TARN, flags=re.MULTILINE)
    text = re.sub(r'between = \["(.*?)", "(.*?)"\]', r'between = ["[/b][link=x]\1", "[/b][link=x]\2"]', text)
    assert parse(text).machine.name == "[/b][link=x]Tarn"
    file = tmp_path / "m.toml"
    file.write_text(text)
    tried = 0
    for command in (
        ("check",),
        ("stops",),
        ("curve",),
        ("stance",),
        ("fit",),
        ("compare", "demo:moss"),
        ("survey", "--points"),
    ):
        status, out, err = said(command[0], file, *command[1:])
        assert status in (0, 1), err
        tried += 1
        if command[0] in ("check", "stops", "stance", "fit"):
            assert "[/b][link=x]Tarn" in out
    record_property("fault", ["hostile: names that look like markup", tried, "shown as they are"])


def test_numbers_too_large_for_anything_are_refused() -> None:
    for far in (10**400, -(10**400), float("inf"), float("nan")):
        with pytest.raises(Trouble, match="no number that can be meant"):
            number({"x": far}, "x", -1e9, 1e9)
    with pytest.raises(LeanmixError):
        set_value("a = 1\na = 2\n", "a", 1.0)


def test_a_message_shows_a_bounded_number_of_findings() -> None:
    with pytest.raises(LeanmixError) as caught:
        parse("".join(f"k{i} = 1\n" for i in range(5000)))
    assert "more like these" in str(caught.value)
    assert len(str(caught.value).splitlines()) < 300
