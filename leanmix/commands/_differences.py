"""A table difference in words and in JSON."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from leanmix.curve import TableDifference

__all__ = ["difference_json", "difference_lines", "lean_words", "steer_words"]


def lean_words(lean_deg: float) -> str:
    """A lean for people: never a bare sign."""
    if abs(lean_deg) < 0.005:
        return "upright"
    return f"{abs(lean_deg):.2f}° {'left' if lean_deg > 0 else 'right'}"


def steer_words(steer: float) -> str:
    """A steering position for people."""
    if abs(steer) < 1e-9:
        return "neutral"
    return f"{100 * abs(steer):.0f} % {'left' if steer > 0 else 'right'}"


def _pulse_words(pulses_us: Iterable[float]) -> str:
    words = ["off" if math.isnan(p) else f"{p:.1f}" for p in pulses_us]
    return " / ".join(words) + " µs"


def difference_lines(found: TableDifference | None) -> list[str]:
    """Lines that say what a new table would change."""
    if found is None:
        return ["The board runs no table yet: the servo gets no pulse."]
    if found.same:
        return ["The board runs this very table already."]
    lines = [
        f"Largest change: {found.worst_us:.2f} µs; {found.worst_lean_deg:.2f}° of lean at steering {steer_words(found.worst_steer)}."
    ]
    lines += [f"  {note}" for note in found.notes]
    lines.append(f"  {'steering':>12}  {'runs now':>24}  {'new table':>24}")
    for i, steer in enumerate(found.steer):
        if i % 2:
            continue
        old, new = _pulse_words(found.old_us[:, i]), _pulse_words(found.new_us[:, i])
        lines.append(
            f"  {steer_words(float(steer)):>12}  {old:>8} {lean_words(float(found.old_lean_deg[i])):>11}"
            f"  {new:>8} {lean_words(float(found.new_lean_deg[i])):>11}"
        )
    return lines


def difference_json(found: TableDifference) -> dict[str, Any]:
    """The difference with units in the key names."""
    return {
        "same": found.same,
        "worst_us": found.worst_us,
        "worst_lean_deg": found.worst_lean_deg,
        "worst_at_steer": found.worst_steer,
        "notes": list(found.notes),
        "steer": found.steer,
        "old_us": found.old_us,
        "new_us": found.new_us,
        "old_lean_deg_left": found.old_lean_deg,
        "new_lean_deg_left": found.new_lean_deg,
    }
