"""Readings: what a builder measured, as plain values.

Kinds, each with what it reads:

=========  ==========================================================================  ====
pins       between the centres of two pins                                              mm
over       over the outsides of two pins; half of each diameter comes off               mm
inside     between the insides of two pins; half of each diameter goes on               mm
height     centre over the board                                                        mm
top        top of the pin over the board; half its diameter comes off                   mm
under      underside of the pin over the board; half its diameter goes on               mm
offset     out from the centreline, towards the own side                                mm
behind     how far the second point lies behind the first                               mm
level      line from the first to the second point against the board; + rises           deg
cant       line against the upright; + where the lower end lies further out             deg
corner     angle at the second of three points                                          deg
alike      left and right of a place agree (reads 0)                                    mm
=========  ==========================================================================  ====

A tolerance is the half-width of a 95 % interval (1.96 σ), as everywhere in the machine file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from leanmix.survey.places import Place, PointName
from leanmix.survey.sheets import NO_FIELDS, Fields

__all__ = ["KINDS", "SIGMAS_PER_TOL", "Kind", "Mark", "Reading", "Sheet", "Survey", "describe"]

# tol is the half-width of a 95 % interval of a normal distribution
SIGMAS_PER_TOL = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of reading: how many points, its unit, its usual tolerance `usual_tol` (95 %, in `unit`), and its words."""

    points: int
    unit: str
    usual_tol: float
    words: str
    diameters: int = 0


# usual tolerances are common practice: calipers on pins 0.2 mm, a height gauge or depth rod on a flat board
# 0.6 mm, a ruler against a stretched thread 1 mm, a protractor 1 deg
KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        "pins": Kind(2, "mm", 0.2, "{a} to {b}"),
        "over": Kind(2, "mm", 0.2, "over {a} and {b}", 2),
        "inside": Kind(2, "mm", 0.2, "between the insides of {a} and {b}", 2),
        "height": Kind(1, "mm", 0.6, "height of {a}"),
        "top": Kind(1, "mm", 0.6, "height of the top of {a}", 1),
        "under": Kind(1, "mm", 0.6, "height of the underside of {a}", 1),
        "offset": Kind(1, "mm", 1.0, "{a} from the centreline"),
        "behind": Kind(2, "mm", 0.6, "{b} behind {a}"),
        "level": Kind(2, "deg", 1.0, "slope from {a} to {b}"),
        "cant": Kind(2, "deg", 1.0, "cant of {a} to {b}"),
        "corner": Kind(3, "deg", 1.0, "angle at {b} between {a} and {c}"),
        "alike": Kind(1, "mm", 0.3, "{a} alike left and right"),
    }
)


@dataclass(frozen=True, slots=True)
class Reading:
    """One thing that was measured.

    Parameters
    ----------
    kind : str
        A key of `KINDS`.
    points : tuple of PointName
        As many as the kind needs.
    reads : float
        What the tool showed [mm or deg].
    tol : float or None
        Half-width of the 95 % interval; None for the usual one of the kind.
    behind_mm : float
        Distances only: how far the second end lies behind (or before) the first, so that a slanting
        reading is brought into the front view.
    aside : bool
        Left out by the builder.
    note : str
        His remark.
    line : int or None
        Line of the readings file.
    """

    kind: str
    points: tuple[PointName, ...]
    reads: float
    tol: float | None = None
    behind_mm: float = 0.0
    aside: bool = False
    note: str = ""
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """A point found on a sheet: x right and y up [mm] on the sheet, with its own 95 % tolerance [mm]."""

    point: PointName
    x_mm: float
    y_mm: float
    tol_mm: float


@dataclass(frozen=True)
class Sheet:
    """A picture or drawing brought to millimetres; where it lies on the machine is found by the survey.

    Parameters
    ----------
    name : str
        File name, for sentences.
    source : str
        "photo" or "drawing".
    view : str
        "front" or "side".
    mirrored : bool
        False where x runs towards the machine's left (front view taken from in front) or towards its rear
        (side view taken from the left); True where the picture was taken from the other side.
    marks : tuple of Mark
        What was clicked or read.
    shared : Fields
        Errors common to all marks (scale, slant, bow), as shifts over the sheet for one σ of each.
    """

    name: str
    source: str
    view: str
    mirrored: bool
    marks: tuple[Mark, ...]
    shared: Fields = NO_FIELDS


@dataclass(frozen=True)
class Survey:
    """All readings of one machine.

    Parameters
    ----------
    readings : tuple of Reading
        In the order given.
    sheets : tuple of Sheet
        Pictures and drawings.
    differ : tuple of str or None
        Places that differ left and right; None takes them from the machine file.
    diameters_mm : mapping
        Pin diameter by place name.
    usual : mapping
        Own usual tolerance by kind.
    """

    readings: tuple[Reading, ...] = ()
    sheets: tuple[Sheet, ...] = ()
    differ: tuple[str, ...] | None = None
    diameters_mm: Mapping[str, float] = field(default_factory=dict)
    usual: Mapping[str, float] = field(default_factory=dict)

    def tolerance(self, reading: Reading) -> float:
        """The 95 % tolerance that counts for a reading [mm or deg]."""
        if reading.tol is not None:
            return reading.tol
        return self.usual.get(reading.kind, KINDS[reading.kind].usual_tol)

    def pin_allowance_mm(self, reading: Reading) -> float:
        """What a reading over, inside, on top of or under pins shows beyond the centres [mm].

        Raises
        ------
        KeyError
            With the place's name, where its diameter is not known.
        """
        half = [self.diameters_mm[p.place] / 2 for p in reading.points] if KINDS[reading.kind].diameters else []
        sign = -1.0 if reading.kind in ("inside", "under") else 1.0
        return sign * math.fsum(half)


def describe(reading: Reading, places: Mapping[str, Place]) -> str:
    """A reading in words, e.g. "lower arm pivot to lower arm ball"."""
    names = [plain_name(p, places) for p in reading.points]
    return KINDS[reading.kind].words.format(**dict(zip("abc", names, strict=False)))


def plain_name(point: PointName, places: Mapping[str, Place]) -> str:
    """A point in words, with its side where one was given."""
    plain = places[point.place].plain
    return f"{point.side} {plain}" if point.side in ("left", "right") else plain
