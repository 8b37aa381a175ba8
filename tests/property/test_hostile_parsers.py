"""Every parser of what strangers send, fed bytes that mean harm: an answer or a sentence, never anything else."""

from __future__ import annotations

import ast
import functools
import io
import tempfile
import tomllib
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from PIL import Image as Picture

import leanmix
from leanmix.bench.drivelog import Tally, find_shape, load_map, map_path, open_log
from leanmix.board import Session
from leanmix.board.line import Clock
from leanmix.board.messages import read_identity, read_live
from leanmix.errors import LeanmixError, LinkError
from leanmix.job import work_out
from leanmix.journal import Journal, export_lines, import_lines, mend, read_torn
from leanmix.machine import demo, drop_value, load, parse, read_file, set_value, toml_content
from leanmix.mixer import (
    FrameDecoder,
    Image,
    check_image,
    encode_frame,
    parse_counters,
    parse_crc,
    parse_identity,
    parse_live,
    parse_reply,
    parse_token,
    parse_write,
)
from leanmix.paper import open_build, pack_build
from leanmix.response import load_manoeuvre, map_csv, parse_axis, parse_manoeuvre, read_map
from leanmix.response.maps import MapPlan
from leanmix.screens.entry import BadEntry, read_entry
from leanmix.screens.fields import all_fields
from leanmix.screens.recovery import left_behind, recovery_folder
from leanmix.screens.store import Store, load_text
from leanmix.survey import load_readings, parse_line, parse_readings, places_of
from leanmix.survey.holes import read_holes
from leanmix.survey.photo.image import open_photograph
from leanmix.survey.tables import read_drawing, read_picture
from tests.conftest import DEEP

TARN = demo("tarn")
DAMAGED = settings(max_examples=600 if DEEP else 50, suppress_health_check=list(HealthCheck))
READINGS = (
    "schema = 1\npins = { lower_pivot = 3.0 }\nreading = [\n"
    '    { pins = ["lower_pivot", "lower_ball"], reads_mm = 84.9, tol_mm = 0.2 },\n    { height = "lower_pivot", reads_mm = 50.1 },\n]\n'
    '[[drawing]]\nfile = "a.dxf"\nhole = [{ point = "lower_ball", at_mm = [1.0, 2.0] }]\n'
)
LOG = "t_s,steering_us,lean_deg\n" + "".join(f"{i / 100},{1500 + i},{i / 7:.3f}\n" for i in range(60))
SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="10mm" viewBox="0 0 10 10"><g id="l" transform="rotate(9)"><circle cx="1" cy="2" r="3" id="a"/></g></svg>'
DXF = "0\nSECTION\n2\nENTITIES\n0\nCIRCLE\n8\nL\n10\n1\n20\n2\n40\n3\n0\nTEXT\n8\nL\n10\n1\n20\n2\n40\n3\n1\neye\n0\nENDSEC\n0\nEOF\n"

