"""Every message of WIRE.md against the core, good and bad, and what jog and bind search may do."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leanmix.errors import LinkError
from leanmix.mixer import (
    KIND_VIRTUAL,
    STORAGE_BYTES,
    BoardCore,
    FrameDecoder,
    LiveFlag,
    Message,
    Reason,
    ResetCause,
    Result,
    encode_frame,
    image_crc32,
    parse_counters,
    parse_identity,
    parse_live,
    parse_reply,
    parse_token,
    parse_write,
    request,
    request_commit,
    request_read,
    request_revert,
    request_serial,
    request_write,
)
from tests.board import exact
from tests.board.core_kit import Wire, board_with, plain, random_exact

TARN = exact.pack(plain(name=b"Tarn", hash=b"0123456789abcdef"))
WREN = exact.pack(random_exact(random.Random(1), outputs=2))


def test_hello_is_an_identify_reply_with_sequence_zero() -> None:
    (hello,) = Wire(BoardCore(build=0xDEADBEEF, version=(1, 2, 3))).hello
    assert (hello.message, hello.sequence, hello.result) == (Message.IDENTIFY, 0, Result.OK)
    identity = parse_identity(hello.body)
    assert identity.protocol == 1
    assert identity.version == (1, 2, 3)
    assert identity.build == 0xDEADBEEF
    assert identity.kind == KIND_VIRTUAL
    assert (identity.pulse_min_eighths, identity.pulse_max_eighths) == (4000, 20000)
    assert (identity.outputs, identity.frame_us, identity.image_format, identity.image_bytes_max) == (2, 20000, 1, 212)
    assert (identity.slots, identity.running_slot, identity.running_crc32, identity.previous_crc32) == (
        2,
        None,
        None,
        None,
    )
    assert (identity.serial, identity.machine_hash, identity.name) == (b"", b"", "")


def test_identify_names_the_images_and_the_reset() -> None:
    wire = board_with(WREN, TARN)
    identity = wire.identity()
    assert identity.running_slot == 1
    assert identity.running_crc32 == image_crc32(TARN)
    assert identity.previous_crc32 == image_crc32(WREN)
    assert (identity.machine_hash, identity.name) == (b"0123456789abcdef", "Tarn")
    wire.take(wire.board.power_up(ResetCause.WATCHDOG))
    assert wire.identity().reset_cause == ResetCause.WATCHDOG
    assert wire.identity().running_crc32 == image_crc32(TARN)


def test_read_gives_back_what_was_written() -> None:
    wire = board_with(WREN, TARN)
    assert wire.ask(request_read).body == TARN
    assert wire.ask(request_read, previous=True).body == WREN
    assert wire.ask(lambda s: request(Message.READ, s, b"\x02")).result == Result.OUT_OF_RANGE


def test_read_with_nothing_there() -> None:
    wire = board_with()
    assert wire.ask(request_read).result == Result.NO_IMAGE
    assert wire.ask(request_read, previous=True).result == Result.NO_PREVIOUS


def test_a_refused_image_says_why_and_changes_nothing() -> None:
    wire = board_with(TARN)
    before = wire.board.storage
    bad = plain()
    bad.outputs[0].knots[20] = 20000
    reply = wire.ask(request_write, exact.pack(bad))
    answer = parse_write(reply.body)
    assert (reply.result, answer.reason, answer.output, answer.bytes_to_write) == (Result.BAD_IMAGE, Reason.KNOT, 0, 0)
    reply = wire.ask(request_write, exact.pack(plain(kind=1)))
    assert parse_write(reply.body).reason == Reason.KIND
    reply = wire.ask(request_write, b"")
    assert parse_write(reply.body).reason == Reason.SHORT
    assert wire.board.storage == before


def test_written_is_not_yet_running() -> None:
    wire = board_with(TARN)
    assert wire.ask(request_write, WREN, ms=20).result == Result.OK
    assert wire.live().flags & LiveFlag.STAGED
    assert wire.board.running_bytes == TARN
    assert wire.ask(request_commit, image_crc32(WREN) ^ 1).result == Result.NOT_STAGED
    assert BoardCore(wire.board.storage).running_bytes == TARN
    assert wire.ask(request_commit, image_crc32(WREN), ms=20).result == Result.OK
    assert wire.board.running_bytes == WREN


def test_a_second_write_replaces_the_first() -> None:
    wire = board_with(TARN)
    other = exact.pack(plain(name=b"Moss"))
    wire.ask(request_write, WREN, ms=20)
    wire.ask(request_write, other, ms=20)
    assert wire.ask(request_commit, image_crc32(WREN)).result == Result.NOT_STAGED
    assert wire.ask(request_commit, image_crc32(other), ms=20).result == Result.OK
    assert wire.board.running_bytes == other


def test_commit_answers_when_storage_is_done_and_the_board_talks_meanwhile() -> None:
    wire = Wire(BoardCore(write_us=3400))
    left = parse_write(wire.ask(request_write, TARN).body).bytes_to_write
    assert left > 130
    assert wire.send(request_commit, image_crc32(TARN)) == []
    commit_sequence = wire.sequence
    seen = []
    for _ in range(12):
        live = wire.live()
        seen.append(live.bytes_to_write)
        assert live.flags & LiveFlag.STORING
        wire.board.tick(20)
    assert seen == sorted(seen, reverse=True)
    assert seen[0] - seen[-1] >= 11 * 20 / 3.4 - 2
    assert wire.ask(request_write, WREN).result == Result.BUSY
    assert wire.ask(request_revert, 1).result == Result.BUSY
    assert wire.ask(request_read, previous=True).result == Result.BUSY
    assert wire.ask(request_serial, b"12345678").result == Result.BUSY
    (reply,) = wire.take(wire.board.tick(1000))
    assert (reply.message, reply.sequence, reply.result) == (Message.COMMIT, commit_sequence, Result.OK)
    assert reply.body == TARN[-4:]


def test_commit_asked_again_is_answered_once_to_the_later_request() -> None:
    wire = Wire(BoardCore(write_us=3400))
    wire.ask(request_write, TARN)
    assert wire.send(request_commit, image_crc32(TARN)) == []
    assert wire.send(request_commit, image_crc32(TARN)) == []
    replies = wire.take(wire.board.tick(1500))
    assert [(r.message, r.sequence, r.result) for r in replies] == [(Message.COMMIT, wire.sequence, Result.OK)]


@pytest.mark.parametrize(
    ("payload", "result"),
    [
        (request(Message.IDENTIFY, 9, b"x"), Result.BAD_LENGTH),
        (request(Message.READ, 9), Result.BAD_LENGTH),
        (request(Message.COMMIT, 9, b"abc"), Result.BAD_LENGTH),
        (request(Message.REVERT, 9, b"abcde"), Result.BAD_LENGTH),
        (request(Message.LIVE, 9, b"x"), Result.BAD_LENGTH),
        (request(Message.JOG, 9, b"xyz"), Result.BAD_LENGTH),
        (request(Message.SEARCH, 9), Result.BAD_LENGTH),
        (request(Message.SEARCH, 9, b"\x00x"), Result.BAD_LENGTH),
        (request(Message.SEARCH, 9, b"\x01abc"), Result.BAD_LENGTH),
        (request(Message.SEARCH, 9, b"\x02abcdef"), Result.BAD_LENGTH),
        (request(Message.SEARCH, 9, b"\x03"), Result.OUT_OF_RANGE),
        (request(Message.COUNTERS, 9, b"x"), Result.BAD_LENGTH),
        (request(Message.SERIAL, 9, b"1234567"), Result.BAD_LENGTH),
        (request(Message.WRITE, 9, bytes(240)), Result.BAD_LENGTH),
        (bytes((0x55, 9)), Result.UNKNOWN),
        (bytes((0x00, 9)), Result.UNKNOWN),
    ],
)
def test_misshapen_requests_are_answered_with_what_is_wrong(payload: bytes, result: Result) -> None:
    wire = board_with(TARN)
    (reply,) = wire.take(wire.board.feed(encode_frame(payload)))
    assert (reply.message, reply.sequence, reply.result) == (payload[0], 9, result)


def test_replies_on_the_line_are_never_answered() -> None:
    wire = board_with(TARN)
    assert wire.take(wire.board.feed(encode_frame(bytes((0x81, 1, 0))))) == []


def test_live_values() -> None:
    spec = plain(amount=(8000, 16000, 64))
    wire = board_with(exact.pack(spec))
    live = wire.live()
    assert (live.supply_mv, live.outputs_eighths, live.amount_256ths) == (None, (12000, 0), 64)
    wire.board.set_supply_mv(7412)
    wire.board.tick(400, steer_eighths=16000, amount_eighths=12000)
    live = wire.live()
    assert live.supply_mv == 7412
    assert live.steer_eighths == 16000
    assert live.amount_256ths == 128
    assert live.outputs_eighths[0] == exact.steady(spec, 0, 16000, 128)
    assert live.flags == LiveFlag.AMOUNT
    frames = live.frames
    wire.board.tick(20 * 300)
    live = wire.live()
    assert live.frames == frames + 300
    assert live.amount_256ths == 64  # second input lost: the stated amount
    assert live.flags == LiveFlag.FAILSAFE | LiveFlag.BAD_INPUT
    assert live.bad_frames == 255


def test_small_changes_of_the_second_input_are_noise() -> None:
    wire = board_with(exact.pack(plain(amount=(8000, 16000, 64))))
    amounts = []
    for pulse in (12000, 12093, 11907, 12125, 16000, 15990, 8000):
        wire.board.tick(20, steer_eighths=12000, amount_eighths=pulse)
        amounts.append(wire.live().amount_256ths)
    assert amounts == [128, 128, 128, 132, 256, 256, 0]


def test_second_input_pulses_out_of_range_do_not_count() -> None:
    wire = board_with(exact.pack(plain(amount=(8000, 16000, 64))))
    wire.board.tick(20, steer_eighths=12000, amount_eighths=3999)
    wire.board.tick(20, steer_eighths=12000, amount_eighths=20001)
    assert wire.live().amount_256ths == 64


def test_counters_count() -> None:
    wire = board_with(TARN)
    wire.board.tick(200)
    wire.board.tick(100, steer_eighths=30000)
    frame = bytearray(encode_frame(request(Message.LIVE, 1)))
    frame[1] ^= 1
    wire.board.feed(bytes(frame))
    wire.board.feed(b"\x05ab\0")
    wire.board.feed(b"\x01\0")
    counters = parse_counters(wire.ask(lambda s: request(Message.COUNTERS, s)).body)
    assert (counters.power_starts, counters.watchdog_starts) == (1, 0)
    assert counters.rejected_pulses == 5
    assert counters.crc_errors == 1
    assert counters.frame_errors == 2
    assert counters.storage_writes == wire.board.storage_writes
    missed = counters.missed_frames
    assert missed >= 15
    wire.take(wire.board.power_up(ResetCause.BROWN_OUT))
    counters = parse_counters(wire.ask(lambda s: request(Message.COUNTERS, s)).body)
    assert (counters.power_starts, counters.brown_out_starts, counters.missed_frames) == (1, 1, missed)


def test_counters_stop_at_their_top() -> None:
    wire = board_with()
    wire.board.tick(20 * 70_000)
    assert parse_counters(wire.ask(lambda s: request(Message.COUNTERS, s)).body).missed_frames == 65535


def test_serial_number_is_set_once_and_kept() -> None:
    wire = board_with(TARN)
    assert wire.ask(request_serial, b"\xff2345678").result == Result.OUT_OF_RANGE
    assert wire.ask(request_serial, b"LM-00042", ms=20).result == Result.OK
    assert wire.identity().serial == b"LM-00042"
    assert wire.ask(request_serial, b"LM-00043").result == Result.ALREADY_SET
    again = Wire(BoardCore(wire.board.storage))
    assert again.identity().serial == b"LM-00042"
    assert again.board.running_bytes == TARN


def test_serial_number_cut_half_way_counts_as_none() -> None:
    for writes in range(8):
        wire = board_with(TARN)
        wire.board.cut_power(writes, writes % 5)
        wire.board.feed(encode_frame(request_serial(1, b"LM-00042")))
        wire.board.tick(20)
        identity = Wire(BoardCore(wire.board.storage)).identity()
        assert identity.running_crc32 == image_crc32(TARN)
        assert identity.serial[1:] in (b"", b"M-00042")


def test_requests_come_through_noise_and_in_any_pieces() -> None:
    rng = random.Random(2)
    wire = board_with(TARN)
    for _ in range(300):
        wire.board.feed(bytes(rng.randrange(1, 256) for _ in range(rng.randrange(40))) + b"\0")
        frame = encode_frame(request(Message.IDENTIFY, 7))
        sent = b"".join(wire.board.feed(frame[i : i + 1]) for i in range(len(frame)))
        assert parse_identity(wire.take(sent)[-1].body).name == "Tarn"


@given(st.lists(st.tuples(st.integers(0, 11), st.binary(max_size=12), st.integers(0, 3)), max_size=40))
def test_no_string_of_requests_breaks_the_board(requests: list[tuple[int, bytes, int]]) -> None:
    wire = board_with(WREN, TARN)
    for message, body, frames in requests:
        replies = wire.take(wire.board.feed(encode_frame(bytes((message, 1)) + body)) + wire.board.tick(1))
        assert len(replies) == 1
        wire.board.tick(20 * frames, steer_eighths=13000)
        live = wire.live()
        if not live.flags & LiveFlag.BEYOND_CAPS:
            spec = plain() if wire.board.running_bytes == TARN else random_exact(random.Random(1), outputs=2)
            for pulse, out in zip(live.outputs_eighths, spec.outputs, strict=False):
                assert out.low <= pulse <= out.high
    assert BoardCore(wire.board.storage).running_bytes in (WREN, TARN)


@pytest.mark.parametrize("parse", [parse_identity, parse_live, parse_counters, parse_write, parse_token])
def test_short_replies_are_a_link_error(parse: object) -> None:
    with pytest.raises(LinkError, match="reply has 1 bytes"):
        parse(b"x")  # type: ignore[operator]


def test_what_is_not_a_reply_is_none() -> None:
    assert parse_reply(b"\x01\x02\x03") is None
    assert parse_reply(b"\x81\x02") is None


def test_storage_has_one_size() -> None:
    with pytest.raises(ValueError, match="512"):
        BoardCore(bytes(STORAGE_BYTES - 1))


def test_a_serial_number_has_eight_bytes() -> None:
    with pytest.raises(ValueError, match="8 bytes"):
        request_serial(1, b"short")


def test_two_boards_share_nothing() -> None:
    first, second = board_with(TARN), board_with(WREN)
    first.board.tick(400, steer_eighths=16000)
    assert second.board.running_bytes == WREN
    assert FrameDecoder().feed(second.board.feed(b"")) == []
