"""Pictures of known machines, made by a pinhole camera of our own: perspective, bow, depth, blur and noise.

Nothing here comes from `leanmix.survey.photo` but the places of the card's marks: the camera is a pose and a
focal length in space, not a homography, and its bow has another form (r (1 + k₁r² + k₂r⁴) over the focal
length instead of the half diagonal).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from leanmix.machine import Machine
from leanmix.survey.layout import machine_spots
from leanmix.survey.photo.marks import CARD_MM, MARK_MM, card_marks_mm
from leanmix.survey.places import FRONT_PLACES, PointName

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """A camera before the machine: x to the machine's left, y up, z towards the camera; lengths in mm and px."""

    width: int
    height: int
    focal: float
    turn: Array
    place: Array
    k1: float = 0.0
    k2: float = 0.0

    def see(self, points: Array) -> Array:
        """World points, shape (n, 3), to pixels from the upper left corner."""
        eye = (points - self.place) @ self.turn.T
        n = eye[:, :2] / -eye[:, 2:]
        r2 = np.sum(n**2, axis=1, keepdims=True)
        n = n * (1 + self.k1 * r2 + self.k2 * r2**2)
        return np.column_stack([self.width / 2 + self.focal * n[:, 0], self.height / 2 - self.focal * n[:, 1]])

    def rays(self, pixels: Array) -> Array:
        """Where the line of sight of each pixel meets the plane z = 0; shape (n, 2)."""
        d = np.column_stack(
            [(pixels[:, 0] - self.width / 2) / self.focal, -(pixels[:, 1] - self.height / 2) / self.focal]
        )
        n = d.copy()
        for _ in range(12):
            r2 = np.sum(n**2, axis=1, keepdims=True)
            n = d / (1 + self.k1 * r2 + self.k2 * r2**2)
        ray = np.column_stack([n, -np.ones(len(n))]) @ self.turn
        return (self.place + ray * (-self.place[2] / ray[:, 2])[:, None])[:, :2]


def camera(seed: int, width: int, height: int, span_mm: float, *, bow: float = 0.03) -> Camera:
    """A camera held by hand: a phone's lens, some degrees off square, the span well in the picture."""
    rng = np.random.default_rng(seed)
    focal = 0.72 * width
    distance = span_mm * focal / width
    yaw, pitch, roll = np.radians(rng.normal(0, [5.0, 4.0, 1.5]))
    cy, sy, cp, sp, cr, sr = np.cos(yaw), np.sin(yaw), np.cos(pitch), np.sin(pitch), np.cos(roll), np.sin(roll)
    turn = (
        np.array([[cr, sr, 0], [-sr, cr, 0], [0, 0, 1]])
        @ np.array([[1, 0, 0], [0, cp, sp], [0, -sp, cp]])
        @ np.array([[cy, 0, -sy], [0, 1, 0], [sy, 0, cy]])
    )
    middle = np.array([0.0, 85.0, 0.0])
    back = np.array([0.0, 0.0, distance]) @ turn  # so that the middle stays in the middle
    half = np.hypot(0.5, 0.5 * height / width) / 0.72
    return Camera(width, height, focal, turn, middle + back, bow * rng.uniform(-1, 1) / half**2, 0.3 * bow * rng.uniform(-1, 1) / half**4)  # fmt: skip


def card_place(seed: int) -> Array:
    """Lower left mark of the card in the plane of the pins, and its turn: 2 × 3 matrix from card mm to world mm."""
    rng = np.random.default_rng(seed + 77)
    a = np.radians(rng.normal(0, 3))
    x, y = -CARD_MM[0] / 2 + rng.normal(0, 8), 30 + rng.normal(0, 8)
    return np.array([[np.cos(a), -np.sin(a), x], [np.sin(a), np.cos(a), y]])


def to_world(card: Array, points: Array) -> Array:
    flat = points @ card[:, :2].T + card[:, 2]
    return np.column_stack([flat, np.zeros(len(flat))])


def pins(machine: Machine) -> dict[PointName, tuple[float, float]]:
    """Every pin of the front view, both sides, in world axes (x to the machine's left)."""
    found = {}
    one_axis = machine.servo.arrangement == "double_arm"
    for name, (out, up, _) in machine_spots(machine).items():
        if name.place == "arm_centre" and one_axis:
            found[PointName("arm_centre")] = (out, up)
        elif name.place in FRONT_PLACES and name.side in ("left", "right"):
            found[name] = (out if name.side == "left" else -out, up)
    return found


def paint_near(cam: Camera, card: Array, spots: Array, near_px: Array, reach: int, seed: int = 0) -> NDArray[np.uint8]:
    """The same picture as `paint`, but only round some places; the rest is left grey to save time."""
    out = np.full((cam.height, cam.width), 150, dtype=np.uint8)
    for x, y in near_px:
        x0, y0 = max(int(x) - reach, 0), max(int(y) - reach, 0)
        x1, y1 = min(int(x) + reach, cam.width), min(int(y) + reach, cam.height)
        out[y0:y1, x0:x1] = paint(cam, card, spots, seed, window=(x0, y0, x1, y1))
    return out


def paint(
    cam: Camera, card: Array, spots: Array, seed: int = 0, *, noise: float = 3.0, blur_px: float = 0.8,
    window: tuple[int, int, int, int] | None = None,
) -> NDArray[np.uint8]:  # fmt: skip
    """The picture: grey floor, white card with its marks, every pin a dark disc with a light middle."""
    left, top, right, bottom = window or (0, 0, cam.width, cam.height)
    inverse = np.linalg.inv(np.vstack([card, [0, 0, 1]]))
    out = np.empty((bottom - top, right - left))
    for y0 in range(top, bottom, 256):
        ys = np.arange(y0, min(y0 + 256, bottom)) + 0.5
        px, py = np.meshgrid(np.arange(left, right) + 0.5, ys)
        world = cam.rays(np.column_stack([px.ravel(), py.ravel()]))
        on_card = world @ inverse[:2, :2].T + inverse[:2, 2]
        grey = np.full(len(world), 150.0)
        w, h = CARD_MM
        inside = (on_card[:, 0] > -12) & (on_card[:, 0] < w + 12) & (on_card[:, 1] > -12) & (on_card[:, 1] < h + 12)
        grey[inside] = 235.0
        for x, y in card_marks_mm():
            d = on_card - (x, y)
            mark = (np.sum(d**2, axis=1) < (MARK_MM / 2) ** 2) & (d[:, 0] * d[:, 1] > 0)
            grey[mark] = 25.0
        for x, y in spots:
            r2 = (world[:, 0] - x) ** 2 + (world[:, 1] - y) ** 2
            grey[r2 < 1.5**2] = 60.0
            grey[r2 < 0.5**2] = 220.0
        out[y0 - top : y0 - top + len(ys)] = grey.reshape(len(ys), -1)
    out = gaussian_filter(out, blur_px)
    out += np.random.default_rng(seed).normal(0, noise, out.shape)
    return np.clip(out, 0, 255).astype(np.uint8)
