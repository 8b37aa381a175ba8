"""A build to share: what a stranger's zip may and may not do."""

from __future__ import annotations

import hashlib
import io
import json
import stat
import zipfile
from collections.abc import Callable
from typing import Any

import pytest

from leanmix.errors import FileTrouble, LeanmixError, MachineFileError
from leanmix.machine import demo, parse, set_value
from leanmix.paper.share import ZIP_BYTES_MAX, differences, open_build, pack_build

TARN = demo("tarn")
FILES = {"readme.txt": b"what this is", "pictures/neutral.svg": b"<svg/>"}


def test_what_was_packed_comes_back() -> None:
    data = pack_build(TARN, FILES)
    build = open_build(data)
    assert build.source.text == TARN.text
    assert build.image is None
    assert set(build.files) == {"machine.toml", "contents.json", *FILES}
    assert data == pack_build(TARN, FILES)
    assert zipfile.ZipFile(io.BytesIO(data)).testzip() is None


@pytest.mark.parametrize(
    "name", ["../x.txt", "/x.txt", "a/b/c.txt", "Readme.txt", "x", ".x.txt", "contents.json", "a\\b.txt", "con..txt"]
)
def test_a_name_that_would_be_refused_is_not_packed(name: str) -> None:
    with pytest.raises(ValueError, match="not a name"):
        pack_build(TARN, {name: b""})


def repacked(change: Callable[[dict[str, bytes]], None], *, relist: bool = True, suffix: str = "", **how: Any) -> bytes:
    """The good build with something changed; its list of contents made to agree unless said otherwise."""
    with zipfile.ZipFile(io.BytesIO(pack_build(TARN, FILES))) as archive:
        files = {n: archive.read(n) for n in archive.namelist()}
    contents = json.loads(files.pop("contents.json"))
    change(files)
    if relist:
        contents["files"] = {n: {"bytes": len(d), "sha256": hashlib.sha256(d).hexdigest()} for n, d in files.items()}
        text = files.get("machine.toml", b"").replace(b"\r\n", b"\n")
        contents["machine"]["sha256"] = hashlib.sha256(text).hexdigest()
    files.setdefault("contents.json", json.dumps(contents).encode())
    if suffix:
        files = {f"{n}{suffix}" if n == "evil.txt" else n: d for n, d in files.items()}
    return zipped(files, **how)


def zipped(files: dict[str, bytes], compression: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", compression) as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(name), data, compression)
    return out.getvalue()


BAD_NAMES = [
    "../machine.toml", "/etc/passwd", "a/../../x.txt", "C:/x.txt", "c:x.txt", "..\\x.txt", "pictures/", "a//b.txt", "./x.txt",
    "pictures/../machine.toml", "x.txt/", "aux", "~/x.txt", "x\n.txt", "x\u202etxt.exe", "A.TXT", "pictures/.hidden.png",
    "a/b/c/d.txt", "x" * 300 + ".txt",
]  # fmt: skip


@pytest.mark.parametrize("name", BAD_NAMES)
def test_a_name_that_leads_elsewhere_is_refused(name: str) -> None:
    with pytest.raises(FileTrouble, match="not a file name that belongs"):
        open_build(repacked(lambda files: files.update({name: b"boo"})))


def test_a_name_cut_by_a_null_is_refused() -> None:
    """zipfile cuts a name at a NUL: what it shows is not what stands there."""
    data = repacked(lambda files: files.update({"evil.txt": b"boo"}), suffix="Qpng")
    assert data.count(b"evil.txtQpng") == 2
    with pytest.raises(FileTrouble, match="not a file name that belongs"):
        open_build(data.replace(b"evil.txtQpng", b"evil.txt\x00png"))


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFDIR, stat.S_IFIFO, stat.S_IFCHR])
def test_links_and_devices_are_refused(kind: int) -> None:
    out = io.BytesIO(pack_build(TARN, FILES))
    with zipfile.ZipFile(out, "a") as archive:
        info = zipfile.ZipInfo("link.txt")
        info.external_attr = (kind | 0o777) << 16
        archive.writestr(info, "/etc/passwd")
    with pytest.raises(FileTrouble, match="not a plain file"):
        open_build(out.getvalue())


