"""From clicks in a picture to millimetres in the plane of a card, with what that leaves uncertain.

A card of known size in the picture gives the plane's perspective (a homography of eight numbers) and, where it
has more than four marks, the lens's bow. Bow is radial about the middle of the whole picture, so pictures must
not be cropped. Points in front of or behind the card's plane are moved along their line of sight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leanmix.errors import LeanmixError
from leanmix.survey.photo.lens import Lens, project, to_plane
from leanmix.survey.places import PointName
from leanmix.survey.readings import SIGMAS_PER_TOL, Mark, Sheet
from leanmix.survey.sheets import fit_fields

__all__ = [
    "CardMark",
    "Click",
    "Picture",
    "PictureTrouble",
    "Straightened",
    "lens_from_corners",
    "straighten",
]

Array = NDArray[np.float64]

# bow of lenses before anything is known of it, σ of k₁ and k₂ (common practice: a phone's main lens after its
# own correction bends the corners by well under 2 %)
BOW_SIGMA = (0.02, 0.01)
# share of the half diagonal by which the corners move from which a bow that could not be found is warned about
BOW_WARN = 0.004
# focal length over the picture's longer side when the file does not say (a phone's main lens: 26 mm on 36 mm)
USUAL_FOCAL = 0.75
USUAL_FOCAL_SIGMA = 0.25
KNOWN_FOCAL_SIGMA = 0.05
# without four marks the camera may have looked on at a slant of this much, σ [deg]
SLANT_SIGMA_DEG = 3.0
MARK_DOUBT_SIGMAS = 4.5


class PictureTrouble(LeanmixError):
    """A picture that cannot be measured as it was clicked."""


@dataclass(frozen=True, slots=True)
class CardMark:
    """A mark of known place in the card's plane [mm] and where it is in the picture [px], with its σ [px]."""

    x_mm: float
    y_mm: float
    x_px: float
    y_px: float
    sigma_px: float = 1.0


@dataclass(frozen=True, slots=True)
class Click:
    """A point clicked in the picture.

    Parameters
    ----------
    point : PointName
        Which point.
    x_px, y_px : float
        From the upper left corner of the upright picture, whole size.
    sigma_px : float
        How well it was hit.
    behind_mm : float or None
        How far this point lies behind the card's plane, seen from the camera; None for the picture's own value.
    """

    point: PointName
    x_px: float
    y_px: float
    sigma_px: float = 2.0
    behind_mm: float | None = None


@dataclass(frozen=True)
class Picture:
    """A clicked picture.

    Parameters
    ----------
    name : str
        File name, for sentences.
    width_px, height_px : int
        Whole size, upright.
    view : str
        "front" or "side".
    mirrored : bool
        As in `Sheet`.
    marks : tuple of CardMark
        Four or more for a card; two for a known length.
    clicks : tuple of Click
        What was clicked; a point may be clicked more than once.
    card_tol : float
        95 % tolerance of the card's size, as a share of it.
    behind_mm, behind_tol_mm : float
        How far the points lie behind the card's plane, and how sure that is (95 %).
    focal_px : float or None
        Focal length in pixels, if the file says.
    """

    name: str
    width_px: int
    height_px: int
    view: str
    mirrored: bool
    marks: tuple[CardMark, ...]
    clicks: tuple[Click, ...]
    card_tol: float = 0.002
    behind_mm: float = 0.0
    behind_tol_mm: float = 1.0
    focal_px: float | None = None


@dataclass(frozen=True)
class Straightened:
    """A picture brought to millimetres.

    Parameters
    ----------
    sheet : Sheet
        For the survey.
    px_per_mm : float
        Scale in the middle of the clicks.
    bow_share : float
        How far the lens moves the picture's corners, as a share of the half diagonal; + outwards.
    bow_found : bool
        Whether the marks told the bow, or it is only allowed for.
    camera_mm : float
        Distance of the camera from the card's plane.
    mark_miss_px : float
        Root mean square of what the marks do not fit, in px.
    warnings : tuple of str
        Sentences.
    """

    sheet: Sheet
    px_per_mm: float
    bow_share: float
    bow_found: bool
    camera_mm: float
    mark_miss_px: float
    warnings: tuple[str, ...]


def _first_homography(plane: Array, pixels: Array) -> Array:
    """Direct linear transform from four or more pairs (Hartley & Zisserman, Multiple View Geometry, 4.1, from memory)."""
    rows, right = [], []
    for (x, y), (u, v) in zip(plane, pixels, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    return np.asarray(np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0], dtype=np.float64)


