"""The mixer itself: arrays of steering pulses through the C core, with and without its state.

Every pulse is in 1/8 µs ("eighths"); arrays are uint16. A pulse of 0 means that none came in that frame.
"""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leanmix.mixer.image import AMOUNT_FULL, IMAGE_BYTES_MAX, OUTPUTS_MAX, Image
from leanmix.mixer.library import core

__all__ = ["Frames", "MixFlag", "MixerBatch", "amount_of", "lookup", "normalise", "run", "table"]

Pulses = NDArray[np.uint16]
Flags = NDArray[np.uint8]


class MixFlag(IntFlag):
    """What a mixer was doing in a frame (``LM_MIX_…``)."""

    FAILSAFE = 0x01
    RAMPING = 0x02
    BAD_INPUT = 0x04
    SLEWING = 0x08


def _u16(values: ArrayLike) -> Pulses:
    """Contiguous uint16, refusing what would wrap."""
    array = np.asarray(values)
    if array.dtype != np.uint16:
        if array.size and (array.min() < 0 or array.max() > 0xFFFF):
            raise ValueError("pulses and amounts must be within 0..65535")
        array = array.astype(np.uint16)
    return np.ascontiguousarray(array)


def _at(array: NDArray[np.generic]) -> ctypes.c_void_p:
    return ctypes.c_void_p(array.ctypes.data)


def normalise(image: Image, pulses_eighths: ArrayLike) -> Pulses:
    """Steering position 0 (full right) .. 4096 (neutral) .. 8192 (full left) of each pulse of `pulses_eighths` [1/8 µs], same shape."""
    pulses = _u16(pulses_eighths)
    out = np.empty_like(pulses)
    core().lmh_normalise(image.encode(), _at(pulses), pulses.size, _at(out))
    return out


def table(image: Image, positions: ArrayLike, output: int = 0) -> Pulses:
    """The bare table [1/8 µs] at steering `positions` 0..8192, any shape, before lean amount and caps."""
    _output_of(image, output)
    u = _u16(positions)
    if u.size and u.max() > 8192:
        raise ValueError("steering positions must be within 0..8192")
    out = np.empty_like(u)
    core().lmh_table(image.encode(), output, _at(u), u.size, _at(out))
    return out


def lookup(image: Image, pulses_eighths: ArrayLike, output: int = 0, amount_256ths: int = AMOUNT_FULL) -> Pulses:
    """Where an output settles for each steering pulse: calibration, table, lean amount, caps; no state.

    Parameters
    ----------
    image : Image
        The table.
    pulses_eighths : array_like of int
        Steering pulses [1/8 µs], any shape, 0..65535; beyond the calibration the ends hold.
    output : int
        0 or 1.
    amount_256ths : int
        Lean amount, 0..256.

    Returns
    -------
    ndarray of uint16
        Output pulses [1/8 µs], same shape.
    """
    _output_of(image, output)
    if not 0 <= amount_256ths <= AMOUNT_FULL:
        raise ValueError("the lean amount must be within 0..256")
    pulses = _u16(pulses_eighths)
    out = np.empty_like(pulses)
    core().lmh_lookup(image.encode(), output, _at(pulses), pulses.size, amount_256ths, _at(out))
    return out


def amount_of(image: Image, pulses_eighths: ArrayLike) -> Pulses:
    """Lean amount 0..256 for pulses of the second input, `pulses_eighths` [1/8 µs, any shape]; 0 stands for no pulse."""
    pulses = _u16(pulses_eighths)
    out = np.empty_like(pulses)
    core().lmh_amount(image.encode(), _at(pulses), pulses.size, _at(out))
    return out


def _output_of(image: Image, output: int) -> None:
    if output not in range(len(image.outputs)):
        raise ValueError(f"the image has no output {output}")


@dataclass(frozen=True, slots=True)
class Frames:
    """What a mixer put out, frame by frame.

    Parameters
    ----------
    out_eighths : ndarray of uint16
        Shape (frames, outputs) [1/8 µs].
    flags : ndarray of uint8
        Shape (frames,), bits of `MixFlag`.
    state : bytes
        The mixer's state after the last frame; give it to `run` to go on.
    """

    out_eighths: Pulses
    flags: Flags
    state: bytes


