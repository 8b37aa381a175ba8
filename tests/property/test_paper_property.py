"""Exports and shared builds under random input: never a traceback, never a way out of a comment or a folder."""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import PurePosixPath, PureWindowsPath

from hypothesis import given
from hypothesis import strategies as st

from leanmix.errors import LeanmixError
from leanmix.machine import MachineFile, demo, each_number, parse, set_value
from leanmix.mixer import Image, OutputTable
from leanmix.paper import differences, header, open_build, pack_build

TARN = demo("tarn")
GOOD = pack_build(TARN, {"readme.txt": b"what this is", "pictures/neutral.svg": b"<svg/>"})

printable = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=60)
pulse = st.integers(4000, 20000)


def renamed(name: str) -> MachineFile:
    return parse(set_value(TARN.text, "name", name))


@st.composite
def images(draw: st.DrawFn) -> Image:
    """Any image the core takes."""

    def output() -> OutputTable:
        low = draw(st.integers(4000, 19000))
        high = draw(st.integers(low + 1, 20000))
        inside = st.integers(low, high)
        return OutputTable(tuple(draw(st.lists(inside, min_size=33, max_size=33))), low, high, draw(inside), draw(inside), draw(st.integers(1, 16000)))  # fmt: skip

    neutral = draw(st.integers(8000, 16000))
    ends = [neutral - draw(st.integers(400, 4000)), neutral + draw(st.integers(400, 4000))]
    if draw(st.booleans()):
        ends.reverse()
    return Image(
        outputs=tuple(output() for _ in range(draw(st.integers(1, 2)))),
        right_eighths=ends[0], neutral_eighths=neutral, left_eighths=ends[1],
        accept_min_eighths=4000, accept_max_eighths=20000,
        failsafe_frames=draw(st.integers(2, 255)), ramp_frames=draw(st.integers(1, 255)),
        machine_hash=draw(st.binary(min_size=16, max_size=16)), name="",
    )  # fmt: skip


@given(name=printable, image=images())
def test_no_name_and_no_table_breaks_the_header(name: str, image: Image) -> None:
    text = header(image, renamed(name))
    assert text.isascii()
    assert "\\" not in text
    assert "??" not in text
    # two comments, each opened and closed once
    assert re.findall(r"/\*|\*/", text) == ["/*", "*/", "/*", "*/"]
    knots = [int(n) for n in re.findall(r"\d+", text.split("lean_knots[LEAN_OUTPUTS][LEAN_KNOTS] =")[1].split(";")[0])]
    assert knots == [k for o in image.outputs for k in o.knots_eighths]
    raw = [int(n) for n in re.findall(r"\d+", text.split("lean_image[LEAN_IMAGE_BYTES] =")[1].split("}")[0])]
    assert bytes(raw) == image.encode()


@given(data=st.binary(max_size=400))
def test_bytes_that_are_no_build_get_a_sentence(data: bytes) -> None:
    for content in (data, GOOD[:60] + data, GOOD + data, GOOD[: -len(data) or None]):
        try:
            build = open_build(content)
        except LeanmixError as error:
            assert str(error)
        else:
            assert build.source.text == TARN.text


@given(at=st.integers(0, len(GOOD) - 1), patch=st.binary(min_size=1, max_size=12))
def test_a_build_patched_anywhere_is_refused_or_is_the_same(at: int, patch: bytes) -> None:
    data = GOOD[:at] + patch + GOOD[at + len(patch) :]
    try:
        build = open_build(data)
    except LeanmixError:
        return
    assert build.source.text == TARN.text


@given(name=st.text(min_size=1, max_size=40))
def test_any_name_that_is_taken_stays_inside_a_folder(name: str) -> None:
    out = io.BytesIO(GOOD)
    with zipfile.ZipFile(out, "a") as archive:
        archive.writestr(zipfile.ZipInfo(name.replace("\0", "")[:40] or "x"), b"")
    try:
        build = open_build(out.getvalue())
    except LeanmixError:
        pass
    else:  # never: it is not in the list of contents
        raise AssertionError(build.files)
    try:
        pack_build(TARN, {name: b""})
    except ValueError:
        return
    for kind in (PurePosixPath, PureWindowsPath):
        path = kind(name)
        assert not path.is_absolute()
        assert ".." not in path.parts
        assert not path.drive


NUMBERS = [
    n
    for n in each_number(TARN.machine)
    if n.spec is not None and hasattr(n.spec, "low") and n.key.startswith(("chassis", "rear", "servo."))
]


@given(number=st.sampled_from(NUMBERS), share=st.floats(0.9, 1.1))
def test_differences_say_what_was_changed_and_both_ways_alike(number: object, share: float) -> None:
    key, at = number.key, number.measured.at  # type: ignore[attr-defined]
    try:
        other = parse(set_value(TARN.text, key, float(f"{at * share:.6g}")))
    except LeanmixError:
        return
    found = differences(TARN, other)
    assert {d.key for d in found} <= {key}
    back = differences(other, TARN)
    assert [(d.key, d.theirs, d.mine, d.unit) for d in back] == [(d.key, d.mine, d.theirs, d.unit) for d in found]
    assert bool(found) == (f"{float(f'{at * share:.6g}'):g}" != f"{at:g}")
