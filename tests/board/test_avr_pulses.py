"""The firmware on the emulator: pulses in, pulses out, with noise, dropouts, a busy line and EEPROM writes."""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from leanmix.mixer import BoardCore, LiveFlag, Message, encode_frame, lookup, parse_live, request, request_write
from tests.board import exact
from tests.board.avr_bench import (
    AMOUNT,
    BYTE_CYCLES,
    FRAME,
    MS,
    RAM_END,
    RAM_START,
    SERVOS,
    STEERING,
    Emulator,
    pulse_train,
)
from tests.board.core_kit import Wire, as_image, plain, random_exact
from tests.conftest import DEEP

Figure = Callable[[str, object], None]
EDGE = 4  # cycles: an edge falls on an instruction's end in the emulator
PER_EIGHTH = 2  # cycles


def powered(spec: exact.ExactImage, *others: exact.ExactImage) -> Emulator:
    """A board that runs this image; the others are in it from before."""
    wire = Wire(BoardCore(kind=1))
    for each in (*others, spec):
        assert wire.upload(exact.pack(each)) == 0
    return Emulator(wire.board.storage)


def quick(**changes: object) -> exact.ExactImage:
    """No ramp, no slew limit to speak of: each frame stands alone."""
    spec = plain(ramp_frames=1, **changes)
    spec.outputs[0].slew = 16000
    return spec


def steer(board: Emulator, widths_eighths: object, period: int = FRAME, offset: int = 1000) -> NDArray[np.int64]:
    """Queue steering pulses; gives back where each ends [cycles]."""
    cycle, level = pulse_train(board.cycle + offset, np.asarray(widths_eighths) * PER_EIGHTH, period)
    board.queue(cycle, ord(STEERING[0]), STEERING[1], level)
    return cycle[1::2]


def live(board: Emulator) -> object:
    return parse_live(board.ask(lambda s: request(Message.LIVE, s)).body)


def test_power_up_starts_at_neutral_and_stays_inside_the_caps() -> None:
    for seed in range(8 if DEEP else 4):
        spec = random_exact(random.Random(seed), outputs=2)
        with powered(spec) as board:
            steer(board, [random.Random(seed).randint(4000, 20000) for _ in range(60)], offset=30 * MS)
            board.run(60 * FRAME)
            edges = board.edges()
        for pin, out in zip(SERVOS, spec.outputs, strict=True):
            start, width = edges.pulses(pin)
            assert start[0] <= 3 * FRAME
            assert abs(width[0] - PER_EIGHTH * out.neutral) <= EDGE
            assert width.min() >= PER_EIGHTH * out.low - EDGE
            assert width.max() <= PER_EIGHTH * out.high + EDGE
            assert np.abs(np.diff(width)).max() <= PER_EIGHTH * out.slew + 2 * EDGE


def test_a_board_without_an_image_sends_nothing() -> None:
    with Emulator() as board:
        steer(board, [12000] * 20)
        board.run(22 * FRAME)
        assert not np.isin(board.edges().pin, SERVOS).any()
        assert live(board).flags == LiveFlag.NO_IMAGE


def test_random_pulses_come_out_as_the_host_says(record_property: Callable[..., None]) -> None:
    """To one timer tick: the pulse measured may be a tick off, and so may the one sent."""
    rng = random.Random(3)
    two = quick(right=16000, left=8000)
    two.outputs = [
        quick().outputs[0],
        exact.ExactOutput(8000, 16000, 12000, 12000, 16000, [rng.randint(8000, 16000) for _ in range(33)]),
    ]
    count = 2000 if DEEP else 240
    sent = np.array([12000] * 40 + [rng.randrange(7001, 17000) for _ in range(count)])
    with powered(two) as board:
        board.run(5 * FRAME)
        ends = steer(board, sent)
        board.run((len(sent) + 2) * FRAME)
        edges = board.edges()
    image = as_image(two)
    worst = 0
    for output, pin in enumerate(SERVOS):
        start, width = edges.pulses(pin)
        carried = np.searchsorted(ends, start - MS) - 1  # outputs are worked out 1 ms before their frame
        settled = (carried >= 40) & (carried < len(sent) - 1)
        assert settled.sum() >= count - 2
        near = (
            np.stack([lookup(image, sent + d, output).astype(int) for d in (-1, 0, 1)])[:, carried[settled]]
            * PER_EIGHTH
        )
        off = np.maximum(near.min(axis=0) - width[settled], width[settled] - near.max(axis=0))
        worst = max(worst, int(off.max()))
    record_property(
        "figure",
        [
            "pulse out against host core, besides a count of the pulse measured",
            f"{worst} cycles",
            "one tick of the edges, 4",
        ],
    )
    assert worst <= EDGE


