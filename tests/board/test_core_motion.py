"""What moves the servos other than steering: jog, bind search, another image taking over."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from leanmix.mixer import (
    BoardCore,
    LiveFlag,
    Mode,
    Result,
    image_crc32,
    parse_token,
    request_arm,
    request_jog,
    request_move,
    request_revert,
    request_search_stop,
    request_write,
)
from tests.board import exact
from tests.board.core_kit import Wire, board_with, plain, random_exact

TARN = exact.pack(plain(name=b"Tarn", hash=b"0123456789abcdef"))
WREN = exact.pack(random_exact(random.Random(1), outputs=2))
DEAD_MAN_MS = 300


def test_jog_follows_within_caps_and_slew_and_ends_with_the_host() -> None:
    wire = board_with(TARN)
    wire.board.tick(400, steer_eighths=12000)
    assert wire.ask(request_jog, 20000).result == Result.OK
    last = 12000
    for _ in range(12):
        wire.board.tick(20, steer_eighths=12000)
        now = wire.board.outputs_eighths[0]
        assert abs(now - last) <= 400
        last = now
    assert last == 15200  # the cap, though 2500 µs was asked
    live = wire.live()
    assert live.mode == Mode.JOG
    assert live.flags & LiveFlag.JOG
    wire.board.tick(DEAD_MAN_MS - 12 * 20, steer_eighths=12000)
    assert wire.live().mode == Mode.MIX
    wire.board.tick(400, steer_eighths=12000)
    assert wire.board.outputs_eighths[0] == 12000


@given(st.integers(0, 19), st.integers(0, 12))
def test_jog_never_outlives_its_dead_man_time(offset_ms: int, repeats: int) -> None:
    wire = board_with(TARN)
    wire.board.tick(200 + offset_ms, steer_eighths=12000)
    for _ in range(repeats + 1):
        wire.ask(request_jog, 15000)
        wire.board.tick(100, steer_eighths=12000)
    wire.ask(request_jog, 15000)
    wire.board.tick(DEAD_MAN_MS, steer_eighths=12000)
    assert wire.live().mode == Mode.MIX


def test_jog_holds_one_output_and_lets_the_other_be() -> None:
    two = plain()
    two.outputs = [two.outputs[0], exact.ExactOutput(8800, 15200, 11000, 11000, 400, [11000] * 33)]
    wire = board_with(exact.pack(two))
    wire.board.tick(400, steer_eighths=16000)
    held = wire.board.outputs_eighths
    wire.ask(request_jog, 0, 12000)
    wire.board.tick(200, steer_eighths=8000)
    assert wire.board.outputs_eighths == (held[0], 12000)


def test_jog_is_refused_where_it_cannot_be() -> None:
    assert board_with().ask(request_jog, 12000).result == Result.NO_IMAGE
    wire = board_with(TARN)
    assert wire.ask(request_jog, 3999).result == Result.OUT_OF_RANGE
    assert wire.ask(request_jog, 20001).result == Result.OUT_OF_RANGE
    assert wire.ask(request_jog, 12000, 12000).result == Result.OUT_OF_RANGE  # Tarn has one servo
    wire.ask(request_jog, 12500)
    assert wire.ask(request_jog, 0, 0).result == Result.OK
    assert wire.live().mode == Mode.MIX


def test_nothing_changes_the_image_while_jogging_and_no_jog_while_committing() -> None:
    wire = board_with(WREN, TARN)
    wire.ask(request_jog, 12500)
    assert wire.ask(request_revert, image_crc32(WREN)).result == Result.MOVING
    before = wire.board.storage
    assert wire.ask(request_write, exact.pack(plain(name=b"Moss"))).result == Result.MOVING
    assert wire.board.tick(100) == b""
    assert wire.board.storage == before
    wire.ask(request_jog, 0, 0)
    slow = Wire(BoardCore(wire.board.storage, write_us=3400))
    slow.send(request_revert, image_crc32(WREN))
    assert slow.ask(request_jog, 12500).result == Result.BUSY
    assert slow.ask(request_arm, image_crc32(TARN)).result == Result.BUSY


def armed(wire: Wire, image: bytes = TARN) -> int:
    return parse_token(wire.ask(request_arm, image_crc32(image) if image else 0).body)


def test_bind_search_passes_the_caps_slowly_and_says_so() -> None:
    wire = board_with(TARN)
    wire.board.tick(400, steer_eighths=16000)
    assert wire.board.outputs_eighths[0] == 15200
    token = armed(wire)
    assert wire.live().flags & LiveFlag.ARMED
    last = 15200
    for turn in range(40):
        assert wire.ask(request_move, token, 0, 20000).result == Result.OK
        wire.board.tick(20, steer_eighths=12000)
        now = wire.board.outputs_eighths[0]
        assert 0 < now - last <= 16  # 2 µs a frame
        flags = wire.live().flags
        assert flags & LiveFlag.SEARCH
        assert flags & LiveFlag.BEYOND_CAPS, turn
        last = now
    wire.board.tick(DEAD_MAN_MS)
    live = wire.live()
    assert not live.flags & (LiveFlag.SEARCH | LiveFlag.ARMED)
    wire.board.tick(400)
    assert wire.live().mode == Mode.MIX
    assert not wire.live().flags & LiveFlag.BEYOND_CAPS
    assert wire.ask(request_move, token, 0, 20000).result == Result.NOT_ARMED


def test_bind_search_goes_back_inside_the_caps_at_the_slew_limit() -> None:
    spec = plain(hash=b"0123456789abcdef")
    spec.outputs[0].slew = 5
    wire = board_with(exact.pack(spec))
    token = armed(wire, exact.pack(spec))
    for _ in range(250):
        wire.ask(request_move, token, 0, 20000)
        wire.board.tick(20)
    assert wire.board.outputs_eighths[0] > 15200
    wire.ask(request_search_stop)
    beyond = wire.board.outputs_eighths[0] - 15200
    for _ in range(3):
        before = wire.board.outputs_eighths[0]
        wire.board.tick(20)
        assert before - wire.board.outputs_eighths[0] == 5
        live = wire.live()
        assert live.mode == Mode.RETURN
        assert live.flags & LiveFlag.RETURNING
        assert live.flags & LiveFlag.BEYOND_CAPS
    assert wire.ask(request_jog, 12000).result == Result.MOVING
    assert wire.ask(request_arm, spec_crc(spec)).result == Result.MOVING
    wire.board.tick(20 * (beyond / 5 + 1))
    assert wire.live().mode == Mode.MIX


def spec_crc(spec: exact.ExactImage) -> int:
    return image_crc32(exact.pack(spec))


def test_bind_search_never_leaves_the_boards_limits() -> None:
    wire = board_with(TARN)
    token = armed(wire)
    assert wire.ask(request_move, token, 0, 20001).result == Result.OUT_OF_RANGE
    assert wire.ask(request_move, token, 0, 3999).result == Result.OUT_OF_RANGE
    assert wire.ask(request_move, token, 2, 12000).result == Result.OUT_OF_RANGE
    for _ in range(560):
        wire.ask(request_move, token, 0, 4000)
        wire.board.tick(20)
    assert wire.board.outputs_eighths[0] == 4000


def test_bind_search_must_be_armed_and_named() -> None:
    wire = board_with(TARN)
    assert wire.ask(request_move, 0, 0, 12000).result == Result.NOT_ARMED
    assert wire.ask(request_move, 1, 0, 12000).result == Result.NOT_ARMED
    assert wire.ask(request_arm, image_crc32(WREN)).result == Result.NO_IMAGE
    token = armed(wire)
    assert wire.ask(request_move, token ^ 2, 0, 12000).result == Result.NOT_ARMED
    wire.board.tick(5_020)
    assert wire.ask(request_move, token, 0, 12000).result == Result.NOT_ARMED


def test_bind_search_without_an_image_starts_at_1500_and_its_pulses_stop() -> None:
    wire = board_with()
    token = armed(wire, b"")
    assert wire.ask(request_move, token, 1, 12500).result == Result.OK
    wire.board.tick(100)
    assert wire.board.outputs_eighths == (0, 12000 + 5 * 16)
    assert wire.live().flags & LiveFlag.BEYOND_CAPS
    wire.board.tick(400)
    assert wire.board.outputs_eighths == (0, 0)
    assert wire.live().flags == LiveFlag.NO_IMAGE


def test_another_image_takes_over_inside_its_caps_with_a_new_ramp() -> None:
    narrow = plain(name=b"Moss", ramp_frames=10)
    narrow.outputs[0].low, narrow.outputs[0].high = 11000, 13000
    narrow.outputs[0].knots = [11000 + 62 * k for k in range(33)]
    wire = board_with(TARN)
    wire.board.tick(400, steer_eighths=16000)
    assert wire.board.outputs_eighths[0] == 15200
    assert wire.upload(exact.pack(narrow), ms=1) == Result.OK
    assert wire.board.running_bytes == exact.pack(narrow)
    assert wire.board.outputs_eighths[0] == 13000
    wire.board.tick(20, steer_eighths=16000)
    assert wire.live().flags & LiveFlag.RAMPING
