"""Clicks to millimetres, against a pinhole camera of our own (tests/unit/photo_scene.py), and the picture file itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from leanmix.errors import FileTrouble
from leanmix.machine import Machine, demo
from leanmix.survey import FRONT_PLACES, PointName, Solution, Survey, solve
from leanmix.survey.layout import machine_spots
from leanmix.survey.photo import (
    CARD_MM,
    CardMark,
    Click,
    Picture,
    PictureTrouble,
    Straightened,
    card_marks_mm,
    straighten,
)
from leanmix.survey.photo.camera import lens_from_corners
from leanmix.survey.photo.image import open_photograph, view_jpeg
from leanmix.survey.photo.marks import find_mark, find_rest
from leanmix.survey.sheets import field_values
from tests.conftest import DEEP
from tests.unit.photo_scene import Camera, camera, card_place, paint_near, pins, to_world

CLICK_PX = 3.0
SCENES = 60 if DEEP else 6
SPAN_MM = {"tarn": 340.0, "wren": 260.0, "moss": 340.0}


def clicked(machine: Machine, cam: Camera, seed: int, times: int = 1, depth_mm: float = 0.0) -> tuple[Click, ...]:
    """Every pin of both sides clicked, 3 px off (σ) each way."""
    rng = np.random.default_rng(seed)
    out = []
    for name, (x, y) in pins(machine).items():
        for _ in range(times):
            px = cam.see(np.array([[x, y, -depth_mm]]))[0] + rng.normal(0, CLICK_PX, 2)
            out.append(Click(name, float(px[0]), float(px[1]), CLICK_PX))
    return tuple(out)


def errors(machine: Machine, found: Solution) -> np.ndarray:
    spots = machine_spots(machine)
    out = []
    for p in found.points:
        at = spots[p.point if p.point in spots else PointName(p.point.place, "left")]
        out.append(np.hypot(p.out_mm - at[0], p.up_mm - at[1]))
    return np.array(out)


def recovered(name: str, seed: int, width: int, times: int, marks: tuple[CardMark, ...] | None = None, cam: Camera | None = None) -> tuple[np.ndarray, Straightened]:  # fmt: skip
    machine = demo(name).machine
    cam = cam or camera(seed, width, width * 3 // 4, SPAN_MM[name])
    if marks is None:
        seen = cam.see(to_world(card_place(seed), card_marks_mm())) + np.random.default_rng(seed).normal(
            0, 0.15, (12, 2)
        )
        marks = tuple(CardMark(*map(float, a), *map(float, b), 0.2) for a, b in zip(card_marks_mm(), seen, strict=True))
    picture = Picture("front.jpg", cam.width, cam.height, "front", False, marks, clicked(machine, cam, seed, times), behind_tol_mm=0.3)  # fmt: skip
    out = straighten(picture)
    differ = ("arm_ball",) if name == "wren" else ()
    return errors(machine, solve(machine, Survey((), (out.sheet,), differ))), out


@pytest.mark.parametrize(("width", "times", "share"), [(6000, 1, 0.99), (4000, 2, 0.97), (4000, 1, 0.92)])
def test_pictures_of_known_machines_come_back(width: int, times: int, share: float) -> None:
    """24 and 12 megapixels, 3 px (σ) click noise, perspective and bow: how many points within 0.5 mm."""
    off = np.concatenate([recovered(name, seed, width, times)[0] for name in SPAN_MM for seed in range(SCENES)])
    assert np.mean(off < 0.5) >= share


def test_points_lie_in_their_stated_ellipses() -> None:
    hits = []
    for seed in range(2 * SCENES):
        machine = demo("tarn").machine
        cam = camera(seed, 4000, 3000, 340)
        seen = cam.see(to_world(card_place(seed), card_marks_mm())) + np.random.default_rng(seed).normal(
            0, 0.2, (12, 2)
        )
        marks = tuple(CardMark(*map(float, a), *map(float, b), 0.2) for a, b in zip(card_marks_mm(), seen, strict=True))
        out = straighten(
            Picture("a", 4000, 3000, "front", False, marks, clicked(machine, cam, seed), behind_tol_mm=0.3)
        )
        found = solve(machine, Survey((), (out.sheet,), ()))
        spots = machine_spots(machine)
        for p in found.points:
            at = spots[PointName(p.point.place, "left")]
            off = np.array([p.out_mm - at[0], p.up_mm - at[1]])
            values, vectors = np.linalg.eigh(p.covariance_mm2)
            free = values > 1e-12
            hits.append(
                float(np.sum((vectors[:, free].T @ off) ** 2 / values[free])) <= (5.9915 if free.sum() == 2 else 3.8415)
            )
    assert np.mean(hits) >= 0.93


def test_a_shaky_hand_is_noticed() -> None:
    """Clicks three times worse than given: nothing is accused, and the ellipses grow to what is true."""
    machine = demo("tarn").machine
    spots = machine_spots(machine)
    accused, hits = 0, []
    for seed in range(SCENES):
        cam = camera(seed, 4000, 3000, 340)
        seen = cam.see(to_world(card_place(seed), card_marks_mm()))
        marks = tuple(CardMark(*map(float, a), *map(float, b), 0.2) for a, b in zip(card_marks_mm(), seen, strict=True))
        clicks = tuple(replace(c, sigma_px=CLICK_PX / 3) for c in clicked(machine, cam, seed, 2))
        out = straighten(Picture("a", 4000, 3000, "front", False, marks, clicks, behind_tol_mm=0.1))
        found = solve(machine, Survey((), (out.sheet,), ()))
        accused += len(found.aside)
        for p in found.points:
            at = spots[PointName(p.point.place, "left")]
            hits.append(np.hypot(p.out_mm - at[0], p.up_mm - at[1]) <= p.ellipse_mm[0])
    assert accused <= 0.2 * SCENES + 1
    assert np.mean(hits) >= 0.9


@pytest.mark.parametrize("seed", range(2))
def test_from_a_rendered_picture_with_marks_found_in_it(seed: int) -> None:
    """The whole way on painted pixels: corners clicked 3 px off, found to a fraction, the other eight found alone."""
    machine = demo("tarn").machine
    cam, card = camera(seed, 4000, 3000, 340), card_place(seed)
    true = cam.see(to_world(card, card_marks_mm()))
    grey = paint_near(cam, card, np.array(list(pins(machine).values())), true, 110, seed).astype(float)
    rng = np.random.default_rng(seed)
    radius = 5.0 * 4000 / 340
    corners = []
    for mm, px in zip(card_marks_mm()[:4], true[:4], strict=True):
        hit = find_mark(grey, tuple(px + rng.normal(0, CLICK_PX, 2)), radius)
        assert hit is not None
        assert np.hypot(hit[0] - px[0], hit[1] - px[1]) < 0.6
        corners.append(CardMark(float(mm[0]), float(mm[1]), *hit))
    lens = lens_from_corners(Picture("a", 4000, 3000, "front", False, tuple(corners), ()))
    rest = find_rest(lambda at, r: find_mark(grey, at, r), tuple(corners), lens, CARD_MM)
    assert len(rest) >= 6
    off, out = recovered("tarn", seed, 4000, 2, (*corners, *rest), cam)
    assert out.bow_found
    assert off.max() < 0.75
    assert np.mean(off < 0.5) > 0.9


def test_no_mark_is_found_where_there_is_none() -> None:
    rng = np.random.default_rng(1)
    flat = rng.normal(150, 3, (400, 400))
    assert find_mark(flat, (200.0, 200.0), 40.0) is None
    edge = flat.copy()
    edge[:, 200:] = 30  # an edge has no middle
    assert find_mark(edge, (200.0, 200.0), 40.0) is None
    assert find_mark(flat, (3.0, 3.0), 40.0) is None


def test_depth_is_taken_out_when_it_is_known() -> None:
    machine = demo("tarn").machine
    cam = camera(5, 6000, 4500, 340)
    seen = cam.see(to_world(card_place(5), card_marks_mm()))
    marks = tuple(CardMark(*map(float, a), *map(float, b), 0.2) for a, b in zip(card_marks_mm(), seen, strict=True))
    clicks = clicked(machine, cam, 5, 4, depth_mm=15.0)

    def worst(behind: float, focal: float | None) -> float:
        picture = Picture(
            "a", 6000, 4500, "front", False, marks, clicks, behind_mm=behind, behind_tol_mm=0.5, focal_px=focal
        )
        return float(errors(machine, solve(machine, Survey((), (straighten(picture).sheet,), ()))).max())

    assert worst(0.0, None) > 2.0  # 15 mm of depth seen from a quarter of a metre
    assert worst(15.0, cam.focal) < 0.5


def test_bow_is_found_with_twelve_marks_and_warned_of_with_four() -> None:
    cam = camera(3, 4000, 3000, 340, bow=0.0)
    cam = replace(cam, k1=0.03, k2=-0.005)
    seen = cam.see(to_world(card_place(3), card_marks_mm()))
    marks = tuple(CardMark(*map(float, a), *map(float, b), 0.2) for a, b in zip(card_marks_mm(), seen, strict=True))
    half = np.hypot(2000, 1500) / cam.focal
    true = cam.k1 * half**2 + cam.k2 * half**4
    clicks = clicked(demo("tarn").machine, cam, 3)
    twelve = straighten(Picture("a", 4000, 3000, "front", False, marks, clicks))
    assert twelve.bow_found
    assert twelve.bow_share == pytest.approx(true, abs=0.006)
    assert any("bows by" in w for w in twelve.warnings)
    four = straighten(Picture("a", 4000, 3000, "front", False, marks[:4], clicks))
    assert not four.bow_found
    assert any("could not be found" in w for w in four.warnings)
    # what was not found is allowed for: every point's tolerance with four marks is the wider one
    corner = np.array([[m.x_mm, m.y_mm] for m in four.sheet.marks if m.point.place == "contact"])
    spread = [np.sqrt(np.sum(field_values(s.sheet.shared, corner)[0] ** 2, axis=0)).mean() for s in (four, twelve)]
    assert spread[0] > 1.5 * spread[1]


def test_a_covered_mark_is_left_out() -> None:
    cam = camera(2, 4000, 3000, 340)
    seen = cam.see(to_world(card_place(2), card_marks_mm()))
    marks = [CardMark(*map(float, a), *map(float, b), 0.2) for a, b in zip(card_marks_mm(), seen, strict=True)]
    clicks = clicked(demo("tarn").machine, cam, 2)
    whole = straighten(Picture("a", 4000, 3000, "front", False, tuple(marks), clicks))
    m = marks[7]
    marks[7] = CardMark(m.x_mm, m.y_mm, m.x_px + 9, m.y_px - 4, 0.2)
    bent = straighten(Picture("a", 4000, 3000, "front", False, tuple(marks), clicks))
    assert bent.mark_miss_px < whole.mark_miss_px + 0.1
    assert bent.sheet.marks[0].x_mm == pytest.approx(whole.sheet.marks[0].x_mm, abs=0.05)


def test_a_known_length_alone_gives_scale_and_honest_doubt() -> None:
    machine = demo("tarn").machine
    cam = Camera(4000, 3000, 2900.0, np.eye(3), np.array([0.0, 85.0, 260.0]))
    ends = cam.see(np.array([[-134.0, 0, 0], [134.0, 0, 0]]))
    marks = (CardMark(0, 0, *map(float, ends[0]), 2.0), CardMark(268, 0, *map(float, ends[1]), 2.0))
    out = straighten(Picture("a", 4000, 3000, "front", False, marks, clicked(machine, cam, 1, 3)))
    assert any("known length" in w for w in out.warnings)
    found = solve(machine, Survey((), (out.sheet,), ()))
    off = errors(machine, found)
    assert off.max() < 1.0
    assert all(p.ellipse_mm[0] > 0.5 for p in found.points if p.point.place not in ("contact", "arm_centre"))


def test_a_side_view_gives_what_lies_behind_what() -> None:
    machine = demo("tarn").machine
    true = {"contact": (0.0, 0.0), "arm_ball": (20.0, 166.0), "mount_ball": (23.0, 136.0), "rear_front": (205.0, 0.0), "rear_back": (345.0, 0.0), "rear_pivot": (260.0, 38.0)}  # fmt: skip
    clicks, marks = [], []
    for name, (b, z) in true.items():
        side = "left" if name in ("contact", "arm_ball", "mount_ball") else "centre"
        clicks.append(Click(PointName(name, side), 100 + 5 * b, 1500 - 5 * z, 0.1))
    for x, y in card_marks_mm():
        marks.append(CardMark(float(x), float(y), float(400 + 5 * x), float(1400 - 5 * y), 0.1))
    out = straighten(Picture("side", 2400, 1800, "side", False, tuple(marks), tuple(clicks), behind_tol_mm=0.0))
    by_key = {n.key: n for n in solve(machine, Survey((), (out.sheet,), ())).numbers}
    assert by_key["rear.contact_front_behind_mm"].at == pytest.approx(205, abs=0.3)
    assert by_key["rear.contact_rear_behind_mm"].at == pytest.approx(345, abs=0.3)
    assert by_key["rear.pivot_up_mm"].at == pytest.approx(38, abs=0.3)
    assert by_key["left.arm.offset_behind_mm"].at == pytest.approx(3, abs=0.3)
    assert all(by_key[k].held for k in ("rear.pivot_up_mm", "left.arm.offset_behind_mm"))


MARKS = tuple(CardMark(x, y, 500 + 10 * x, 1500 - 10 * y) for x, y in ((0, 0), (180, 0), (180, 120), (0, 120)))
ONE = (Click(PointName("contact", "left"), 900.0, 900.0),)


@pytest.mark.parametrize(
    ("marks", "clicks", "words"),
    [
        (MARKS, (), "no point was clicked"),
        (MARKS[:1], ONE, "give no scale"),
        (MARKS[:3], ONE, "give no scale"),
        ((MARKS[0], MARKS[2], MARKS[1], MARKS[3]), ONE, "no rectangle"),
        ((MARKS[0], MARKS[0], MARKS[1], MARKS[2]), ONE, "no rectangle"),
        ((MARKS[3], MARKS[2], MARKS[1], MARKS[0]), ONE, "no rectangle"),
        ((MARKS[0], MARKS[0]), ONE, "one point"),
    ],
)
def test_marks_that_make_no_sense_are_said(marks: tuple[CardMark, ...], clicks: tuple[Click, ...], words: str) -> None:
    swapped = tuple(CardMark(a.x_mm, a.y_mm, b.x_px, b.y_px) for a, b in zip(MARKS, marks, strict=False)) if len(marks) == 4 else marks  # fmt: skip
    with pytest.raises(PictureTrouble, match=words):
        straighten(Picture("a.jpg", 3000, 2000, "front", False, swapped, clicks))


# ---- files


def test_fifty_megapixels_open_and_show(tmp_path: Path) -> None:
    small = Image.fromarray(np.add.outer(np.arange(612), np.arange(816)).astype(np.uint8))
    small.resize((8160, 6120), Image.Resampling.NEAREST).save(tmp_path / "large.jpg", quality=70)
    photo = open_photograph(tmp_path / "large.jpg")
    assert photo.size == (8160, 6120)
    for part in ((0, 0, 8160, 6120), (4000, 3000, 200, 150), (-500, -500, 9000, 7000)):
        assert view_jpeg(photo, *part, 1200).startswith(b"\xff\xd8")
    grey, left, top = photo.grey(4000, 3000, 50)
    assert grey.shape == (100, 100)
    assert (left, top) == (3950, 2950)


def test_pictures_are_turned_upright_and_the_lens_is_read(tmp_path: Path) -> None:
    image = Image.new("RGB", (800, 600), (10, 20, 30))
    image.putpixel((0, 0), (255, 255, 255))
    exif = Image.Exif()
    exif[0x0112] = 6  # turned a quarter
    exif.get_ifd(0x8769)[0xA405] = 27  # focal length on 35 mm film
    image.save(tmp_path / "turned.jpg", exif=exif)
    photo = open_photograph(tmp_path / "turned.jpg")
    assert photo.size == (600, 800)
    assert photo.focal_px == pytest.approx(27 / 36 * 800)


def broken(tmp_path: Path, what: str) -> Path:
    path = tmp_path / f"{what}.jpg"
    image = Image.fromarray(np.random.default_rng(0).integers(0, 255, (600, 800, 3), dtype=np.uint8).astype(np.uint8))
    image.save(path, quality=90)
    data = path.read_bytes()
    if what == "cut off":
        path.write_bytes(data[: len(data) // 2])
    elif what == "no picture":
        path.write_bytes(b"hello, I am no picture" * 50)
    elif what == "empty":
        path.write_bytes(b"")
    elif what == "small":
        image.resize((100, 100)).save(path)
    elif what == "too large":
        Image.new("L", (13000, 10000)).save(path, quality=10)
    elif what == "header only":
        path.write_bytes(data[:200])
    return path


@pytest.mark.fault
@pytest.mark.parametrize("what", ["cut off", "no picture", "empty", "small", "too large", "header only", "absent"])
def test_a_broken_picture_is_a_sentence(
    tmp_path: Path, what: str, record_property: Callable[[str, object], None]
) -> None:
    path = tmp_path / "not there.jpg" if what == "absent" else broken(tmp_path, what)
    with pytest.raises(FileTrouble) as caught:
        open_photograph(path)
    assert str(path) in str(caught.value)
    record_property("fault", ["picture cut off, empty, too large or none", 1, "a sentence"])


def test_every_front_place_can_be_clicked() -> None:
    assert {n.place for n in pins(demo("tarn").machine)} == set(FRONT_PLACES)
