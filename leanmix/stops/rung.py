"""What one rung of the ladder, its caps and its clearances are."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from leanmix.linkage import Array
from leanmix.stops.search import Kind

__all__ = ["Cap", "ClearanceCurve", "Stop"]


@dataclass(frozen=True, slots=True)
class Stop:
    """One rung of the ladder.

    Attributes
    ----------
    way : str
        "left" or "right": which way the machine leans when it comes.
    throw_deg : float
        Throw, ≥ 0 either way.
    kind, blocks, side, parts
        What it is; whether it stops the servo or is only touched; where; the names of the parts for a contact.
    pulses_us : tuple of float
        Pulse of each servo there.
    push_left_mm, push_right_mm : float
        Mounts down their guides, from where they were measured.
    at_mm : tuple of float
        Where it happens, in chassis axes: left of the centreline and up from the board as it lay at neutral.
    lean_deg : float
        Lean there, ≥ 0 the way it goes, by the balance that was handed in (`parked_balance` knows of no touch);
        NaN where that finds nothing to stand on.
    gain_deg : float or None
        Lean from here to the next stop: what removing this one gives. For a touch it is the lean that the same throw
        gives with nothing in the way. None for the last, and where a lean is unknown.
    says, cure : str
        In a builder's words: what happens, and what would help.
    """

    way: str
    throw_deg: float
    kind: Kind
    blocks: bool
    side: str
    parts: tuple[str, ...]
    pulses_us: tuple[float, ...]
    push_left_mm: float
    push_right_mm: float
    at_mm: tuple[float, float]
    lean_deg: float
    gain_deg: float | None
    says: str
    cure: str

    @property
    def lean_says(self) -> str:
        """Lean there in words."""
        return f"lean {self.lean_deg:.2f}°" if isfinite(self.lean_deg) else "past where a lean is held"


@dataclass(frozen=True, slots=True)
class Cap:
    """How far the arm may be sent one way, from one build's stops: the first block less the margin, or your own cap.

    Attributes
    ----------
    way : str
        "left" or "right".
    throw_deg, lean_deg : float
        ≥ 0 the way it goes.
    pulses_us : tuple of float
        Of each servo.
    why : str
        What set it.
    """

    way: str
    throw_deg: float
    pulses_us: tuple[float, ...]
    lean_deg: float
    why: str


@dataclass(frozen=True, slots=True)
class ClearanceCurve:
    """Distance between two parts over the throw.

    Attributes
    ----------
    parts : tuple of str
        The two.
    side : str
        Where.
    blocks : bool
        Whether a contact stops the servo.
    margin_mm : float
        What counts as touching.
    throw_deg, gap_mm : ndarray
        Distance of the surfaces; negative where they would overlap.
    """

    parts: tuple[str, str]
    side: str
    blocks: bool
    margin_mm: float
    throw_deg: Array
    gap_mm: Array
