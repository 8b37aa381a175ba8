"""A hole of a drawing."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Hole"]


@dataclass(frozen=True, slots=True)
class Hole:
    """A hole of a drawing.

    Parameters
    ----------
    x_mm, y_mm : float
        Centre, x right and y up.
    diameter_mm : float
        Smallest circle there.
    layer, label : str
        As in the drawing; "" where it has none.
    """

    x_mm: float
    y_mm: float
    diameter_mm: float
    layer: str
    label: str