@pytest.mark.parametrize("period_ms", [20.0, 19.85, 20.2])
def test_pulses_go_out_within_one_frame(period_ms: float, record_property: Callable[..., None]) -> None:
    """Every pulse's width is its own, so that the output pulse that carries it is known; phases are random."""
    rng = random.Random(period_ms)
    worst = 0
    for _ in range(12 if DEEP else 4):
        with powered(quick()) as board:
            board.run(3 * FRAME + rng.randrange(FRAME))
            widths = np.array([8000 + 70 * ((i * 37) % 114) for i in range(114)])
            ends = steer(board, np.concatenate([np.full(60, 12000), widths]), int(period_ms * MS))[60:]
            board.run(int(178 * period_ms * MS))
            start, width = board.edges().pulses(SERVOS[0])
        expected = lookup(as_image(quick()), widths).astype(int) * PER_EIGHTH
        for end, wanted in zip(ends, expected, strict=True):
            carries = start[(start > end) & (np.abs(width - wanted) <= 4 * EDGE)]
            assert len(carries) > 0
            worst = max(worst, carries[0] - end)
    record_property(
        "figure",
        [
            f"input pulse's end to the output pulse that carries it, receiver at {period_ms} ms",
            f"{worst / MS:.2f} ms",
            "20",
        ],
    )
    assert worst <= FRAME


def test_failsafe_comes_within_its_stated_frames() -> None:
    spec = quick(failsafe_frames=6)
    spec.outputs[0].failsafe = 10000
    spec.outputs[0].slew = 800
    with powered(spec) as board:
        board.run(3 * FRAME)
        ends = steer(board, np.full(60, 16000))
        board.run(90 * FRAME)
        start, width = board.edges().pulses(SERVOS[0])
        assert live(board).flags == LiveFlag.FAILSAFE | LiveFlag.BAD_INPUT
    held = start[np.abs(width - PER_EIGHTH * 15200) <= EDGE]
    lost = held[-1] - ends[-1]
    assert 4 * FRAME < lost <= 6.2 * FRAME
    after = width[start > held[-1]]
    assert np.all(np.abs(after[:6] - PER_EIGHTH * (15200 - 800 * np.arange(1, 7))) <= EDGE)
    assert abs(after[-1] - PER_EIGHTH * 10000) <= EDGE


@pytest.mark.parametrize("width_ms", [0.4, 2.6, 3.9, 4.0, 4.1, 5.6, 5.7, 8.2, 9.7])
def test_pulses_out_of_range_are_as_good_as_none(width_ms: float) -> None:
    """Those past 4.096 ms would look like short ones to a 16-bit timer: 5.6 ms as 1.5 ms."""
    with powered(quick()) as board:
        board.run(3 * FRAME)
        steer(board, np.full(30, int(width_ms * 8000)))
        board.run(32 * FRAME)
        assert live(board).steer_eighths == 0
        assert live(board).flags & LiveFlag.FAILSAFE
        _, width = board.edges().pulses(SERVOS[0])
    assert np.all(np.abs(width - PER_EIGHTH * 12000) <= EDGE)


def test_second_input_scales_the_lean() -> None:
    spec = quick(amount=(8000, 16000, 256))
    with powered(spec) as board:
        board.run(3 * FRAME)
        got = []
        for pulse in (8000, 10000, 12000, 15000, 16000):
            steer(board, np.full(44, 16000))
            cycle, level = pulse_train(board.cycle + 5000, np.full(44, pulse * PER_EIGHTH))
            board.queue(cycle, ord(AMOUNT[0]), AMOUNT[1], level)
            board.run(41 * FRAME)
            values = live(board)
            assert values.flags & LiveFlag.AMOUNT
            assert abs(values.amount_256ths - exact.amount_of(spec, pulse)) <= 3
            got.append(values.outputs_eighths[0])
            assert got[-1] == exact.steady(spec, 0, values.steer_eighths, values.amount_256ths)
            board.run(3 * FRAME)
        assert got == sorted(got)