# what is put in place of a piece: bytes that mean something somewhere
BITS = st.sampled_from(
    [b"", b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1b[2J", b"[" * 40, b"a." * 40, b"9" * 5000, b"0x" + b"f" * 5000, b"1e999",
     b"-1", b"nan", b"inf", b'"', b"'", b"=", b"\n", b"{}", b"../../x", b"\xed\xa0\x80", b"<!ENTITY", b"%n"]
) | st.binary(max_size=8)  # fmt: skip


@st.composite
def damaged(draw: st.DrawFn, good: bytes) -> bytes:
    """A good file with some pieces of it changed, cut out or said twice."""
    data = bytearray(good)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        length = draw(st.sampled_from([0, 0, 1, 2, 8, 60]))
        data[at : at + length] = draw(BITS | st.just(bytes(data[at : at + length]) * 2))
    return bytes(data if draw(st.integers(0, 9)) else data[: draw(st.integers(0, len(data)))])


@functools.cache
def photo_bytes(kind: str) -> bytes:
    out = io.BytesIO()
    Picture.fromarray(np.arange(220 * 210 * 3, dtype=np.uint32).reshape(220, 210, 3).astype(np.uint8)).save(out, kind)
    return out.getvalue()


@functools.cache
def build_bytes() -> bytes:
    return pack_build(TARN, {"table.bin": work_out(TARN).proved.data, "notes.txt": b"hello"})


@functools.cache
def journal_bytes() -> tuple[bytes, bytes]:
    """A journal's file and its export."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "j.sqlite"
        with Journal.open(path, now=lambda: 1.0) as j:
            j.record_flash(TARN, b"image", "LM-1", "verified")
            text = "".join(export_lines(j)).encode()
        return path.read_bytes(), text


@functools.cache
def map_plan() -> MapPlan:
    from leanmix.response import MapPlan as Plan
    from leanmix.response import base_of

    axis = parse_axis("pace.speed_m_per_s=1:3:3")
    return Plan(base=base_of(work_out(TARN)), manoeuvre=load_manoeuvre("circle"), up=axis, across=parse_axis("path.0.radius_m=1:2:2"), grip=0.5, lean=True)  # fmt: skip


def in_file(name: str, read: Callable[[Path], object]) -> Callable[[bytes], object]:
    def run(data: bytes) -> object:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / name
            path.write_bytes(data)
            return read(path)

    return run


def text_of(read: Callable[[str], object]) -> Callable[[bytes], object]:
    return lambda data: read(data.decode("utf-8", "replace"))


def each_of(jobs: Sequence[Callable[[Any], object]], data: object) -> None:
    """All of them on the same data; each may refuse it in words."""
    for job in jobs:
        try:
            job(data)
        except (LeanmixError, BadEntry) as error:
            assert str(error).strip()


def whole_log(path: Path) -> None:
    for block in open_log(path, drop_bad=True).blocks(Tally()):
        assert block.lines.shape == block.restarts.shape


def whole_journal(path: Path) -> None:
    with Journal.open(path) as j:
        j.headlines(), j.readings(), j.drives(), j.flashes(), j.files(), j.trouble()
        list(export_lines(j))


def taken_in(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder, Journal.open(Path(folder) / "j.sqlite") as j:
        import_lines(j, io.BytesIO(data), "export", keep_good=True)
        j.headlines(), j.readings(), j.drives(), j.flashes(), j.files()
        assert j.trouble() == ()


def saved_columns(data: bytes) -> None:
    path = map_path("hostile")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    load_map("hostile")


def recovered(data: bytes) -> None:
    recovery_folder().mkdir(parents=True, exist_ok=True)
    (recovery_folder() / "1-1.edits").write_bytes(data)
    for lost in left_behind():
        store = Store()
        try:
            store.recover(lost)
        finally:
            store.close()


def toml_tables(data: bytes) -> None:
    content = toml_content(data.decode("utf-8", "replace"))
    places = places_of(TARN.machine)
    each_of([lambda c: read_picture(c, places), lambda c: read_drawing(c, places)], content)


def set_anywhere(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    for key in ("side.arm.radius_mm", "name", "part.0.points.0.out_mm", "left.link", "a.b.c"):
        set_value(text, key, 1.0)
        drop_value(text, key)


def typed(data: bytes) -> None:
    each_of([functools.partial(read_entry, field) for field in FIELDS], data.decode("utf-8", "replace"))


FIELDS = [f for i, f in enumerate(all_fields(tomllib.loads(TARN.text))) if i % 25 == 0]


def images(data: bytes) -> None:
    check_image(data)
    assert Image.decode(data).encode() == data


def replies(data: bytes) -> None:
    for frame in FrameDecoder().feed(data):
        parse_reply(frame.payload)
    reply = parse_reply(data)
    body = reply.body if reply is not None else data
    each_of(
        [parse_identity, read_identity, parse_live, read_live, parse_write, parse_crc, parse_token, parse_counters],
        body,
    )


class Fast(Clock):
    """A clock that a look costs a millisecond."""

    def __init__(self) -> None:
        self.time_s = 0.0

    def now(self) -> float:
        self.time_s += 1e-3
        return self.time_s

    def sleep(self, seconds: float) -> None:
        self.time_s += seconds


class Stranger:
    """A wire with somebody else at the other end: it answers what it was given, again and again."""

    def __init__(self, answers: list[bytes]) -> None:
        self.answers = answers
        self.asked = 0

    def read(self, timeout_s: float) -> bytes:
        self.asked += 1
        return self.answers[self.asked % len(self.answers)] if self.answers else b""

    def write(self, data: bytes) -> None:
        pass

    def close(self) -> None:
        pass


# Every public function that reads what somebody else may have written: a good sample, and how to feed it.
# A new `load…`, `parse…`, `read…`, `open…`, `import…` or `decode…` without a line here fails the test below.
PARSERS: dict[str, tuple[Callable[[], bytes], Callable[[bytes], object]]] = {
    "machine.parse": (TARN.text.encode, text_of(parse)),
    "machine.load": (TARN.text.encode, in_file("m.toml", load)),
    "machine.read_file": (lambda: b"abc", in_file("m", lambda p: read_file(p, 100, "100 bytes", ""))),
    "machine.set_value": (TARN.text.encode, set_anywhere),
    "survey.parse_readings": (READINGS.encode, text_of(lambda t: parse_readings(t, TARN.machine))),
    "survey.load_readings": (READINGS.encode, in_file("r.toml", lambda p: load_readings(p, TARN.machine))),
    "survey.parse_line": (lambda: b"pins lower_pivot lower_ball 84.9 +- 0.2", text_of(lambda t: parse_line(t, places_of(TARN.machine)))),
    "survey.tables.read_picture": (lambda: b'file = "a"\nview = "front"\nwidth_px = 9\nheight_px = 9\nclick = []\n', toml_tables),
    "survey.holes.read_holes svg": (SVG.encode, in_file("a.svg", read_holes)),
    "survey.holes.read_holes dxf": (DXF.encode, in_file("a.dxf", read_holes)),
    "survey.photo.image.open_photograph jpeg": (lambda: photo_bytes("JPEG"), in_file("a.jpg", open_photograph)),
    "survey.photo.image.open_photograph png": (lambda: photo_bytes("PNG"), in_file("a.png", open_photograph)),
    "survey.photo.image.open_photograph tiff": (lambda: photo_bytes("TIFF"), in_file("a.tif", open_photograph)),
    "survey.photo.image.open_photograph webp": (lambda: photo_bytes("WEBP"), in_file("a.webp", open_photograph)),
    "survey.photo.image.open_photograph bmp": (lambda: photo_bytes("BMP"), in_file("a.bmp", open_photograph)),
    "response.parse_manoeuvre": (lambda: manoeuvre_text().encode(), text_of(parse_manoeuvre)),
    "response.load_manoeuvre": (lambda: manoeuvre_text().encode(), in_file("m.toml", load_manoeuvre)),
    "response.parse_axis": (lambda: b"radius_m=1.5:5:8", text_of(parse_axis)),
    "response.read_map": (lambda: map_csv(map_plan(), {}).encode() + b"0,1,1,1,2.5,tipped\n", in_file("m.csv", lambda p: read_map(p, map_plan()))),
    "bench.drivelog.open_log": (LOG.encode, in_file("l.csv", whole_log)),
    "bench.drivelog.find_shape": (LOG.encode, lambda data: find_shape(data, "log")),
    "bench.drivelog.load_map": (lambda: b't_s = { column = "time", unit = "ms" }\n', saved_columns),
    "paper.open_build": (build_bytes, open_build),
    "journal.import_lines": (lambda: journal_bytes()[1], taken_in),
    "journal.Journal.open": (lambda: journal_bytes()[0], in_file("j.sqlite", whole_journal)),
    "journal.read_torn": (lambda: journal_bytes()[0], in_file("j.sqlite", read_torn)),
    "journal.mend": (lambda: journal_bytes()[0], in_file("j.sqlite", mend)),
    "mixer.Image.decode": (lambda: work_out(TARN).proved.data, images),
    "mixer.parse_reply": (lambda: encode_frame(b"\x81\x01\x00" + bytes(range(60))), replies),
    "screens.entry.read_entry": (lambda: b"12.5 +- 0.2 calipers", typed),
    "screens.recovery.left_behind": (
        lambda: b'{"version": 1, "name": "a", "path": "", "text": "x"}\n{"at": 0, "old": "x", "new": "y", "what": "w", "key": ""}\n',
        recovered,
    ),
    "screens.store.load_text": (lambda: b"abc", in_file("m.toml", load_text)),
}  # fmt: skip

# covered by a line above under another name, or no parser of strangers' bytes
COVERED = {
    "machine.file.load": "machine.load",
    "machine.file.parse": "machine.parse",
    "machine.bounds.read_file": "machine.read_file",
    "mixer.wire.parse_identity": "mixer.parse_reply",
    "mixer.wire.parse_write": "mixer.parse_reply",
    "mixer.wire.parse_crc": "mixer.parse_reply",
    "mixer.wire.parse_token": "mixer.parse_reply",
    "mixer.wire.parse_live": "mixer.parse_reply",
    "mixer.wire.parse_counters": "mixer.parse_reply",
    "mixer.wire.parse_reply": "mixer.parse_reply",
    "board.messages.read_identity": "mixer.parse_reply",
    "board.messages.read_live": "mixer.parse_reply",
    "survey.tables.read_drawing": "survey.tables.read_picture",
    "survey.svg.svg_holes": "survey.holes.read_holes svg",
    "mixer.library.load": "our own C core, installed with the tool",
    "board.virtual.open_board": "a port, not a file; what comes from it is mixer.parse_reply",
    "survey.words.open_points": "a solution's points that are not held yet",
    "journal.store.open_file": "journal.Journal.open",
    "bench.drivelog.read.open_log": "bench.drivelog.open_log",
    "bench.drivelog.columns.load_map": "bench.drivelog.load_map",
    "response.mapfile.read_map": "response.read_map",
    "response.maps.parse_axis": "response.parse_axis",
    "response.manoeuvre.load_manoeuvre": "response.load_manoeuvre",
    "response.manoeuvre.parse_manoeuvre": "response.parse_manoeuvre",
    "paper.share.open_build": "paper.open_build",
    "journal.lines.import_lines": "journal.import_lines",
    "journal.torn.read_torn": "journal.read_torn",
    "screens.surveying.read_as": "screens.entry.read_entry",
}
VERBS = ("load", "parse", "read", "open", "import", "decode")


def manoeuvre_text() -> str:
    return (Path(leanmix.__file__).parent / "response" / "manoeuvres" / "circle.toml").read_text(encoding="utf-8")


def public_parsers() -> set[str]:
    root = Path(leanmix.__file__).parent
    found = set()
    for path in root.rglob("*.py"):
        place = ".".join(path.relative_to(root).with_suffix("").parts)
        if place.startswith("commands"):
            continue
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and node.name.split("_")[0] in VERBS:
                found.add(f"{place}.{node.name}")
    return found


def test_no_parser_is_forgotten() -> None:
    named = {name.split(" ")[0] for name in PARSERS}
    found = public_parsers()
    assert len(found) > 25
    loose = {
        f for f in found if f not in COVERED and f not in named and f"{f.split('.')[0]}.{f.split('.')[-1]}" not in named
    }
    assert loose == set(), "give each a line in PARSERS"
    assert set(COVERED) & named == set()
    for where in COVERED.values():
        assert where in PARSERS or " " in where


@pytest.mark.parametrize("name", sorted(PARSERS))
def test_what_was_damaged_is_refused_in_words_or_read(name: str) -> None:
    sample, feed = PARSERS[name]
    good = sample()
    if "recovery" not in name:  # whose sample holds no machine
        feed(good)
    counts = {"read": 0, "refused": 0}

    @DAMAGED
    @given(damaged(good) | st.binary(max_size=200))
    @example(b"")
    @example(b"\0" * 300)
    @example(b"\xef\xbb\xbf" + good)
    @example(good.replace(b"1", b"0x" + b"f" * 5000, 1))
    @example(b"[" * 3000)
    @example(b"a." * 3000 + b"a = 1")
    @example(b"x = " + b"9" * 5000)
    def each(data: bytes) -> None:
        try:
            feed(data)
        except LeanmixError as error:
            assert str(error).strip()
            counts["refused"] += 1
        except ValueError as error:
            # the tables are read by their file's parser only, which says this in a finding
            assert name == "survey.tables.read_picture", error
        else:
            counts["read"] += 1

    each()
    assert sum(counts.values()) or name == "survey.tables.read_picture"


@given(
    st.lists(
        st.binary(max_size=80) | st.binary(max_size=40).map(lambda b: encode_frame(b"\x81\x01\x00" + b)), max_size=5
    )
)
@settings(max_examples=200 if DEEP else 15)
def test_a_board_that_is_none_is_told_from_ours(answers: list[bytes]) -> None:
    wire = Stranger(answers)
    try:
        named = Session(lambda: wire, "port", Fast()).identity.machine_name
    except LinkError as error:
        assert str(error)
    else:
        assert named.isprintable()
    assert wire.asked < 100_000


def test_a_zip_is_held_to_names_sizes_and_kinds() -> None:
    def zipped(*members: tuple[str, bytes, int]) -> bytes:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data, mode in members:
                info = zipfile.ZipInfo(name)
                info.external_attr = mode << 16
                archive.writestr(info, data, zipfile.ZIP_DEFLATED)
        return out.getvalue()

    plain = 0o100644
    for data, why in (
        (zipped(("../x.toml", b"", plain)), "file name"),
        (zipped(("/etc/x.toml", b"", plain)), "file name"),
        (zipped(("a/b/c.toml", b"", plain)), "file name"),
        (zipped(("machine.toml", b"/etc/passwd", 0o120777)), "plain file"),
        (zipped(("machine.toml", bytes(17 << 20), plain)), "too large"),
        (zipped(*((f"a{i}.txt", bytes(14 << 20), plain) for i in range(5))), "too large"),
        (zipped(("a.txtX", b"", plain)).replace(b"a.txtX", b"a.txt\0"), "file name"),
        (zipped(*((f"a{i}.txt", b"", plain) for i in range(65))), "65 files"),
        (bytes((30 << 20) + 1), "30 MiB"),
    ):
        with pytest.raises(LeanmixError, match=why):
            open_build(data)
    with pytest.warns(UserWarning, match="Duplicate"):
        twice = zipped(("a.txt", b"1", plain), ("a.txt", b"2", plain))
    with pytest.raises(LeanmixError, match="twice"):
        open_build(twice)