def test_a_file_that_is_there_twice_is_refused() -> None:
    out = io.BytesIO(pack_build(TARN, FILES))
    with zipfile.ZipFile(out, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("readme.txt", "another")
    with pytest.raises(FileTrouble, match="twice"):
        open_build(out.getvalue())


def test_a_file_that_unpacks_without_end_is_refused() -> None:
    bomb = repacked(lambda files: files.update({"bomb.txt": bytes(17 << 20)}))
    assert len(bomb) < 100_000
    with pytest.raises(FileTrouble, match="too large"):
        open_build(bomb)
    many = {f"bomb-{i}.txt": bytes(15 << 20) for i in range(5)}
    with pytest.raises(FileTrouble, match="too large"):
        open_build(repacked(lambda files: files.update(many)))


def test_a_stated_size_is_not_believed() -> None:
    """The archive says 10 bytes; 17 MiB come out."""
    data = bytearray(repacked(lambda files: files.update({"bomb.txt": bytes(17 << 20)})))
    size = (17 << 20).to_bytes(4, "little")
    assert data.count(size) == 2  # local header and directory
    with pytest.raises(FileTrouble):
        open_build(bytes(data).replace(size, (10).to_bytes(4, "little")))


def test_too_many_files_and_too_large_a_zip_are_refused() -> None:
    with pytest.raises(FileTrouble, match="at most"):
        open_build(repacked(lambda files: files.update({f"x{i}.txt": b"" for i in range(99)})))
    with pytest.raises(FileTrouble, match="larger than"):
        open_build(bytes(ZIP_BYTES_MAX + 1))


@pytest.mark.parametrize("compression", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_other_packings_are_refused(compression: int) -> None:
    with pytest.raises(FileTrouble, match="packed in a way"):
        open_build(repacked(lambda files: None, compression=compression))


def test_a_file_with_a_password_is_refused() -> None:
    data = bytearray(pack_build(TARN, FILES))
    directory = data.rindex(b"PK\x01\x02")
    data[directory + 8] |= 1
    with pytest.raises(FileTrouble, match="plain file"):
        open_build(bytes(data))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda f: f.update({"readme.txt": b"what this IS"}), "readme.txt is not what"),
        (lambda f: f.update({"machine.toml": f["machine.toml"] + b"\n"}), "machine.toml is not what"),
        (lambda f: f.pop("readme.txt"), "listed but missing"),
        (lambda f: f.update({"more.txt": b""}), "not in its list"),
    ],
)
def test_what_differs_from_the_list_of_contents_is_refused(
    change: Callable[[dict[str, bytes]], Any], says: str
) -> None:
    with pytest.raises(FileTrouble, match=says):
        open_build(repacked(change, relist=False))


@pytest.mark.parametrize(
    "contents",
    [b"", b"[]", b"{}", b"\xff\xfe", b"[" * 50_000, b'{"layout": 1}', b'{"layout": true, "tool": "x"}', b"null", b'{"layout": "1"}',
     b'{"layout": 1, "tool": "x", "machine": {"sha256": 1}, "files": {}}',
     b'{"layout": 1, "tool": "x", "machine": {"sha256": "00"}, "files": {"machine.toml": {"bytes": "5"}}}', b" " * 70_000],
)  # fmt: skip
def test_a_list_of_contents_that_is_none_is_refused(contents: bytes) -> None:
    with pytest.raises(FileTrouble):
        open_build(repacked(lambda files: files.update({"contents.json": contents})))


def test_a_newer_layout_says_so() -> None:
    with pytest.raises(FileTrouble, match="newer leanmix"):
        open_build(repacked(lambda files: files.update({"contents.json": b'{"layout": 2}'})))


@pytest.mark.parametrize("missing", ["machine.toml", "contents.json"])
def test_a_build_without_its_machine_or_its_list_is_refused(missing: str) -> None:
    with zipfile.ZipFile(io.BytesIO(pack_build(TARN, FILES))) as archive:
        files = {n: archive.read(n) for n in archive.namelist() if n != missing}
    with pytest.raises(FileTrouble, match=r"missing|no contents"):
        open_build(zipped(files))


def test_a_machine_file_that_is_none_is_named_with_its_lines() -> None:
    bad = TARN.text.replace("radius_mm = { at = 15,", "radius_mm = { at = -15,").encode()
    with pytest.raises(MachineFileError, match=r"machine\.toml in their\.zip.*\n.*line \d+: side\.arm\.radius_mm"):
        open_build(repacked(lambda files: files.update({"machine.toml": bad})), "their.zip")
    with pytest.raises(FileTrouble, match="UTF-8"):
        open_build(repacked(lambda files: files.update({"machine.toml": b"\xff\xfe"})))


def test_a_table_for_another_machine_or_damaged_is_refused() -> None:
    for table, says in ((b"\x01" * 136, "table is no good"), (b"", "table is no good")):
        with pytest.raises(FileTrouble, match=says):
            open_build(repacked(lambda files, table=table: files.update({"table.bin": table})))


@pytest.mark.parametrize("data", [b"", b"PK", b"not a zip at all" * 50, b"PK\x05\x06" + bytes(18)])
def test_what_is_no_zip_is_refused(data: bytes) -> None:
    with pytest.raises(FileTrouble):
        open_build(data)


def test_every_single_byte_changed_is_refused_or_changes_nothing() -> None:
    """Never a traceback, never another machine: each byte flipped in turn (every seventh, and all of the directory)."""
    good = pack_build(TARN, FILES)
    directory = good.index(b"PK\x01\x02")
    for at in [*range(0, directory, 7), *range(directory, len(good))]:
        data = bytearray(good)
        data[at] ^= 0xFF
        try:
            build = open_build(bytes(data))
        except LeanmixError:
            continue
        assert build.source.text == TARN.text


def test_every_cut_is_refused() -> None:
    good = pack_build(TARN, FILES)
    for length in range(0, len(good), 11):
        with pytest.raises(FileTrouble):
            open_build(good[:length])


def test_differences_are_named_with_units_and_alike_sides_once() -> None:
    other = parse(set_value(set_value(TARN.text, "side.arm.radius_mm", 14.5), "right.shock.rate_N_per_mm", 2.5))
    other = parse(set_value(other.text, "side.guide.bearing_moves", False))
    found = {d.key: (d.mine, d.theirs, d.unit) for d in differences(TARN, other)}
    assert found == {
        "side.arm.radius_mm": ("15 ± 0.15", "14.5 ± 0.15", "mm"),
        "right.shock.rate_N_per_mm": ("1.5 ± 0.1", "2.5", "N/mm"),
        "side.guide.bearing_moves": ("True", "False", ""),
    }
    assert differences(TARN, TARN) == ()