def _fit_lens(picture: Picture) -> tuple[Lens, Array, float]:
    """Homography and bow from the marks, their covariance, and the marks' own misfit [px]."""
    middle = (picture.width_px / 2, picture.height_px / 2)
    half = math.hypot(*middle)
    plane = np.array([(m.x_mm, m.y_mm) for m in picture.marks])
    pixels = np.array([(m.x_px, m.y_px) for m in picture.marks])
    sigma = np.repeat([m.sigma_px for m in picture.marks], 2)
    p = np.concatenate([_first_homography(plane, pixels - np.array(middle)), [0.0, 0.0]])
    # the eight numbers differ by powers of ten: work in steps that each move a far corner by about a pixel
    reach = max(float(np.abs(plane).max()), 1.0)
    step = np.array([1 / reach, 1 / reach, 1, 1 / reach, 1 / reach, 1, 1 / (reach * half), 1 / (reach * half), 1 / half, 1 / half])  # fmt: skip

    def miss(v: Array) -> Array:
        lens = Lens(v[:8], (float(v[8]), float(v[9])), half, middle)
        prior = v[8:] / np.array(BOW_SIGMA)
        return np.concatenate([(project(lens, plane) - pixels).ravel() / sigma, prior])

    slope = np.zeros((2 * len(plane) + 2, 10))
    for _ in range(15):
        f = miss(p)
        for k in range(10):
            d = np.zeros(10)
            d[k] = step[k]
            slope[:, k] = (miss(p + d) - miss(p - d)) / 2
        move = np.linalg.lstsq(slope, -f, rcond=None)[0]
        p = p + move * step
        if float(np.max(np.abs(move))) < 1e-7:
            break
    cov = np.asarray(np.linalg.inv(slope.T @ slope) * np.outer(step, step), dtype=np.float64)
    f = miss(p)[:-2] * sigma
    return Lens(p[:8], (float(p[8]), float(p[9])), half, middle), cov, float(np.sqrt(np.mean(f**2)))


def lens_from_corners(picture: Picture) -> Lens:
    """The lens as the four corner marks alone tell it.

    Raises
    ------
    PictureTrouble
        When they make no rectangle.
    """
    _rectangle_or_trouble(picture)
    return _fit_lens(replace(picture, marks=picture.marks[:4]))[0]


def _sound_marks(picture: Picture) -> Picture:
    """Drop marks beyond the corners that do not fit the rest, worst first: something lay over them."""
    while len(picture.marks) > 4:
        lens, _, _ = _fit_lens(picture)
        plane = np.array([(m.x_mm, m.y_mm) for m in picture.marks])
        pixels = np.array([(m.x_px, m.y_px) for m in picture.marks])
        off = np.linalg.norm(project(lens, plane) - pixels, axis=1) / [m.sigma_px for m in picture.marks]
        worst = 4 + int(np.argmax(off[4:]))
        if off[worst] < MARK_DOUBT_SIGMAS:
            break
        picture = replace(picture, marks=picture.marks[:worst] + picture.marks[worst + 1 :])
    return picture


def _camera(lens: Lens, focal_px: float) -> tuple[Array, float]:
    """Foot of the camera on the card's plane [mm] and its distance from it [mm], for a focal length."""
    m = np.append(lens.h, 1.0).reshape(3, 3)
    b = np.diag([1 / focal_px, 1 / focal_px, 1.0]) @ m
    scale = 2.0 / (np.linalg.norm(b[:, 0]) + np.linalg.norm(b[:, 1]))
    r1, r2, t = b[:, 0] * scale, b[:, 1] * scale, b[:, 2] * scale
    turn = np.column_stack([r1, r2, np.cross(r1, r2)])
    centre = -np.linalg.solve(turn, t)
    return centre[:2], float(abs(centre[2]))


def straighten(picture: Picture) -> Straightened:
    """Bring the clicks of a picture to millimetres, with shared and single errors.

    Parameters
    ----------
    picture : Picture
        Marks and clicks.

    Returns
    -------
    Straightened
        The sheet and what to say about it.

    Raises
    ------
    PictureTrouble
        With fewer than two marks, three, marks in one line, or marks that make no rectangle seen from in front.
    """
    if not picture.clicks:
        raise PictureTrouble(f"{picture.name}: no point was clicked.", "Click the points you can see.")
    if len(picture.marks) not in (0, 1, 3) and len(picture.marks) < 4:
        lens, cov = _from_length(picture)
        miss, few = 0.0, True
    elif len(picture.marks) >= 4:
        _rectangle_or_trouble(picture)
        picture = _sound_marks(picture)
        lens, cov, miss = _fit_lens(picture)
        few = False
    else:
        raise PictureTrouble(
            f"{picture.name}: {len(picture.marks)} marks give no scale.",
            "Click the four corner marks of the card, or the two ends of a known length.",
        )
    return _measured(picture, lens, cov, miss, few)


