"""Screws, rods and sliding fits: the tables of the trade, and whether a machine's own go together.

Sources: ISO 4762 (cap screws), ISO 273 (clearance holes), ISO 2768-1 (general tolerances), DIN 974-1
(counterbores). Limits without a standard (how deep a screw must bite) are common practice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from leanmix.errors import Finding
from leanmix.machine.schema import Machine
from leanmix.machine.shapes import Screw
from leanmix.machine.side import Side

__all__ = [
    "CAP_SCREWS",
    "LENGTHS_MM",
    "CapScrew",
    "RodFit",
    "ScrewFit",
    "SlideFit",
    "fastener_errors",
    "fastener_remarks",
    "general_tolerance_mm",
    "length_tolerance_mm",
    "plastic_hole_mm",
    "rod_fit",
    "screw_fit",
    "slide_fit",
]


@dataclass(frozen=True, slots=True)
class CapScrew:
    """Sizes of a hexagon socket head cap screw and its holes, all in mm.

    Attributes
    ----------
    diameter_mm, pitch_mm : float
        Thread.
    head_mm, head_knurled_mm, head_height_mm, socket_mm : float
        ISO 4762: head across (plain, and knurled at its largest), height, key size.
    hole_fine_mm, hole_medium_mm, hole_coarse_mm : float
        ISO 273 clearance holes.
    counterbore_mm : float
        DIN 974-1, series 1: width of the counterbore.
    """

    diameter_mm: float
    pitch_mm: float
    head_mm: float
    head_knurled_mm: float
    head_height_mm: float
    socket_mm: float
    hole_fine_mm: float
    hole_medium_mm: float
    hole_coarse_mm: float
    counterbore_mm: float

    @property
    def counterbore_depth_mm(self) -> float:
        """Depth that lets the head sit just below the face: head height and 0.4 mm (DIN 974-1's allowance)."""
        return self.head_height_mm + 0.4


CAP_SCREWS = {
    "M2": CapScrew(2.0, 0.4, 3.8, 3.98, 2.0, 1.5, 2.2, 2.4, 2.6, 4.4),
    "M2.5": CapScrew(2.5, 0.45, 4.5, 4.68, 2.5, 2.0, 2.7, 2.9, 3.1, 5.5),
    "M3": CapScrew(3.0, 0.5, 5.5, 5.68, 3.0, 2.5, 3.2, 3.4, 3.6, 6.5),
    "M4": CapScrew(4.0, 0.7, 7.0, 7.22, 4.0, 3.0, 4.3, 4.5, 4.8, 8.0),
    "M5": CapScrew(5.0, 0.8, 8.5, 8.72, 5.0, 4.0, 5.3, 5.5, 5.8, 10.0),
}
# sold lengths: ISO 4762's and those that model shops keep besides (14, 18, 22)
LENGTHS_MM = (3, 4, 5, 6, 8, 10, 12, 14, 16, 18, 20, 22, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 80, 90, 100)

# how deep a screw bites, in diameters (common practice): at least, and past which more is of no use
_BITE = {"plastic": (2.0, 3.0), "metal": (1.0, math.inf), "nut": (0.8, math.inf)}
_TOUCH_MM = 1e-9
# ISO 2768-1, class m: sizes over the first number up to the second
_MEDIUM = ((0.5, 6, 0.1), (6, 30, 0.2), (30, 120, 0.3), (120, 400, 0.5), (400, 1000, 0.8), (1000, 2000, 1.2))


def general_tolerance_mm(size_mm: float) -> float:
    """± for a machined size `size_mm` [mm] without its own tolerance, ISO 2768-1 class m [mm]; 0.5 mm to 2 m.

    Raises
    ------
    ValueError
        Outside 0.5 mm to 2 m.
    """
    if size_mm >= 0.5:
        for _, top, tol in _MEDIUM:
            if size_mm <= top:
                return tol
    raise ValueError(f"{size_mm:g} mm is not within ISO 2768-1's 0.5 mm to 2000 mm")


def length_tolerance_mm(length_mm: float) -> float:
    """± on a cap screw's length `length_mm` [mm]: js15 as in ISO 4762, from memory (10 mm: 0.29; 14 mm: 0.35) [mm]."""
    for top, tol in ((3, 0.2), (6, 0.24), (10, 0.29), (18, 0.35), (30, 0.42), (50, 0.5), (80, 0.6)):
        if length_mm <= top:
            return tol
    return 0.7


def plastic_hole_mm(thread: str) -> float:
    """Hole for a screw that cuts its own thread in plastic: 0.85 of the diameter (plastic-fastener guides) [mm]."""
    return 0.85 * CAP_SCREWS[thread].diameter_mm


@dataclass(frozen=True, slots=True)
class ScrewFit:
    """How a screw sits in its stack.

    Attributes
    ----------
    stack_mm : float
        Head seat to the far end of the thread.
    bite_mm, bite_d : float
        Length of screw in the thread, in mm and in diameters.
    stands_out_mm : float
        How far the tip is past the thread; negative: how far short of it.
    tol_mm : float
        ± on `stands_out_mm` from the tolerances in the file; 0 where there are none.
    right_mm : float or None
        The sold length that suits; None where none does.
    """

    stack_mm: float
    bite_mm: float
    bite_d: float
    stands_out_mm: float
    tol_mm: float
    right_mm: float | None


def screw_fit(screw: Screw) -> ScrewFit:
    """Work out how a screw sits: bite, stand-out, and which sold length suits best."""
    clamped, threaded = screw.clamped_mm.at, screw.threaded_mm.at
    d = CAP_SCREWS[screw.thread].diameter_mm
    bite = max(0.0, min(screw.length_mm.at - clamped, threaded))
    tol = math.hypot(*(m.tol or 0.0 for m in (screw.length_mm, screw.clamped_mm, screw.threaded_mm)))
    low = _least_bite_mm(screw)
    closed = screw.beyond != "open"
    fits = [
        float(length)
        for length in LENGTHS_MM
        if length - clamped >= low - _TOUCH_MM and not (closed and length > clamped + threaded + _TOUCH_MM)
    ]
    # behind open air the shortest that bites is enough; before a slide or a blind end the longest bites best
    right = (max(fits) if closed else min(fits)) if fits and low <= threaded + _TOUCH_MM else None
    return ScrewFit(clamped + threaded, bite, bite / d, screw.length_mm.at - clamped - threaded, tol, right)


def _least_bite_mm(screw: Screw) -> float:
    return _BITE[screw.into][0] * CAP_SCREWS[screw.thread].diameter_mm


@dataclass(frozen=True, slots=True)
class RodFit:
    """A link's rod.

    Attributes
    ----------
    cut_mm : float
        Rod to cut.
    bare_mm : float
        Rod to be seen between the two ends; the ends meet where it is 0.
    thread_in_d : float
        Thread in each end, in rod diameters.
    """

    cut_mm: float
    bare_mm: float
    thread_in_d: float


def rod_fit(link_mm: float, rod_end_mm: float, thread_in_mm: float, diameter_mm: float) -> RodFit:
    """Rod for a link: ball to ball less both ends, and the thread inside each end on top [mm].

    Ball to ball 60, ends 9 (ball centre to face), 6 of thread in each: 42 bare, 54 to cut.
    All in mm: `link_mm`, `rod_end_mm`, `thread_in_mm` and the rod's `diameter_mm`.
    """
    bare = link_mm - 2 * rod_end_mm
    return RodFit(bare + 2 * thread_in_mm, bare, thread_in_mm / diameter_mm)


@dataclass(frozen=True, slots=True)
class SlideFit:
    """Play of a mount in its guide.

    Attributes
    ----------
    clearance_mm, least_mm, most_mm : float
        Nominal play across, and its bounds with the file's tolerance (never below 0).
    rock_deg : float
        How far the mount can tilt within the nominal play.
    """

    clearance_mm: float
    least_mm: float
    most_mm: float
    rock_deg: float


def slide_fit(side: Side) -> SlideFit:
    """Play across and rock of one side's mount: tan(rock) = clearance / bearing length."""
    c, tol = side.guide.clearance_mm.at, side.guide.clearance_mm.tol or 0.0
    rock = math.degrees(math.atan2(c, side.guide.bearing_length_mm.at))
    return SlideFit(c, max(0.0, c - tol), c + tol, rock)


def fastener_errors(machine: Machine, links_mm: Mapping[str, float] | None = None) -> tuple[Finding, ...]:
    """Screws that bind a slide, bottom out or hold nothing, and rods that cannot be made.

    Parameters
    ----------
    machine : Machine
        What to check.
    links_mm : mapping of str to float, optional
        "left" and "right": link lengths [mm] worked out where the file leaves them out.
    """
    return (*_each_screw(machine, _screw_error), *_rods(machine, links_mm or {}, errors=True))


def fastener_remarks(machine: Machine) -> tuple[Finding, ...]:
    """Screws, rods and fits that hold but are not what the trade would choose."""
    return (*_each_screw(machine, _screw_remark), *_rods(machine, {}, errors=False), *_slides(machine))


_Judge = Callable[[Screw, ScrewFit], tuple[str, str] | None]


def _each_screw(machine: Machine, judge: _Judge) -> Iterator[Finding]:
    for i, screw in enumerate(machine.screws):
        found = judge(screw, screw_fit(screw))
        if found is not None:
            yield Finding(f"screw.{i}.length_mm", f'"{screw.name}": {found[0]}', found[1])


def _mm(value: float) -> str:
    return f"{round(value, 2) + 0.0:g} mm"


def _instead(screw: Screw, fit: ScrewFit) -> str:
    if fit.right_mm is not None:
        bite = min(fit.right_mm - screw.clamped_mm.at, screw.threaded_mm.at)
        d = CAP_SCREWS[screw.thread].diameter_mm
        return f"The right length is {_mm(fit.right_mm)} ({_mm(bite)} of thread, {bite / d:.1f} diameters)."
    low = _least_bite_mm(screw)
    if low > screw.threaded_mm.at + _TOUCH_MM:
        return (
            f"The thread is only {_mm(screw.threaded_mm.at)} deep; "
            f"{screw.thread} in {_material(screw)} wants {_mm(low)}."
        )
    least, most = screw.clamped_mm.at + low, fit.stack_mm
    span = _mm(most) if most - least < 0.05 else f"from {_mm(least)} to {_mm(most)}"
    advice = f"The right length is {span}: dress a longer one to it"
    seat = screw.length_mm.at - fit.stack_mm
    if screw.length_mm.at in LENGTHS_MM and 0 < seat < CAP_SCREWS[screw.thread].head_height_mm:
        return f"{advice}, or sink this one's head {_mm(seat)} less."
    return f"{advice}."


def _material(screw: Screw) -> str:
    return "a nut" if screw.into == "nut" else screw.into


def _screw_error(screw: Screw, fit: ScrewFit) -> tuple[str, str] | None:
    length = _mm(screw.length_mm.at)
    if fit.bite_mm <= _TOUCH_MM:
        return f"{length} does not reach its thread, {_mm(screw.clamped_mm.at)} under the head.", _instead(screw, fit)
    if fit.stands_out_mm > _TOUCH_MM and screw.beyond != "open":
        out = f"{length} in a stack of {_mm(fit.stack_mm)}"
        if screw.beyond == "slide":
            return f"{out} stands out {_mm(fit.stands_out_mm)} into the slide and binds it.", _instead(screw, fit)
        return f"{out} meets the blind end before its head clamps.", _instead(screw, fit)
    return None


def _screw_remark(screw: Screw, fit: ScrewFit) -> tuple[str, str] | None:
    if _screw_error(screw, fit) is not None:
        return None
    low, high = _BITE[screw.into]
    d = CAP_SCREWS[screw.thread].diameter_mm
    if fit.bite_d < low - _TOUCH_MM:
        return (
            f"only {_mm(fit.bite_mm)} of thread, {fit.bite_d:.1f} diameters "
            f"({_material(screw)} wants {low:g} or more).",
            _instead(screw, fit),
        )
    if fit.bite_d > high + _TOUCH_MM:
        return (
            f"{_mm(fit.bite_mm)} of thread, {fit.bite_d:.1f} diameters: past {high:g} it drives hard and holds no better.",
            f"{_mm(high * d)} is enough.",
        )
    if screw.beyond == "slide" and fit.stands_out_mm + fit.tol_mm > _TOUCH_MM and fit.tol_mm > 0:
        return (
            f"may stand out {_mm(fit.stands_out_mm + fit.tol_mm)} into the slide, with the tolerances given.",
            "Run the mount by hand before and after tightening; dress the tip where it stands out.",
        )
    return None


def _rods(machine: Machine, links_mm: Mapping[str, float], *, errors: bool) -> Iterator[Finding]:
    for name, side in _sides(machine, links_mm):
        link = side.link
        if link.thread_in_mm.at > link.rod_end_mm.at + _TOUCH_MM:
            if errors:
                yield Finding(
                    f"{name}.link.thread_in_mm",
                    f"{_mm(link.thread_in_mm.at)} of rod in an end that is {_mm(link.rod_end_mm.at)} from face to ball centre.",
                    "The rod would go through the ball: give less.",
                )
            continue
        fit = rod_fit(1.0, 0.0, link.thread_in_mm.at, link.rod_diameter_mm.at)
        if not errors and fit.thread_in_d < 1.5 - _TOUCH_MM:
            yield Finding(
                f"{name}.link.thread_in_mm",
                f"{_mm(link.thread_in_mm.at)} of thread in each end is {fit.thread_in_d:.1f} rod diameters.",
                f"{_mm(2 * link.rod_diameter_mm.at)} (2 diameters) holds better.",
            )
        length = links_mm.get(name) if link.length_mm is None else link.length_mm.at
        if errors and length is not None and length <= 2 * link.rod_end_mm.at:
            yield Finding(
                f"{name}.link.length_mm",
                f"{_mm(length)} leaves no rod between two ends of {_mm(link.rod_end_mm.at)}.",
                "Use shorter ends, or a longer link.",
            )


def _slides(machine: Machine) -> Iterator[Finding]:
    for name, side in _sides(machine):
        fit = slide_fit(side)
        if fit.least_mm <= 0:
            yield Finding(
                f"{name}.guide.clearance_mm",
                f"{_mm(fit.clearance_mm)} of play, less its tolerance, is none: the mount may bind as made.",
                "Dress the running faces to a free slip fit; the build sheet has a test-fit gauge.",
            )


def _sides(machine: Machine, links_mm: Mapping[str, float] = MappingProxyType({})) -> Iterator[tuple[str, Side]]:
    """Left, and right only where it differs in what is looked at here."""
    left, right = machine.left, machine.right
    yield "left", left
    if (left.link, left.guide, links_mm.get("left")) != (right.link, right.guide, links_mm.get("right")):
        yield "right", right
