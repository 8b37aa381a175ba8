"""Readings as equations: residual of every reading, and how it changes with every unknown.

All rows are in units of their own standard deviation (reading's model value less what it reads, over σ), so
that a row of any kind weighs as it should. Slots are those of `layout.Layout`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from leanmix.survey.layout import Layout, SlotBook, Spot
from leanmix.survey.places import PointName
from leanmix.survey.readings import SIGMAS_PER_TOL, Reading, Sheet, Survey
from leanmix.survey.sheets import MarkRows

__all__ = ["Group", "RowBook", "Rows", "add_reading", "add_sheet"]

Array = NDArray[np.float64]

# a distance shorter than this has no direction [mm]
SHORT_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Group:
    """Rows that stand or fall together: one reading, or the two coordinates of one mark.

    Parameters
    ----------
    rows : tuple of int
        Row numbers.
    item : Reading or None
        The reading, or None for a mark.
    mark : tuple of int or None
        (sheet, mark) for a mark.
    """

    rows: tuple[int, ...]
    item: Reading | None = None
    mark: tuple[int, int] | None = None


@dataclass
class RowBook:
    """Collects equations by family, in the order given; `finish` turns them into arrays."""

    groups: list[Group] = field(default_factory=list)
    sigma: list[float] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    wrap: list[float] = field(default_factory=list)
    linear: list[tuple[int, int, float]] = field(default_factory=list)
    lengths: list[tuple[int, Spot, Spot, float]] = field(default_factory=list)
    slopes: list[tuple[int, Spot, Spot, bool]] = field(default_factory=list)
    corners: list[tuple[int, Spot, Spot, Spot]] = field(default_factory=list)
    marks: list[MarkRows] = field(default_factory=list)

    def row(self, value: float, sigma: float, wrap: float = math.inf) -> int:
        """A new row that should come out at `value` with standard deviation `sigma`; its number."""
        self.value.append(value)
        self.sigma.append(sigma)
        self.wrap.append(wrap)
        return len(self.value) - 1

    def prior(self, slot: int, value: float, sigma: float) -> int:
        """A row that says an unknown is `value` within `sigma`."""
        r = self.row(value, sigma)
        self.linear.append((r, slot, 1.0))
        return r


def add_reading(book: RowBook, layout: Layout, survey: Survey, reading: Reading, start: Array, fore_aft_sigma: float) -> None:  # fmt: skip
    """Append the equations of one reading.

    Parameters
    ----------
    book : RowBook
        Where they go.
    layout : Layout
        Slots of the points.
    survey : Survey
        Tolerances and pin diameters.
    reading : Reading
        The reading.
    start : ndarray, shape (slots,)
        Starting vector; tells how far fore and aft a slanting distance runs.
    fore_aft_sigma : float
        Standard deviation of the machine file's own fore-and-aft offset between arm ball and mount ball [mm].

    Raises
    ------
    KeyError
        When a pin's diameter is missing, or a side is left open where the sides differ.
    """
    spots = [layout.spots[p] for p in layout.resolve(reading.points)]
    sigma = survey.tolerance(reading) / SIGMAS_PER_TOL
    allowance = survey.pin_allowance_mm(reading)
    a = spots[0]
    if reading.kind in ("pins", "over", "inside"):
        b = spots[1]
        from_file = {p.place for p in reading.points} == {"arm_ball", "mount_ball"} and b.b < 0 and a.b < 0
        step = start[b.b] - start[a.b] + reading.behind_mm
        slant = abs(step) / max(reading.reads, 1.0) * fore_aft_sigma if from_file else 0.0
        r = book.row(reading.reads - allowance, math.hypot(sigma, slant))
        book.lengths.append((r, a, b, reading.behind_mm))
    elif reading.kind in ("height", "top", "under"):
        r = book.row(reading.reads - allowance, sigma)
        book.linear.append((r, a.z, 1.0))
    elif reading.kind == "offset":
        r = book.row(reading.reads, sigma)
        book.linear.append((r, a.y, a.hand * a.sign))
    elif reading.kind == "behind":
        r = book.row(reading.reads, sigma)
        book.linear += [(r, spots[1].b, 1.0), (r, a.b, -1.0)]
    elif reading.kind in ("level", "cant"):
        r = book.row(reading.reads, sigma, 180.0)
        book.slopes.append((r, a, spots[1], reading.kind == "cant"))
    elif reading.kind == "corner":
        r = book.row(reading.reads, sigma)
        book.corners.append((r, a, spots[1], spots[2]))
    else:
        place = reading.points[0].place
        left, right = layout.spots[_point(place, "left")], layout.spots[_point(place, "right")]
        r = book.row(0.0, sigma)
        book.linear += [(r, left.y, left.sign), (r, right.y, right.sign)]
        z = book.row(0.0, sigma)
        book.linear += [(z, left.z, 1.0), (z, right.z, -1.0)]
        book.groups.append(Group((r, z), reading))
        return
    book.groups.append(Group((r,), reading))


def _point(place: str, side: str) -> PointName:
    return PointName(place, side)


def add_sheet(book: RowBook, slots: SlotBook, layout: Layout, sheet: Sheet, number: int, start: Array) -> None:
    """Append the equations of one sheet: two rows a mark, with its own place, turn and shared errors as unknowns.

    The starting shift and turn are those that bring the marks nearest to the starting points.
    """
    spots = [layout.spots[layout.resolve((m.point,))[0]] for m in sheet.marks]
    hand = -1.0 if sheet.mirrored else 1.0
    h = np.array([hand * (start[s.b] if sheet.view == "side" else s.sign * start[s.y]) for s in spots])
    v = np.array([start[s.z] for s in spots])
    x = np.array([m.x_mm for m in sheet.marks])
    y = np.array([m.y_mm for m in sheet.marks])
    turn = complex(np.vdot((h - h.mean()) + 1j * (v - v.mean()), (x - x.mean()) + 1j * (y - y.mean())))
    theta = math.atan2(turn.imag, turn.real)
    c, s_ = math.cos(theta), math.sin(theta)
    tx = slots.free(float(np.mean(x - c * h + s_ * v)), ("sheet", str(number), "x"))
    ty = slots.free(float(np.mean(y - s_ * h - c * v)), ("sheet", str(number), "y"))
    angle = slots.free(theta, ("sheet", str(number), "turn"))
    errors = [slots.free(0.0, ("sheet", str(number), f"error {k}")) for k in range(len(sheet.shared.coefficients))]
    for k in errors:
        book.prior(k, 0.0, 1.0)
    rows = []
    for i, mark in enumerate(sheet.marks):
        sigma = mark.tol_mm / SIGMAS_PER_TOL
        rows.append(book.row(mark.x_mm, sigma))
        book.groups.append(Group((rows[-1], book.row(mark.y_mm, sigma)), None, (number, i)))
    side = sheet.view == "side"
    book.marks.append(
        MarkRows(
            np.array(rows, dtype=np.intp),
            np.array([s.b if side else s.y for s in spots], dtype=np.intp),
            np.array([s.z for s in spots], dtype=np.intp),
            np.array([hand * (1.0 if side else s.sign) for s in spots]),
            tx, ty, angle,
            np.array(errors, dtype=np.intp),
            sheet.shared,
        )
    )  # fmt: skip


class Rows:
    """All equations as arrays.

    Parameters
    ----------
    book : RowBook
        What was collected.
    unknowns : int
        Number of unknowns n; slots from n on are constants.
    """

    def __init__(self, book: RowBook, unknowns: int) -> None:
        self.groups: Sequence[Group] = tuple(book.groups)
        self.unknowns = unknowns
        self.value = np.array(book.value, dtype=np.float64)
        self.sigma = np.array(book.sigma, dtype=np.float64)
        self.wrap = np.array(book.wrap, dtype=np.float64)
        self.count = len(book.value)
        self._linear = (
            np.array([i[0] for i in book.linear], dtype=np.intp),
            np.array([i[1] for i in book.linear], dtype=np.intp),
            np.array([i[2] for i in book.linear], dtype=np.float64),
        )
        self._lengths = _pairs([(r, a, b) for r, a, b, _ in book.lengths])
        self._length_step = np.array([s for *_, s in book.lengths], dtype=np.float64)
        self._slopes = _pairs([(r, a, b) for r, a, b, _ in book.slopes])
        self._cant = np.array([c for *_, c in book.slopes], dtype=bool)
        self._arms = (
            _pairs([(r, b, a) for r, a, b, _ in book.corners]),
            _pairs([(r, b, c) for r, _, b, c in book.corners]),
        )
        self._marks = tuple(book.marks)

    def at(self, q: Array) -> tuple[Array, Array]:
        """Residuals and their derivatives at a vector of slots.

        Parameters
        ----------
        q : ndarray, shape (slots,)
            Unknowns and constants.

        Returns
        -------
        residual : ndarray, shape (rows,)
            (model − reading) / σ.
        slope : ndarray, shape (rows, unknowns)
            Derivative of the residual by each unknown.
        """
        f = np.zeros(self.count)
        jac = np.zeros((self.count, q.size))
        rows, cols, factor = self._linear
        np.add.at(f, rows, factor * q[cols])
        np.add.at(jac, (rows, cols), factor)
        self._add_lengths(q, f, jac)
        self._add_slopes(q, f, jac)
        self._add_corners(q, f, jac)
        for marks in self._marks:
            marks.add(q, f, jac)
        off = f - self.value
        round_ = np.isfinite(self.wrap)
        off[round_] -= self.wrap[round_] * np.round(off[round_] / self.wrap[round_])
        return off / self.sigma, jac[:, : self.unknowns] / self.sigma[:, None]

    def _add_lengths(self, q: Array, f: Array, jac: Array) -> None:
        rows, idx, sign = self._lengths
        if not rows.size:
            return
        dy = sign[1] * q[idx[3]] - sign[0] * q[idx[0]]
        dz = q[idx[4]] - q[idx[1]]
        db = q[idx[5]] - q[idx[2]] + self._length_step
        d = np.maximum(np.sqrt(dy * dy + dz * dz + db * db), SHORT_MM)
        f[rows] += d
        for col, part in ((0, -sign[0] * dy), (1, -dz), (2, -db), (3, sign[1] * dy), (4, dz), (5, db)):
            np.add.at(jac, (rows, idx[col]), part / d)

    def _add_slopes(self, q: Array, f: Array, jac: Array) -> None:
        rows, idx, sign = self._slopes
        if not rows.size:
            return
        # outwards is towards the side the first point belongs to
        dy = sign[2] * (sign[1] * q[idx[3]] - sign[0] * q[idx[0]])
        dz = q[idx[4]] - q[idx[1]]
        up, along = np.where(self._cant, dy, dz), np.where(self._cant, -dz, dy)
        square = np.maximum(up * up + along * along, SHORT_MM**2)
        f[rows] += np.degrees(np.arctan2(up, along))
        by_up, by_along = np.degrees(along / square), np.degrees(-up / square)
        by_y = np.where(self._cant, by_up, by_along) * sign[2]
        by_z = np.where(self._cant, -by_along, by_up)
        for col, part in ((0, -sign[0] * by_y), (1, -by_z), (3, sign[1] * by_y), (4, by_z)):
            np.add.at(jac, (rows, idx[col]), part)

    def _add_corners(self, q: Array, f: Array, jac: Array) -> None:
        (rows, idx, sign), (_, idx2, sign2) = self._arms
        if not rows.size:
            return
        ends = []
        for i, s in ((idx, sign), (idx2, sign2)):
            dy, dz = s[1] * q[i[3]] - s[0] * q[i[0]], q[i[4]] - q[i[1]]
            ends.append((dy, dz, np.maximum(dy * dy + dz * dz, SHORT_MM**2)))
        (y1, z1, _), (y2, z2, _) = ends
        turn = np.arctan2(y1 * z2 - z1 * y2, y1 * y2 + z1 * z2)
        way = np.where(turn < 0, -1.0, 1.0)
        f[rows] += np.degrees(np.abs(turn))
        for (dy, dz, sq), i, s, w in ((ends[0], idx, sign, -way), (ends[1], idx2, sign2, way)):
            by_y, by_z = np.degrees(-dz / sq) * w, np.degrees(dy / sq) * w
            for col, part in ((0, -s[0] * by_y), (1, -by_z), (3, s[1] * by_y), (4, by_z)):
                np.add.at(jac, (rows, i[col]), part)


def _pairs(items: Sequence[tuple[int, Spot, Spot]]) -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    rows = np.array([r for r, _, _ in items], dtype=np.intp)
    slots = np.array([(a.y, a.z, a.b, b.y, b.z, b.b) for _, a, b in items], dtype=np.intp).reshape(-1, 6).T
    sign = np.array([(a.sign, b.sign, a.hand) for _, a, b in items], dtype=np.float64).reshape(-1, 3).T
    return rows, slots, sign