def _rectangle_or_trouble(picture: Picture) -> None:
    corners = np.array([(m.x_px, m.y_px) for m in picture.marks[:4]])
    plane = np.array([(m.x_mm, m.y_mm) for m in picture.marks[:4]])

    def turns(p: Array) -> Array:
        a, b = np.roll(p, -1, axis=0) - p, np.roll(p, -2, axis=0) - np.roll(p, -1, axis=0)
        out: Array = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        return out

    seen, true = turns(corners), turns(plane)
    size = float(np.linalg.norm(np.ptp(corners, axis=0)))
    # picture y runs down, the card's up: all four turns must have the other sign
    if not np.all(seen * true < 0) or np.min(np.abs(seen)) < 1e-3 * size * size:
        raise PictureTrouble(
            f"{picture.name}: the four corner marks make no rectangle as clicked.",
            "Click them in the order of their numbers, and not one twice.",
        )


def _from_length(picture: Picture) -> tuple[Lens, Array]:
    middle = (picture.width_px / 2, picture.height_px / 2)
    half = math.hypot(*middle)
    a, b = picture.marks
    mm, px = complex(b.x_mm - a.x_mm, b.y_mm - a.y_mm), complex(b.x_px - a.x_px, -(b.y_px - a.y_px))
    if abs(mm) < 1e-6 or abs(px) < 1.0:
        raise PictureTrouble(f"{picture.name}: the two ends of the known length are one point.", "Click both ends.")
    turn = px / mm
    c, s = turn.real, turn.imag
    # counted from the middle of the length, so that a slant leaves its two ends where they were clicked
    x0, y0 = (a.x_px + b.x_px) / 2 - middle[0], (a.y_px + b.y_px) / 2 - middle[1]
    h = np.array([c, -s, x0, -s, -c, y0, 0.0, 0.0])
    size = (abs(turn) * math.hypot(a.sigma_px, b.sigma_px) / abs(px)) ** 2
    slant = math.radians(SLANT_SIGMA_DEG)
    focal = picture.focal_px or USUAL_FOCAL * max(picture.width_px, picture.height_px)
    # a slant by α makes the plane's depth change by x·α: the projective numbers shift by α·scale/focal
    tilt = (slant * abs(turn) / focal) ** 2
    cov = np.diag([size / 2, size / 2, 0.0, size / 2, size / 2, 0.0, tilt, tilt, BOW_SIGMA[0] ** 2, BOW_SIGMA[1] ** 2])
    # size errors of the four linear numbers go together: one scale, not four
    direction = np.array([c, -s, 0, -s, -c, 0, 0, 0, 0, 0]) / max(abs(turn), 1e-12)
    cov[:6, :6] = np.outer(direction, direction)[:6, :6] * size
    return Lens(h, (0.0, 0.0), half, middle), cov


def _measured(picture: Picture, lens: Lens, cov: Array, miss: float, few: bool) -> Straightened:
    pixels = np.array([(c.x_px, c.y_px) for c in picture.clicks])
    flat = to_plane(lens, pixels)
    by_x, by_y = ((to_plane(lens, pixels + step) - to_plane(lens, pixels - step)) / 2e-3 for step in 1e-3 * np.eye(2))
    mm_per_px = np.sqrt((np.sum(by_x**2, axis=1) + np.sum(by_y**2, axis=1)) / 2)
    focal = picture.focal_px or USUAL_FOCAL * max(picture.width_px, picture.height_px)
    foot, distance = _camera(lens, focal)
    behind = np.array([picture.behind_mm if c.behind_mm is None else c.behind_mm for c in picture.clicks])
    out = foot + (flat - foot) * (1.0 + behind / distance)[:, None]
    focal_sigma = KNOWN_FOCAL_SIGMA if picture.focal_px else USUAL_FOCAL_SIGMA
    depth_sigma = picture.behind_tol_mm / SIGMAS_PER_TOL
    # the errors that all clicks share are laid out on a grid over them
    grid = _grid(pixels, picture)
    under = to_plane(lens, grid)
    ray = (under - foot) / distance
    shifts = [
        *_lens_errors(lens, cov, grid),
        (under - flat.mean(axis=0)) * picture.card_tol / SIGMAS_PER_TOL,
        ray * depth_sigma,
        ray * float(behind.mean()) * focal_sigma,
    ]
    # half of the doubt about the depth is each point's own
    steps = np.linalg.norm(flat - foot, axis=1) / distance
    own = np.hypot(steps * depth_sigma / 2, steps * (behind - behind.mean()) * focal_sigma)
    marks = tuple(
        Mark(c.point, float(x), float(y), float(SIGMAS_PER_TOL * math.hypot(c.sigma_px * m, o)))
        for c, (x, y), m, o in zip(picture.clicks, out, mm_per_px, own, strict=True)
    )
    fields = fit_fields(under, _thinned(np.array(shifts)))
    sheet = Sheet(picture.name, "photo", picture.view, picture.mirrored, marks, fields)
    bow = lens.bow[0] + lens.bow[1]
    found = len(picture.marks) >= 6
    return Straightened(sheet, float(1 / mm_per_px.mean()), bow, found, distance, miss, _warnings(picture, lens, cov, miss, few, found))  # fmt: skip


