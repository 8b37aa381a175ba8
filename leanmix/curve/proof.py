"""The proof: every possible input count through the C core, at rest and in motion, held against every stop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.curve.caps import WayLimit, servo_errors, worst_throw_deg
from leanmix.curve.table import Table
from leanmix.errors import NotProved
from leanmix.mixer import Image, lookup, run

__all__ = ["ALL_INPUTS", "Check", "ProvedTable", "prove", "worst_case"]

Array = NDArray[np.float64]
Pulses = NDArray[np.uint16]

ALL_INPUTS = 65536
AMOUNTS = (0, 64, 128, 192, 255, 256)
LOST_FRAMES = 300
# Half a degree of arm at 10 µs a degree: past that the table is not what was asked for. What a table usually
# reaches (0.5 µs) is a goal of the fit, stated beside it, and no matter of safety.
FAITHFUL_US = 5.0


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was proved, or was not.

    Parameters
    ----------
    name : str
        What was checked, in words.
    passed : bool
        Whether it held for every input.
    figure : str
        The worst figure met, with its unit.
    inputs : int
        How many inputs or frames went through the core for it.
    """

    name: str
    passed: bool
    figure: str
    inputs: int


@dataclass(frozen=True, slots=True)
class ProvedTable:
    """A table that passed its proof; only `prove` makes one.

    Parameters
    ----------
    image : Image
        The table.
    data : bytes
        The image's bytes, as flashed.
    checks : tuple of Check
        What was proved.
    """

    image: Image
    data: bytes
    checks: tuple[Check, ...]


def prove(table: Table, left: WayLimit, right: WayLimit) -> ProvedTable:
    """Prove a table against a machine's stops.

    Parameters
    ----------
    table : Table
        From `make_table`.
    left, right : WayLimit
        First block each way, from the stops.

    Raises
    ------
    NotProved
        Naming every check that failed, with its figure.
    """
    checks = worst_case(table, left, right)
    failed = [c for c in checks if not c.passed]
    if failed:
        raise NotProved(
            "The table is not proved: " + "; ".join(f"{c.name}: {c.figure}" for c in failed) + ".",
            "Ask for less lean, or set an earlier cap in [limits].",
        )
    return ProvedTable(table.image, table.image.encode(), checks)


def worst_case(table: Table, left: WayLimit, right: WayLimit) -> tuple[Check, ...]:
    """Run every check of the proof and hand back the figures, passed or not; see `prove`."""
    image = table.image
    everything = np.arange(ALL_INPUTS, dtype=np.uint16)
    steady = [np.stack([lookup(image, everything, i, a) for a in AMOUNTS]) for i in range(len(image.outputs))]
    moving = _motion(image)
    return (
        _inside_caps(image, steady, moving),
        *_clear_of_stops(table, left, right, steady, moving),
        _slew(image, moving),
        _rises(table, steady),
        _start_and_failsafe(image),
        _accuracy(table),
    )


def _motion(image: Image) -> list[Pulses]:
    """Outputs of whole runs, each from start-up: every input upward, downward, jumping end to end, then lost."""
    up = np.arange(ALL_INPUTS, dtype=np.uint16)
    ends = np.tile(np.array([image.left_eighths, image.right_eighths], dtype=np.uint16), 2000)
    slow_ends = np.repeat(ends[:40], 100)
    lost = np.zeros(LOST_FRAMES, dtype=np.uint16)
    neutral = np.full(LOST_FRAMES, image.neutral_eighths, dtype=np.uint16)
    return [
        run(image, pulses).out_eighths
        for pulses in (
            np.concatenate([up, lost]),
            np.concatenate([up[::-1], lost]),
            np.concatenate([neutral, ends, slow_ends, lost, slow_ends]),
        )
    ]


def _inside_caps(image: Image, steady: list[Pulses], moving: list[Pulses]) -> Check:
    beyond = 0
    count = 0
    for i, output in enumerate(image.outputs):
        for pulses in (steady[i], *(m[:, i] for m in moving)):
            wide = pulses.astype(np.int64)
            beyond += int(np.sum((wide < output.cap_low_eighths) | (wide > output.cap_high_eighths)))
            count += wide.size
    return Check("no output beyond its caps, by not one count", beyond == 0, f"{beyond} outputs beyond", count)


