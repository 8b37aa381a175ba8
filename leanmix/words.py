"""How figures are written for people: every one with its unit, left and right in words, never a bare sign."""

from __future__ import annotations

import math

__all__ = ["count", "figure", "percent", "signed", "spot", "trimmed", "way", "with_unit"]

NONE = "—"


def figure(value: float | None, places: int = 1) -> str:
    """A number with so many decimals and a true minus sign; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return NONE
    text = f"{value:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def signed(value: float | None, places: int = 1) -> str:
    """As `figure`, with a plus sign where it is above nought."""
    text = figure(value, places)
    return f"+{text}" if value is not None and math.isfinite(value) and text[0] != "−" and float(text) != 0 else text


def with_unit(text: str, unit: str) -> str:
    """A figure and its unit as people write them: a degree sign close up, everything else apart."""
    if not unit:
        return text
    return f"{text}°" if unit == "deg" else f"{text} {unit}"


def way(value_deg: float | None, places: int = 1, unit: str = "°") -> str:
    """An angle `value_deg` [deg] with "left" or "right" for its sign (+ is left); neither where it rounds to nought."""
    if value_deg is None or not math.isfinite(value_deg):
        return NONE
    size = figure(abs(value_deg), places)
    if float(size) == 0:
        return f"{size}{unit}"
    return f"{size}{unit} {'left' if value_deg > 0 else 'right'}"


def percent(share: float | None, places: int = 0) -> str:
    """A share as a percentage."""
    return NONE if share is None or not math.isfinite(share) else f"{figure(100 * share, places)} %"


def trimmed(value: float) -> str:
    """A number as it stands in a file: as many digits as it has, nine at most."""
    return f"{value:.9g}".replace("-", "−")


def spot(out_mm: float, up_mm: float) -> str:
    """A point of the front view, `out_mm` and `up_mm` [mm]."""
    return f"{trimmed(out_mm)} mm out, {trimmed(up_mm)} mm up"


def count(number: int, thing: str) -> str:
    """A number of things in words."""
    return f"{number} {thing}{'' if number == 1 else 's'}"