def busy_traffic(board: Emulator, frames: int, image: bytes, rng: random.Random) -> None:
    """Serial line full, steering full of glitches, EEPROM writing all the time, for so many frames."""
    start, end = board.cycle + 1000, board.cycle + frames * FRAME
    data = b""
    while len(data) * BYTE_CYCLES < end - start:
        data += encode_frame(request(Message.LIVE, 1)) + encode_frame(request_write(2, image)) + rng.randbytes(9)
    at = start + np.arange(len(data)) * BYTE_CYCLES + rng.randrange(BYTE_CYCLES)
    keep = at < end
    line = (at[keep], np.full(keep.sum(), ord("U")), np.zeros(keep.sum(), int), np.frombuffer(data, np.uint8)[keep])
    edges = np.cumsum([rng.randrange(60, 60_000) for _ in range(frames * 12)]) + start
    edges = edges[edges < end]
    pins = (edges, np.full(len(edges), ord("B")), np.zeros(len(edges), int), np.arange(len(edges)) % 2)
    both = [np.concatenate(pair) for pair in zip(line, pins, strict=True)]
    board.queue(*both)


def two_still() -> exact.ExactImage:
    """Whatever comes in, both outputs hold 1500 µs and 1400 µs: any change of width is jitter."""
    spec = quick()
    spec.outputs = [
        exact.ExactOutput(11999, 12001, 12000, 12000, 1, [12000] * 33),
        exact.ExactOutput(11199, 11201, 11200, 11200, 1, [11200] * 33),
    ]
    return spec


def test_output_jitter_and_interrupts_under_full_load(record_property: Callable[..., None]) -> None:
    spread, longest, stack = 0, {}, 0
    for seed in range(12 if DEEP else 3):
        rng = random.Random(seed)
        with powered(two_still(), quick()) as board:
            board.run(3 * FRAME + rng.randrange(FRAME))
            board.edges()
            writes = board.eeprom_writes
            busy_traffic(board, 80, exact.pack(random_exact(rng, outputs=2)), rng)
            board.run(82 * FRAME)
            assert board.eeprom_writes - writes > 150
            edges = board.edges()
            longest = {k: max(longest.get(k, 0), v) for k, v in board.longest_interrupts().items()}
            stack = max(stack, board.stack_bytes(RAM_START + 800))
            assert live(board).mode == 0
        for pin in SERVOS:
            start, width = edges.pulses(pin)
            assert len(width) >= 79
            spread = max(spread, int(width.max() - width.min()))
            assert abs(np.diff(start) / FRAME - 1).max() <= 0.0201
    worst = max(longest.values()) + 4  # the emulator leaves out the four cycles to the vector
    record_property("figure", ["output jitter under full load", f"{spread} cycles", "4"])
    record_property("figure", [f"longest interrupt ({max(longest, key=longest.get)})", f"{worst} cycles", "130"])
    record_property("figure", ["stack under full load", f"{stack} bytes", str(RAM_END - RAM_START)])
    assert spread <= EDGE
    assert worst <= 130


@pytest.mark.fault
@pytest.mark.parametrize("period_ms", [3.0, 7.0, 11.0, 14.0, 20.0, 22.0, 25.0])
def test_noise_and_wrong_rates_never_leave_caps_or_slew(period_ms: float, record_property: Callable[..., None]) -> None:
    rng = random.Random(period_ms)
    spec = random_exact(rng, outputs=2)
    for out in spec.outputs:
        out.slew = 200
    with powered(spec) as board:
        board.run(2 * FRAME)
        at = board.cycle + 1000
        cycles, levels = [], []
        for _ in range(int((120 if DEEP else 40) * 20 / period_ms)):
            width = rng.choice((0, rng.randrange(8000, 40001), rng.randrange(8000, 40001), rng.randrange(30, 46000)))
            if width:
                cycles += [at, at + width]
                levels += [1, 0]
                if rng.random() < 0.3 and width > 4000:  # a dropout inside the pulse
                    hole = at + rng.randrange(100, width - 2000)
                    cycles += [hole, hole + rng.randrange(20, 1500)]
                    levels += [0, 1]
            at += int(period_ms * MS)
        board.queue(cycles, ord("B"), 0, levels)
        board.run(at - board.cycle + FRAME)
        edges = board.edges()
        assert board.resets == 0
    for pin, out in zip(SERVOS, spec.outputs, strict=True):
        _, width = edges.pulses(pin)
        assert width.min() >= PER_EIGHTH * out.low - EDGE
        assert width.max() <= PER_EIGHTH * out.high + EDGE
        assert np.abs(np.diff(width)).max() <= PER_EIGHTH * out.slew + 2 * EDGE
    record_property(
        "fault", ["steering noise: glitches, dropouts, wrong rates", len(cycles) // 2, "caps and slew kept"]
    )
