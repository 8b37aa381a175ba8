"""What a survey hands on: points, numbers for the machine file, readings checked, and what is open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.survey.places import PointName
from leanmix.survey.readings import Reading
from leanmix.survey.words import Open

__all__ = ["Advice", "Checked", "Found", "PlacedPoint", "Solution"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PlacedPoint:
    """Where a point came out.

    Parameters
    ----------
    point : PointName
        Side "left" stands for both where the sides are alike.
    plain : str
        Its name in sentences.
    both : bool
        Whether it holds for both sides.
    out_mm, up_mm : float
        In the machine file's frame.
    covariance_mm2 : ndarray, shape (2, 2)
        Of (out, up).
    ellipse_mm : tuple of float
        Half-axes of the 95 % ellipse, longer first.
    held : bool
        False where some direction is still open.
    """

    point: PointName
    plain: str
    both: bool
    out_mm: float
    up_mm: float
    covariance_mm2: Array
    ellipse_mm: tuple[float, float]
    held: bool


@dataclass(frozen=True, slots=True)
class Found:
    """A number for the machine file: key with the side written out, value, 95 % tolerance, origin.

    `at` and `tol` are in the unit that ends the key. `held` is False while the readings leave it open; `tied` marks a part's corner that sits on a named point and
    only follows it.
    """

    key: str
    at: float
    tol: float
    source: str
    held: bool
    tied: bool = False


@dataclass(frozen=True, slots=True)
class Checked:
    """One reading beside what all the others say.

    Parameters
    ----------
    words : str
        The reading in words.
    reads, others_say : float
        What it read, and what follows from the rest [mm or deg]; for a mark, 0 and how far it lies off [mm].
    unit : str
        "mm" or "deg".
    off : float
        reads − others_say.
    chance : float
        Probability of so large a disagreement by chance.
    checked : float
        Share of its variance that other readings check; near 0 a gross error in it cannot be seen.
    aside : bool
        Set aside as a gross error.
    or_else : bool
        Setting this one aside instead would do about as well.
    reading : Reading or None
        None for a mark on a sheet.
    """

    words: str
    reads: float
    others_say: float
    unit: str
    off: float
    chance: float
    checked: float
    aside: bool
    or_else: bool
    reading: Reading | None


@dataclass(frozen=True)
class Solution:
    """A solved survey.

    Parameters
    ----------
    points : tuple of PlacedPoint
        Every point that a reading names.
    numbers : tuple of Found
        What can go into the machine file.
    covariance : ndarray, shape (numbers, numbers)
        Of `numbers`, in their own units, over what is held.
    readings : tuple of Checked
        Every reading and mark.
    open : tuple of Open
        What is not determined yet.
    either : tuple of Open
        Points that fit in two places, where the machine file's picture decided which.
    unmeasured : tuple of str
        Places of the front view that no reading names.
    widened : float
        By how much all tolerances were widened, because the readings disagree more than they should; 1 if not.
    freedom : int
        How many readings there are beyond what is needed.
    converged : bool
        False where no solution was settled on.
    """

    points: tuple[PlacedPoint, ...]
    numbers: tuple[Found, ...]
    covariance: Array
    readings: tuple[Checked, ...]
    open: tuple[Open, ...]
    either: tuple[Open, ...]
    unmeasured: tuple[str, ...]
    widened: float
    freedom: int
    converged: bool

    @property
    def aside(self) -> tuple[Checked, ...]:
        """Readings set aside as gross errors."""
        return tuple(c for c in self.readings if c.aside)


@dataclass(frozen=True)
class Advice:
    """One possible next reading and what it would tell.

    Parameters
    ----------
    reading : Reading
        What to measure; `reads` is what it should show by the present solution.
    words : str
        The same in words.
    share : float
        Share of the figure's variance it would take away, 0 to 1.
    tol_before, tol_after : float
        95 % tolerance of the figure without and with it, in the figure's unit.
    """

    reading: Reading
    words: str
    share: float
    tol_before: float
    tol_after: float
