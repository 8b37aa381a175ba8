"""The table: the exact mapping fitted with 33 knots an output, and how far it is off, over every input count."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leanmix.curve.knots import KNOTS, MIDDLE, SEGMENT, fit_knots
from leanmix.curve.plan import Plan, held_throw_deg, plan_pulses_us, steer_of_pulse, wanted_throw_deg
from leanmix.mixer import AmountInput, Image, OutputTable, lookup, normalise

__all__ = ["Fit", "Table", "every_input", "make_table"]

Array = NDArray[np.float64]

# Worst error allowed, and at a knee: shared with the proof.
ERROR_US = 0.5
KNEE_ERROR_US = 1.0
KNEE_STEPS = 8
KNEE_GROWTH = 1.2
POLISH_PASSES = 6
AMOUNT_PULSES = (8 * 1100, 8 * 1900)


@dataclass(frozen=True, slots=True)
class Fit:
    """How far a table is from the exact mapping, over every input count between full right and full left.

    Parameters
    ----------
    inputs : int
        Input counts compared, 1/8 µs apart.
    error_us : float
        Worst error outside the knees [µs].
    knee_error_us : float
        Worst error at a knee [µs]; 0 where none is reached.
    knee_deg : float
        Knee used [deg].
    """

    inputs: int
    error_us: float
    knee_error_us: float
    knee_deg: float


@dataclass(frozen=True, slots=True)
class Table:
    """A table for one machine: not yet proved.

    Parameters
    ----------
    plan : Plan
        The exact mapping it stands for.
    image : Image
        The table itself.
    fit : Fit
        How far it is off.
    """

    plan: Plan
    image: Image
    fit: Fit


def every_input(plan: Plan) -> NDArray[np.uint16]:
    """Every steering pulse from one full lock to the other [1/8 µs]."""
    n = plan.numbers
    ends = sorted(round(8 * float(n[f"steering.pulse_{k}_us"])) for k in ("left", "right"))
    return np.arange(ends[0], ends[1] + 1, dtype=np.uint16)


def make_table(plan: Plan, machine_hash: bytes, *, widen_knee: bool = True) -> Table:
    """Fit the table of a plan.

    Parameters
    ----------
    plan : Plan
        The exact mapping.
    machine_hash : bytes
        SHA-256 of the machine file; its first 16 bytes travel in the image.
    widen_knee : bool
        Whether to widen the knee, step by step, until 33 knots hold it to 1 µs.

    Raises
    ------
    ImageError
        When the image cannot carry the machine's pulses.
    """
    pulses = every_input(plan)
    wanted = wanted_throw_deg(plan, steer_of_pulse(plan.numbers, pulses / 8))
    table = _fitted(plan, machine_hash, pulses, wanted)
    knee_deg = plan.knee_deg
    for _ in range(KNEE_STEPS if widen_knee else 0):
        if _badness(table.fit) <= 1:
            break
        knee_deg = max(knee_deg, 0.5) * KNEE_GROWTH
        wider = _fitted(replace(plan, knee_deg=knee_deg), machine_hash, pulses, wanted)
        table = min(table, wider, key=lambda t: _badness(t.fit))
    return table


def _fitted(plan: Plan, machine_hash: bytes, pulses: NDArray[np.uint16], wanted_deg: Array) -> Table:
    held_deg = held_throw_deg(plan, wanted_deg)
    exact = plan_pulses_us(plan, held_deg)
    knee = np.abs(held_deg - wanted_deg) > 1e-9
    blank = _image(plan, machine_hash, tuple(_flat(plan, i) for i in range(len(exact))))
    u = normalise(blank, pulses).astype(np.float64)
    outputs = tuple(_output(plan, blank.outputs[i], u, exact[i], knee) for i in range(len(exact)))
    image = replace(blank, outputs=outputs)
    off = np.max([np.abs(lookup(image, pulses, i) / 8 - exact[i]) for i in range(len(exact))], axis=0)
    return Table(plan, image, Fit(len(pulses), _worst(off[~knee]), _worst(off[knee]), plan.knee_deg))


def _badness(fit: Fit) -> float:
    """Worst error as a share of what is aimed at."""
    return max(fit.error_us / ERROR_US, fit.knee_error_us / KNEE_ERROR_US)


def _worst(errors: Array) -> float:
    return float(errors.max()) if len(errors) else 0.0


def _flat(plan: Plan, output: int) -> OutputTable:
    caps_deg = np.array([-plan.caps.right.throw_deg, 0.0, plan.caps.left.throw_deg])
    pulses = 8 * plan_pulses_us(plan, caps_deg)[output]
    neutral = round(float(pulses[1]))
    # caps are rounded towards neutral: never a count beyond what was allowed
    low, high = int(np.ceil(pulses.min() - 1e-9)), int(np.floor(pulses.max() + 1e-9))
    slew = max(1, int(8 * float(plan.numbers["board.slew_us_per_frame"])))
    return OutputTable((neutral,) * KNOTS, low, high, neutral, neutral, slew)


def _output(plan: Plan, flat: OutputTable, u: Array, exact_us: Array, knee: NDArray[np.bool_]) -> OutputTable:
    weight = np.where(knee, ERROR_US / KNEE_ERROR_US, 1.0)
    knots = fit_knots(u, 8 * exact_us, weight, flat.cap_low_eighths, flat.cap_high_eighths, flat.neutral_eighths)
    whole = np.clip(np.rint(knots), flat.cap_low_eighths, flat.cap_high_eighths).astype(int)
    return replace(flat, knots_eighths=_polished(whole, u, 8 * exact_us, weight, flat))


def _polished(knots: NDArray[np.int_], u: Array, wanted: Array, weight: Array, flat: OutputTable) -> tuple[int, ...]:
    """Move single knots by 1/8 µs where that lowers the worst error of the inputs they reach.

    Rounding each knot to its nearest count costs up to 1/16 µs that another count nearby does not.
    """
    places = [np.flatnonzero((u > SEGMENT * (i - 1)) & (u < SEGMENT * (i + 1))) for i in range(KNOTS)]
    grid = SEGMENT * np.arange(KNOTS, dtype=np.float64)

    def worst(i: int) -> float:
        here = places[i]
        if not len(here):
            return 0.0
        put_out = np.rint(np.interp(u[here], grid, knots))
        return float(np.max(weight[here] * np.abs(put_out - wanted[here])))

    sign = 1 if knots[-1] >= knots[0] else -1
    for _ in range(POLISH_PASSES):
        moved = False
        for i in range(KNOTS):
            if i == MIDDLE:
                continue
            best, at = worst(i), int(knots[i])
            for k in (at - 1, at + 1):
                before, after = knots[i - 1] if i else knots[0], knots[i + 1] if i + 1 < KNOTS else knots[-1]
                ordered = (i == 0 or sign * (k - before) >= 0) and (i + 1 == KNOTS or sign * (after - k) >= 0)
                fits = ordered and flat.cap_low_eighths <= k <= flat.cap_high_eighths
                knots[i] = k
                now = worst(i) if fits else np.inf
                if now < best - 1e-9:
                    best, moved = now, True
                    break
                knots[i] = at
        if not moved:
            break
    return tuple(int(k) for k in knots)


def _image(plan: Plan, machine_hash: bytes, outputs: tuple[OutputTable, ...]) -> Image:
    n, board = plan.numbers, plan.machine.board
    return Image(
        outputs=outputs,
        right_eighths=round(8 * float(n["steering.pulse_right_us"])),
        neutral_eighths=round(8 * float(n["steering.pulse_neutral_us"])),
        left_eighths=round(8 * float(n["steering.pulse_left_us"])),
        accept_min_eighths=round(8 * float(n["board.input_min_us"])),
        accept_max_eighths=round(8 * float(n["board.input_max_us"])),
        failsafe_frames=board.failsafe_frames,
        ramp_frames=board.ramp_frames,
        machine_hash=machine_hash[:16],
        name=_short(plan.machine.name),
        amount=AmountInput(*AMOUNT_PULSES) if board.amount_input else None,
    )


def _short(name: str) -> str:
    return name.encode()[:16].decode("utf-8", "ignore")
