"""The mixer worked out again in exact fractions, from firmware_tables/TABLE.md alone: what the C core is held against.

Nothing here calls the core. Images are plain dictionaries packed with `struct` and zlib's CRC-32.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field
from fractions import Fraction
from math import floor

HALF = Fraction(1, 2)


@dataclass
class ExactOutput:
    low: int
    high: int
    neutral: int
    failsafe: int
    slew: int
    knots: list[int]


@dataclass
class ExactImage:
    right: int
    neutral: int
    left: int
    accept_min: int
    accept_max: int
    outputs: list[ExactOutput]
    failsafe_frames: int = 10
    ramp_frames: int = 50
    amount: tuple[int, int, int] | None = None
    kind: int = 0
    hash: bytes = bytes(16)
    name: bytes = b""
    options: int | None = None
    format: int = 1
    count: int | None = None
    length: int | None = None
    tail: bytes = b""
    crc_flip: int = 0
    raw_amount: tuple[int, int, int] | None = None
    extra: dict[int, int] = field(default_factory=dict)


def pack(image: ExactImage) -> bytes:
    """Bytes by the tables of TABLE.md section 3; the odd fields exist to make bad images."""
    low, full, absent = image.raw_amount or image.amount or (0, 0, 256)
    options = image.options if image.options is not None else int(image.amount is not None)
    count = len(image.outputs) if image.count is None else image.count
    length = 60 + 76 * len(image.outputs) if image.length is None else image.length
    body = struct.pack(
        "<BBHBB8HBB16s16s",
        image.format,
        count,
        length,
        image.kind,
        options,
        image.right,
        image.neutral,
        image.left,
        image.accept_min,
        image.accept_max,
        low,
        full,
        absent,
        image.failsafe_frames,
        image.ramp_frames,
        image.hash,
        image.name,
    )
    for out in image.outputs:
        body += struct.pack("<5H", out.low, out.high, out.neutral, out.failsafe, out.slew)
        body += struct.pack("<33H", *out.knots)
    return body + struct.pack("<I", zlib.crc32(body) ^ image.crc_flip) + image.tail


def nearest(x: Fraction) -> int:
    """Whole number nearest to x >= 0, halves up."""
    return floor(x + HALF)


def position(image: ExactImage, pulse: int) -> int:
    u = nearest(abs(position_unrounded(image, pulse) - 4096))
    return 4096 + (u if position_unrounded(image, pulse) > 4096 else -u)


def position_unrounded(image: ExactImage, pulse: int) -> Fraction:
    """Steering position without any rounding."""
    toward_left = Fraction(pulse - image.neutral, image.left - image.neutral)
    toward_right = Fraction(pulse - image.neutral, image.right - image.neutral)
    if toward_left >= 0:
        return 4096 + 4096 * min(toward_left, Fraction(1))
    return 4096 - 4096 * min(toward_right, Fraction(1))


def table(out: ExactOutput, u: int) -> int:
    i, f = divmod(u, 256)
    if f == 0:
        return out.knots[i]
    rise = out.knots[i + 1] - out.knots[i]
    step = nearest(Fraction(abs(rise) * f, 256))
    return out.knots[i] + (step if rise >= 0 else -step)


def table_unrounded(out: ExactOutput, u: Fraction) -> Fraction:
    i = min(floor(u / 256), 31)
    return out.knots[i] + (out.knots[i + 1] - out.knots[i]) * (u / 256 - i)


def drawn_in(pulse: int, neutral: int, amount: int) -> int:
    off = nearest(Fraction(abs(pulse - neutral) * amount, 256))
    return neutral + (off if pulse >= neutral else -off)


def capped(out: ExactOutput, pulse: int) -> int:
    return min(max(pulse, out.low), out.high)


def steady(image: ExactImage, output: int, pulse: int, amount: int = 256) -> int:
    out = image.outputs[output]
    return capped(out, drawn_in(table(out, position(image, pulse)), out.neutral, amount))


def amount_of(image: ExactImage, pulse: int) -> int:
    if image.amount is None:
        return 256
    none, full, absent = image.amount
    if pulse == 0:
        return absent
    share = Fraction(pulse - none, full - none)
    return nearest(256 * min(max(share, Fraction(0)), Fraction(1)))


class ExactMixer:
    """TABLE.md section 2."""

    def __init__(self, image: ExactImage) -> None:
        self.image = image
        self.out = [o.neutral for o in image.outputs]
        self.target = list(self.out)
        self.ramp = 0
        self.bad = 0
        self.failsafe = False

    def step(self, pulse: int, amount: int = 256) -> list[int]:
        image = self.image
        if image.accept_min <= pulse <= image.accept_max:
            self.bad = 0
            self.failsafe = False
            self.ramp = min(self.ramp + 1, image.ramp_frames)
            amount = nearest(Fraction(amount * self.ramp, image.ramp_frames))
            self.target = [steady(image, i, pulse, amount) for i in range(len(image.outputs))]
        else:
            self.bad += 1
            self.failsafe = self.failsafe or self.bad >= image.failsafe_frames
        for i, out in enumerate(image.outputs):
            target = out.failsafe if self.failsafe else self.target[i]
            move = min(max(target - self.out[i], -out.slew), out.slew)
            self.out[i] = capped(out, self.out[i] + move)
        return list(self.out)