def run(
    image: Image,
    pulses_eighths: ArrayLike,
    valid: ArrayLike | None = None,
    amount_256ths: ArrayLike = AMOUNT_FULL,
    state: bytes | None = None,
) -> Frames:
    """Run one mixer over a series of frames, from start-up or from an earlier state.

    Parameters
    ----------
    image : Image
        The table.
    pulses_eighths : array_like of int, shape (frames,)
        Steering pulse of each frame [1/8 µs]; 0 = none came.
    valid : array_like of bool, shape (frames,), optional
        False where no pulse came in that frame.
    amount_256ths : array_like of int, shape () or (frames,)
        Lean amount, 0..256.
    state : bytes, optional
        `Frames.state` of an earlier run under the same image.

    Returns
    -------
    Frames
    """
    pulses = _u16(pulses_eighths).ravel()
    if valid is not None:
        pulses = np.where(np.asarray(valid, dtype=bool), pulses, np.uint16(0))
    amounts = _u16(np.broadcast_to(_u16(amount_256ths), pulses.shape))
    data = image.encode()
    mix = ctypes.create_string_buffer(core().lmh_mix_bytes())
    if state is None:
        core().lmh_start(mix, 1, data, 0)
    elif len(state) == len(mix):
        mix.raw = state
    else:
        raise ValueError("not a mixer's state")
    out = np.empty((pulses.size, OUTPUTS_MAX), np.uint16)
    flags = np.empty(pulses.size, np.uint8)
    core().lmh_run(mix, data, _at(pulses), _at(amounts), pulses.size, _at(out), _at(flags))
    return Frames(out[:, : len(image.outputs)], flags, mix.raw)


class MixerBatch:
    """Many independent mixers, stepped together: one steering pulse each, one frame at a time.

    Parameters
    ----------
    images : Image or sequence of Image
        One image for all, or one a mixer.
    count : int, optional
        Number of mixers; needed with a single image.
    """

    def __init__(self, images: Image | Sequence[Image], count: int | None = None) -> None:
        if isinstance(images, Image):
            if count is None:
                raise ValueError("say how many mixers run this image")
            data, self._stride = images.encode(), 0
        else:
            data, self._stride = b"".join(i.encode().ljust(IMAGE_BYTES_MAX, b"\0") for i in images), IMAGE_BYTES_MAX
            if count not in (None, len(images)):
                raise ValueError("as many images as mixers, or one for all")
            count = len(images)
        self._images = np.frombuffer(data, np.uint8)
        self.count = count
        self._mixes = np.zeros(count * core().lmh_mix_bytes(), np.uint8)
        self.restart()

    def restart(self) -> None:
        """Start every mixer at neutral, its ramp before it."""
        core().lmh_start(_at(self._mixes), self.count, _at(self._images), self._stride)

    def step(self, pulses_eighths: ArrayLike, amounts_256ths: ArrayLike = AMOUNT_FULL) -> tuple[Pulses, Flags]:
        """One frame of every mixer.

        Parameters
        ----------
        pulses_eighths, amounts_256ths : array_like of int, shape () or (count,)
            Steering pulse [1/8 µs] (0 = none) and lean amount [1/256] of each mixer.

        Returns
        -------
        out_eighths : ndarray of uint16, shape (count, 2)
            Output pulses [1/8 µs]; 0 where an image has no second output.
        flags : ndarray of uint8, shape (count,)
            Bits of `MixFlag`.
        """
        pulses = _u16(np.broadcast_to(_u16(pulses_eighths), (self.count,)))
        amounts = _u16(np.broadcast_to(_u16(amounts_256ths), (self.count,)))
        out = np.empty((self.count, OUTPUTS_MAX), np.uint16)
        flags = np.empty(self.count, np.uint8)
        core().lmh_step(
            _at(self._mixes),
            self.count,
            _at(self._images),
            self._stride,
            _at(pulses),
            _at(amounts),
            _at(out),
            _at(flags),
        )
        return out, flags
