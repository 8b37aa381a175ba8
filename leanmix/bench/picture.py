"""A bench fit as a picture: what each reading is off, with its tolerance, by what was found and by the file."""

from __future__ import annotations

import numpy as np

from leanmix.bench.fit import BenchFit
from leanmix.drawing import Drawing, Series, Shape, Text, chart, moved

__all__ = ["fit_drawing"]

WIDE_MM, HIGH_MM, EDGE_MM = 92.0, 68.0, 8.0
ASIDE = 0.012
SIDEWAYS = {"longer": 1.0, "shorter": -1.0}
TITLES = {"arm_deg": ("arm angle off by", "deg"), "eye_up_mm": ("eye height off by", "mm")}


def fit_drawing(fit: BenchFit, title: str) -> Drawing:
    """Readings less what was found, over the pulse, for each side and instrument.

    Upright bars are readings with their ±; the flat line at nothing is the fit; the dashed line is what the file says.
    Readings left out as odd are crossed by no bar: they are listed beside the fit.
    """
    odd = {o.index for o in fit.odd}
    kinds = sorted({(r.quantity, r.side) for r in fit.readings})
    shapes: list[Shape] = []
    rows = (len(kinds) + 1) // 2
    height = rows * HIGH_MM + 2 * EDGE_MM + 8
    for place, (quantity, side) in enumerate(kinds):
        index = [i for i, r in enumerate(fit.readings) if (r.quantity, r.side) == (quantity, side) and i not in odd]
        if not index:
            continue
        pulse = np.array([fit.readings[i].pulse_us or 0.0 for i in index])
        at = np.array([fit.readings[i].at for i in index])
        tol = np.array([fit.readings[i].tol for i in index])
        off = at - fit.fit_says[index]
        order = np.argsort(pulse, kind="stable")
        # readings on the way up and down stand side by side
        aside = ASIDE * np.ptp(pulse) * np.array([SIDEWAYS.get(fit.readings[i].approach, 0.0) for i in index])
        bars_x = np.stack([pulse + aside, pulse + aside, np.full(len(pulse), np.nan)], axis=1).ravel()
        bars_y = np.stack([off - tol, off + tol, np.full(len(pulse), np.nan)], axis=1).ravel()
        # up and down differ by the free play: their middle, one value for each pulse
        pulses = np.unique(pulse)
        by_file = (fit.file_says[index] - fit.fit_says[index])[order]
        middle = np.array([np.mean(by_file[pulse[order] == p]) for p in pulses])
        what, unit = TITLES[quantity]
        drawn = chart(
            [
                Series("as found", pulses.tolist(), [0.0] * len(pulses)),
                Series("as the file has it", pulses.tolist(), middle.tolist()),
                Series("read", bars_x.tolist(), bars_y.tolist()),
            ],
            WIDE_MM,
            HIGH_MM - 6,
            f"pulse, {side} side [µs]",
            f"{what} [{unit}]",
        )
        x = EDGE_MM + (place % 2) * (WIDE_MM + EDGE_MM)
        y = height - EDGE_MM - 8 - (place // 2 + 1) * HIGH_MM
        shapes += [moved(s, x, y) for s in drawn]
    shapes.append(Text((EDGE_MM, height - EDGE_MM - 2), title, 4.0))
    return Drawing(2 * WIDE_MM + 3 * EDGE_MM, height, tuple(shapes), title)
