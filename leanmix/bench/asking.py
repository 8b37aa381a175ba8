"""Who is asked on a bench walk, what is asked, what is to be done, and what came of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from leanmix.bench.moves import CREEP_US, SAG_V, Moment
from leanmix.journal import Reading

__all__ = ["CAUTIONS", "Ask", "Builder", "Plan", "WalkReport"]

CAUTIONS = (
    "The machine stands on a stand, runners and drive off the ground.",
    "The transmitter is on, its wheel let go, and nobody touches it unless asked.",
    "The drive motor is disconnected: nothing can spin.",
    "Fingers, sleeves and cables are clear of the linkage; it pinches, and a stalled servo burns.",
    "The battery is at room temperature and charged; a cold lithium cell is neither charged nor loaded hard.",
    "The servo's plug is within reach, to be pulled if anything binds, smells or hums.",
    "What the makers of your parts, your club and the place say comes first.",
)


@dataclass(frozen=True, slots=True)
class Ask:
    """A number wanted from the builder.

    Parameters
    ----------
    quantity, side : str
        As in `Reading`.
    text : str
        What to read, on which instrument.
    unit : str
        Unit of the answer.
    expected : float
        What the file has it to be.
    beside : str
        What stands beside it: pulse, throw, nearest clearance.
    """

    quantity: str
    side: str
    text: str
    unit: str
    expected: float
    beside: str


class Builder(Protocol):
    """Whoever stands at the bench."""

    def agrees(self, text: str, keep: Callable[[], Moment] | None = None) -> bool:
        """Whether the builder says yes to this; `keep`, where given, as for `reads`."""

    def chooses(self, text: str, choices: tuple[str, ...]) -> str:
        """One of the choices."""

    def reads(self, ask: Ask, keep: Callable[[], Moment]) -> float | None:
        """A number off an instrument; None to leave it out. `keep` must be called every tenth of a second meanwhile."""

    def stops(self, moment: Moment) -> bool:
        """Whether to stop now; asked at every small step, must not wait."""

    def told(self, text: str) -> None:
        """Show this."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to do on a walk.

    Parameters
    ----------
    points : int
        Pulses at which to read, each way up and down.
    angles, heights : bool
        Read arm angles by protractor; read eye heights by calipers.
    angle_tol_deg, height_tol_mm : float
        ± (95 %) of those readings.
    steering, search : bool
        Read the steering's range; search for the stops.
    creep_us, sag_V : float
        See `Mover`.
    """

    points: int = 5
    angles: bool = True
    heights: bool = True
    angle_tol_deg: float = 1.0
    height_tol_mm: float = 0.1
    steering: bool = True
    search: bool = True
    creep_us: float = CREEP_US
    sag_V: float = SAG_V


@dataclass(slots=True)
class WalkReport:
    """What a walk came to.

    Parameters
    ----------
    walk : str
        Its name, in the readings.
    readings : list of Reading
        All of them, in order.
    findings : list of str
        What differs from the file, or could not be done, a sentence each.
    done : bool
        Whether it went to its end.
    """

    walk: str
    readings: list[Reading] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)
    done: bool = False
