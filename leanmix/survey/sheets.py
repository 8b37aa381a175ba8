"""Errors that all marks of a picture share, as fields over the sheet, and the equations of marks.

A field is evaluated where the point is thought to lie, not where it was clicked: otherwise a wrong scale or
slant could buy itself in by shrinking the scatter of the clicks.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["DEGREE", "NO_FIELDS", "Fields", "MarkRows", "field_values", "fit_fields"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

# a slant, a scale and a bow are polynomials of the place up to third degree; a fourth takes up what follows
DEGREE = 4
_POWERS = np.array([(i, j) for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)])
# fields mean nothing far outside the clicks they were made for
FARTHEST = 1.6


@dataclass(frozen=True)
class Fields:
    """Shift of the sheet for one σ of each shared error, as polynomials of the place.

    Parameters
    ----------
    centre_mm : ndarray, shape (2,)
        Where the polynomials' variables are 0.
    half_mm : float
        Length at which they are 1.
    coefficients : ndarray, shape (r, 2, 15)
        Of each error, for x and y [mm].
    """

    centre_mm: Array = field(default_factory=lambda: np.zeros(2))
    half_mm: float = 1.0
    coefficients: Array = field(default_factory=lambda: np.zeros((0, 2, len(_POWERS))))


NO_FIELDS = Fields()


def _monomials(u: Array) -> tuple[Array, Array, Array]:
    """Monomials at places of shape (n, 2), and their derivatives by each variable; each (n, 15)."""
    powers = np.ones((DEGREE + 1, *u.shape))
    for k in range(1, DEGREE + 1):
        powers[k] = powers[k - 1] * u
    i, j = _POWERS.T
    x, y = powers[i, :, 0].T, powers[j, :, 1].T
    dx = np.where(i > 0, i * powers[np.maximum(i - 1, 0), :, 0].T, 0.0)
    dy = np.where(j > 0, j * powers[np.maximum(j - 1, 0), :, 1].T, 0.0)
    return x * y, dx * y, x * dy


def fit_fields(places_mm: Array, shifts_mm: Array) -> Fields:
    """Polynomials through shifts known at many places.

    Parameters
    ----------
    places_mm : ndarray, shape (n, 2)
        Places, well over 15 of them.
    shifts_mm : ndarray, shape (r, n, 2)
        Shift there for one σ of each error.
    """
    centre = (places_mm.min(axis=0) + places_mm.max(axis=0)) / 2
    half = float(max(np.ptp(places_mm, axis=0).max() / 2, 1.0))
    at = _monomials((places_mm - centre) / half)[0]
    found = np.linalg.lstsq(at, shifts_mm.transpose(1, 0, 2).reshape(len(places_mm), -1), rcond=None)[0]
    return Fields(centre, half, np.ascontiguousarray(found.reshape(len(_POWERS), len(shifts_mm), 2).transpose(1, 2, 0)))


def field_values(fields: Fields, places_mm: Array) -> tuple[Array, Array]:
    """Shifts (r, 2, n) at places of shape (n, 2), and their derivatives by the place, (2, r, 2, n)."""
    u = (places_mm - fields.centre_mm) / fields.half_mm
    inside = np.clip(u, -FARTHEST, FARTHEST)
    at, by_x, by_y = _monomials(inside)
    free = (inside == u) / fields.half_mm
    c = fields.coefficients
    return c @ at.T, np.stack([(c @ by_x.T) * free[:, 0], (c @ by_y.T) * free[:, 1]])


@dataclass(frozen=True)
class MarkRows:
    """Equations of one sheet's marks.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        Row of each mark's x; y is the next.
    across, up : ndarray of int, shape (n,)
        Slots of each point's two coordinates in this view.
    sign : ndarray, shape (n,)
        From the slot to the sheet's own direction.
    shift_x, shift_y, turn : int
        Slots of where the sheet lies.
    errors : ndarray of int, shape (r,)
        Slots of the shared errors, in σ.
    fields : Fields
        Their shifts.
    """

    rows: Index
    across: Index
    up: Index
    sign: Array
    shift_x: int
    shift_y: int
    turn: int
    errors: Index
    fields: Fields

    def add(self, q: Array, f: Array, jac: Array) -> None:
        """Add the model's values to `f` and their derivatives to `jac`, in mm."""
        h, v = self.sign * q[self.across], q[self.up]
        c, s = np.cos(q[self.turn]), np.sin(q[self.turn])
        turned = np.stack([c * h - s * v, s * h + c * v])
        place = turned + np.array([[q[self.shift_x]], [q[self.shift_y]]])
        eta = q[self.errors]
        shift, by_place = field_values(self.fields, place.T)
        moved = place + np.tensordot(eta, shift, 1)
        # derivative of the moved place by the place: one plus what the fields add
        grow = np.eye(2)[:, :, None] + np.einsum("k,dkan->adn", eta, by_place)
        directions = (
            (self.across, self.sign * np.stack([np.full_like(h, c), np.full_like(h, s)])),
            (self.up, np.stack([np.full_like(h, -s), np.full_like(h, c)])),
            (np.full_like(self.rows, self.turn), np.stack([-turned[1], turned[0]])),
            (np.full_like(self.rows, self.shift_x), np.stack([np.ones_like(h), np.zeros_like(h)])),
            (np.full_like(self.rows, self.shift_y), np.stack([np.zeros_like(h), np.ones_like(h)])),
        )
        for axis in (0, 1):
            f[self.rows + axis] += moved[axis]
            for slot, by in directions:
                np.add.at(jac, (self.rows + axis, slot), np.einsum("dn,dn->n", grow[axis], by))
            for k, slot_k in enumerate(self.errors):
                jac[self.rows + axis, slot_k] += shift[k, axis]