def _lens_errors(lens: Lens, cov: Array, pixels: Array) -> list[Array]:
    """Shift of every click for one σ of each independent error of the lens; each (clicks, 2)."""
    values, vectors = np.linalg.eigh(cov / np.outer(*(2 * [np.sqrt(np.maximum(np.diag(cov), 1e-300))])))
    scale = np.sqrt(np.maximum(np.diag(cov), 0.0))
    out = []
    for value, vector in zip(values, vectors.T, strict=True):
        if value <= 1e-12:
            continue
        d = math.sqrt(value) * vector * scale
        moved = Lens(lens.h + d[:8], (lens.bow[0] + d[8], lens.bow[1] + d[9]), lens.half_px, lens.middle_px)
        back = Lens(lens.h - d[:8], (lens.bow[0] - d[8], lens.bow[1] - d[9]), lens.half_px, lens.middle_px)
        out.append((to_plane(moved, pixels) - to_plane(back, pixels)) / 2)
    return out


def _thinned(shifts: Array) -> Array:
    """The same covariance in as few errors as it needs; shape (r, n, 2) either way."""
    flat = shifts.reshape(len(shifts), -1)
    values, turned = np.linalg.eigh(flat @ flat.T)
    # a shift of a hundredth of a millimetre everywhere is of no account
    keep = values > 0.01**2 * shifts.shape[1]
    return np.asarray((turned[:, keep].T @ flat).reshape(-1, *shifts.shape[1:]), dtype=np.float64)


def _grid(pixels: Array, picture: Picture) -> Array:
    """Places all over the clicks and a little beyond, but inside the picture; shape (121, 2)."""
    low, high = pixels.min(axis=0), pixels.max(axis=0)
    room = 0.15 * np.maximum(high - low, 100.0)
    low, high = np.maximum(low - room, 0.0), np.minimum(high + room, (picture.width_px, picture.height_px))
    x, y = np.meshgrid(np.linspace(low[0], high[0], 11), np.linspace(low[1], high[1], 11))
    return np.column_stack([x.ravel(), y.ravel()])


def _warnings(picture: Picture, lens: Lens, cov: Array, miss: float, few: bool, found: bool) -> tuple[str, ...]:
    said = []
    if few:
        said.append(
            "Only a known length: the picture is taken to look straight on, within 3 deg. Four marks of a card would "
            "take the perspective out."
        )
    doubt = 2 * math.sqrt(float(cov[8, 8] + cov[9, 9] + 2 * cov[8, 9]))
    if not found:
        said.append(
            f"The lens's bow could not be found from so few marks; up to {100 * doubt:.1f} % at the corners is allowed "
            "for. The printed card's twelve marks would tell it."
        )
    elif abs(lens.bow[0] + lens.bow[1]) > BOW_WARN:
        said.append(f"The lens bows by {100 * (lens.bow[0] + lens.bow[1]):+.1f} % at the corners; taken out.")
    expected = float(np.sqrt(np.mean([m.sigma_px**2 for m in picture.marks])))
    if len(picture.marks) > 4 and miss > 3 * expected + 0.3:
        said.append(
            f"The marks do not fit one flat card seen through a whole picture (off by {miss:.1f} px): is the card "
            "bent, or the picture cropped?"
        )
    return tuple(said)