def _clear_of_stops(
    table: Table, left: WayLimit, right: WayLimit, steady: list[Pulses], moving: list[Pulses]
) -> tuple[Check, Check]:
    most, least, count = -np.inf, np.inf, 0
    for i, error in enumerate(servo_errors(table.plan.machine, table.plan.numbers)):
        for pulses in (steady[i], *(m[:, i] for m in moving)):
            low, high = worst_throw_deg(error, np.unique(pulses) / 8)
            most, least, count = max(most, float(high.max())), min(least, float(low.min())), count + pulses.size
    return (_way_clear("left", most, left, count), _way_clear("right", -least, right, count))


def _way_clear(way: str, reach_deg: float, limit: WayLimit, count: int) -> Check:
    room = min(limit.block_deg, limit.block_share_deg) - reach_deg
    name = f"leaning {way}, arm clear of every block at the worst end of calibration and tolerance"
    if np.isinf(room):
        return Check(name, True, f"arm to {reach_deg:.2f}°, nothing blocks", count)
    return Check(name, room >= 0, f"{room:.2f}° to spare before: {limit.block_what}", count)


def _slew(image: Image, moving: list[Pulses]) -> Check:
    worst, allowed, count = 0, True, 0
    for i, output in enumerate(image.outputs):
        for m in moving:
            step = np.abs(np.diff(m[:, i].astype(np.int64)))
            worst, count = max(worst, int(step.max())), count + len(step)
            allowed &= bool(step.max() <= output.slew_eighths)
    return Check("no step larger than the slew limit", allowed, f"largest step {worst / 8:g} µs a frame", count)


def _rises(table: Table, steady: list[Pulses]) -> Check:
    """More steer never gives less lean: the outputs run one way over the inputs."""
    turned, count = 0, 0
    towards_left = table.image.left_eighths > table.image.right_eighths
    for i, error in enumerate(servo_errors(table.plan.machine, table.plan.numbers)):
        sign = (1 if float(error.calibration.us_per_rad) > 0 else -1) * (1 if towards_left else -1)
        full = steady[i][-1].astype(np.int64)
        turned += int(np.sum(sign * np.diff(full) < 0))
        count += full.size
    return Check("more steer never gives less lean", turned == 0, f"{turned} inputs where it would", count)


def _start_and_failsafe(image: Image) -> Check:
    worst, count = 0, 0
    for held in (image.left_eighths, image.right_eighths):
        frames = np.concatenate([np.full(2000, held, dtype=np.uint16), np.zeros(LOST_FRAMES, dtype=np.uint16)])
        outputs = run(image, frames).out_eighths.astype(np.int64)
        blind = run(image, np.zeros(LOST_FRAMES, dtype=np.uint16)).out_eighths.astype(np.int64)
        for i, output in enumerate(image.outputs):
            steps = -(-abs(int(outputs[1999, i]) - output.failsafe_eighths) // output.slew_eighths)
            settled = outputs[2000 + image.failsafe_frames + steps :, i]
            worst = max(worst, int(np.abs(settled - output.failsafe_eighths).max(initial=0)))
            worst = max(worst, int(np.abs(blind[:, i] - output.neutral_eighths).max()))
            worst = max(worst, abs(int(outputs[0, i]) - output.neutral_eighths) - output.slew_eighths)
            count += len(frames) + len(blind)
    return Check(
        "starts at neutral; goes to neutral at the slew limit when steering is lost",
        worst == 0, f"{worst / 8:g} µs off", count,
    )  # fmt: skip


def _accuracy(table: Table) -> Check:
    fit = table.fit
    passed = max(fit.error_us, fit.knee_error_us) <= FAITHFUL_US
    figure = f"worst {fit.error_us:.2f} µs, at a knee {fit.knee_error_us:.2f} µs"
    return Check("table close to the exact mapping", passed, figure, fit.inputs)
