"""The firmware on the emulator, over its serial line: every message, upload time, resets, supply, power cuts, a real pty."""

from __future__ import annotations

import os
import random
import threading
import tty
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np
import pytest
import serial

from leanmix.mixer import (
    KIND_ATMEGA328P,
    STORAGE_BYTES,
    BoardCore,
    FrameDecoder,
    LiveFlag,
    Message,
    Mode,
    Reply,
    Result,
    Tear,
    encode_frame,
    image_crc32,
    parse_counters,
    parse_identity,
    parse_live,
    parse_reply,
    parse_token,
    parse_write,
    request,
    request_arm,
    request_commit,
    request_jog,
    request_move,
    request_read,
    request_revert,
    request_search_stop,
    request_serial,
    request_write,
)
from tests.board import exact
from tests.board.avr_bench import (
    BROWN_OUT,
    BYTE_CYCLES,
    MS,
    PIN_RESET,
    POWER,
    SERVOS,
    WATCHDOG,
    Emulator,
)
from tests.board.core_kit import Wire, plain, random_exact
from tests.conftest import DEEP

TARN = exact.pack(plain(name=b"Tarn", hash=b"0123456789abcdef"))
WREN = exact.pack(random_exact(random.Random(1), outputs=2))
Record = Callable[[str, object], None]
STORE_MS = 3.4


def stored(*images: bytes) -> bytes:
    wire = Wire(BoardCore(kind=KIND_ATMEGA328P))
    for image in images:
        assert wire.upload(image) == Result.OK
    return wire.board.storage


def plainly(message: Message) -> Callable[[int], bytes]:
    return lambda sequence: request(message, sequence)


def identity(board: Emulator) -> object:
    return parse_identity(board.ask(plainly(Message.IDENTIFY)).body)


def live(board: Emulator) -> object:
    return parse_live(board.ask(plainly(Message.LIVE)).body)


def counters(board: Emulator) -> object:
    return parse_counters(board.ask(plainly(Message.COUNTERS)).body)


def test_hello_and_identity() -> None:
    with Emulator(stored(WREN, TARN)) as board:
        board.run(60 * MS)
        (hello,) = board.replies(board.sent()[1])
        assert (hello.message, hello.sequence) == (Message.IDENTIFY, 0)
        assert parse_identity(hello.body) == identity(board)
        about = identity(board)
        assert (about.kind, about.version, about.frame_us) == (KIND_ATMEGA328P, (1, 0, 0), 20000)
        assert about.build != 0
        assert (about.running_crc32, about.previous_crc32) == (image_crc32(TARN), image_crc32(WREN))
        assert (about.name, about.machine_hash, about.reset_cause) == ("Tarn", b"0123456789abcdef", 0)


def test_every_message_answers_as_the_host_core_does() -> None:
    """The same requests to both; what does not depend on time must be the same to the byte."""
    storage = stored(WREN, TARN)
    host = Wire(BoardCore(storage, kind=KIND_ATMEGA328P, version=(1, 0, 0)))
    requests = [
        (request_read, (), {}),
        (request_read, (), {"previous": True}),
        (request_write, (TARN,), {}),
        (request_write, (TARN[:-1],), {}),
        (request_write, (exact.pack(plain(kind=2)),), {}),
        (request_write, (bytes(236),), {}),
        (request_commit, (1234,), {}),
        (request_revert, (1234,), {}),
        (request_jog, (20001,), {}),
        (request_jog, (12500,), {}),
        (request_revert, (image_crc32(WREN),), {}),
        (request_jog, (0,), {}),
        (request_arm, (99,), {}),
        (request_move, (1, 0, 12000), {}),
        (request_search_stop, (), {}),
        (request_serial, (b"\xff2345678",), {}),
        (lambda s: request(Message.READ, s, b"\x02"), (), {}),
        (lambda s: request(Message.LIVE, s, b"\x02"), (), {}),
        (lambda s: request(Message.SEARCH, s, b"\x01"), (), {}),
        (lambda s: bytes((0x20, s)), (), {}),
    ]
    with Emulator(storage) as board:
        board.run(60 * MS)
        board.sent()
        for build, arguments, words in requests:
            mine = board.ask(build, *arguments, ms=60, **words)
            theirs = host.ask(build, *arguments, **words)
            assert (mine.message, mine.result, mine.body) == (theirs.message, theirs.result, theirs.body)
        board.talk(b"\x05ab\0\x05\x01\x02\x03\x04\0", 10 * MS)
        host.board.feed(b"\x05ab\0\x05\x01\x02\x03\x04\0")
        assert counters(board).crc_errors == 1
        assert counters(board).frame_errors == 1
        assert host.ask(plainly(Message.COUNTERS)).body[12:16] == board.ask(plainly(Message.COUNTERS)).body[12:16]


def test_upload_read_back_revert_and_power_up_again() -> None:
    with Emulator(stored(TARN)) as board:
        board.run(60 * MS)
        board.sent()
        assert board.ask(request_write, WREN, ms=60).result == Result.OK
        assert board.ask(request_commit, image_crc32(WREN), ms=1000).result == Result.OK
        assert board.ask(request_read, ms=60).body == WREN
        assert board.ask(request_read, previous=True, ms=60).body == TARN
        after = board.eeprom
        assert after[:STORAGE_BYTES] == stored(TARN, WREN)
        assert after[STORAGE_BYTES:] == b"\xff" * (len(after) - STORAGE_BYTES)
        writes = board.eeprom_writes
        assert board.ask(request_revert, image_crc32(TARN), ms=60).result == Result.OK
        assert board.eeprom_writes == writes + 2
        assert board.ask(request_write, TARN, ms=60).result == Result.SAME
        assert board.eeprom_writes == writes + 2
        assert counters(board).storage_writes == board.eeprom_writes
        eeprom = board.eeprom
    with Emulator(eeprom) as board:
        board.run(60 * MS)
        assert identity(board).running_crc32 == image_crc32(TARN)


@pytest.mark.parametrize("size", ["nearly all bytes", "one letter of the name"])
def test_upload_time(size: str, record_property: Record) -> None:
    """First byte of the write request to the last of the commit's reply, against wire time and storage time."""
    with Emulator(stored(WREN, TARN)) as board:
        board.run(60 * MS)
        board.sent()
        image = exact.pack(random_exact(random.Random(77), outputs=2))
        if size == "one letter of the name":
            near, image = (exact.pack(plain(name=n, hash=b"0123456789abcdef")) for n in (b"Tarp", b"Tarm"))
            assert board.ask(request_write, near, ms=900).result == Result.OK
            board.run(60 * MS)
            board.sent()
        write, commit = encode_frame(request_write(1, image)), encode_frame(request_commit(2, image_crc32(image)))
        writes, start = board.eeprom_writes, board.cycle + 200
        board.queue(start + np.arange(len(write)) * BYTE_CYCLES, ord("U"), 0, np.frombuffer(write, np.uint8))
        answer = b""
        while not answer.endswith(b"\0"):
            board.run(1600)
            answer += board.sent()[1]
        board.queue(board.cycle + np.arange(len(commit)) * BYTE_CYCLES, ord("U"), 0, np.frombuffer(commit, np.uint8))
        ended, done = [], b""
        while not done.endswith(b"\0"):
            board.run(1600)
            cycle, data = board.sent()
            ended += cycle.tolist()
            done += data
        assert parse_reply(FrameDecoder().feed(done)[0].payload).result == Result.OK
        changed = board.eeprom_writes - writes
    wire_ms = (len(write) + len(answer) + len(commit) + len(done)) * BYTE_CYCLES / MS
    took_ms = (ended[-1] - start) / MS
    ratio = took_ms / (wire_ms + STORE_MS * changed)
    record_property(
        "figure",
        [
            f"upload, {size} ({changed} storage bytes, {took_ms:.0f} ms), against wire and storage",
            f"{ratio:.3f}",
            "1.05",
        ],
    )
    assert ratio <= 1.05


def test_jog_ends_within_300_ms_and_keeps_caps_and_slew() -> None:
    with Emulator(stored(TARN)) as board:
        board.run(60 * MS)
        board.sent()
        board.edges()
        for _ in range(12):
            assert board.ask(request_jog, 20000, ms=30).result == Result.OK
        last = board.cycle - 20 * MS  # the request's last byte came earlier than this
        assert live(board).mode == Mode.JOG
        board.run(340 * MS)
        assert live(board).mode == Mode.MIX
        start, width = board.edges().pulses(SERVOS[0])
    assert abs(width.max() - 2 * 15200) <= 4
    assert np.abs(np.diff(width)).max() <= 2 * 400 + 8
    held = start[np.abs(width - 2 * 15200) <= 4]
    assert held[-1] - last <= 300 * MS


def test_bind_search_is_slow_beyond_the_caps_and_says_so() -> None:
    with Emulator(stored(TARN)) as board:
        board.run(60 * MS)
        board.sent()
        token = parse_token(board.ask(request_arm, image_crc32(TARN)).body)
        board.edges()
        for _ in range(140):
            assert board.ask(request_move, token, 0, 4000, ms=60).result == Result.OK
        assert live(board).flags & LiveFlag.SEARCH
        assert live(board).flags & LiveFlag.BEYOND_CAPS
        board.run(600 * MS)
        assert not live(board).flags & (LiveFlag.SEARCH | LiveFlag.ARMED | LiveFlag.BEYOND_CAPS)
        _, width = board.edges().pulses(SERVOS[0])
    assert width.min() < 2 * 8800  # past the cap
    down = width[: width.argmin()]
    assert np.abs(np.diff(down)).max() <= 2 * 16 + 8


def test_serial_number_is_set_once() -> None:
    with Emulator(stored(TARN)) as board:
        board.run(60 * MS)
        board.sent()
        assert identity(board).serial == b""
        assert board.ask(request_serial, b"LM-00042", ms=60).result == Result.OK
        assert identity(board).serial == b"LM-00042"
        assert board.ask(request_serial, b"LM-00043", ms=60).result == Result.ALREADY_SET
        eeprom = board.eeprom
    with Emulator(eeprom) as board:
        board.run(60 * MS)
        assert identity(board).serial == b"LM-00042"


@pytest.mark.parametrize(
    ("flags", "cause", "field"),
    [
        (PIN_RESET, 1, "reset_pin_starts"),
        (BROWN_OUT, 2, "brown_out_starts"),
        (WATCHDOG, 3, "watchdog_starts"),
        (0, 1, "reset_pin_starts"),
    ],
)
def test_resets_are_told_apart_and_counted(flags: int, cause: int, field: str) -> None:
    with Emulator(stored(TARN)) as board:
        board.run(200 * MS)
        for _ in range(2):
            board.reset(flags)
            board.run(100 * MS)
        board.sent()
        assert identity(board).reset_cause == cause
        assert getattr(counters(board), field) == 2
        assert counters(board).power_starts == 1
        assert counters(board).missed_frames > 12  # of all three runs
        board.reset(POWER)
        board.run(60 * MS)
        board.sent()
        assert getattr(counters(board), field) == 0


def test_a_hang_is_ended_by_the_watchdog_and_says_so() -> None:
    with Emulator(stored(TARN)) as board:
        board.run(300 * MS)
        assert board.resets == 0
        board.hang()
        board.run(115 * MS)
        assert board.resets == 0
        board.run(60 * MS)
        assert board.resets >= 1
        board.hang(False)
        board.run(300 * MS)
        board.sent()
        assert identity(board).reset_cause == 3
        assert counters(board).watchdog_starts >= 1
        assert live(board).outputs_eighths == (12000, 0)


@pytest.mark.parametrize(
    ("pin_mv", "least", "most"), [(0, 0, 0), (532, 4900, 5100), (894, 8250, 8550), (1095, 10100, 10350)]
)
def test_supply_is_measured_through_the_divider(pin_mv: int, least: int, most: int) -> None:
    with Emulator(stored(TARN), supply_pin_mv=pin_mv) as board:
        board.run(60 * MS)
        board.sent()
        assert least <= live(board).supply_mv <= most


def test_supply_is_absent_where_no_divider_is_fitted() -> None:
    """An open pin with its pull-up on reads as high as the chip's own supply."""
    with Emulator(stored(TARN), supply_pin_mv=4950) as board:
        board.run(60 * MS)
        board.sent()
        assert live(board).supply_mv is None


@pytest.mark.fault
def test_power_cut_at_every_eeprom_byte_on_the_chip(record_property: Record) -> None:
    """The same cuts as on the host's core, through the chip's own EEPROM writes; few bytes, so every one is cut."""
    near = exact.pack(plain(name=b"Tarm", hash=b"0123456789abcdef"))
    other = exact.pack(plain(name=b"Tarp", hash=b"0123456789abcdef"))
    rng = random.Random(6)
    seen: Counter[str] = Counter()
    for order in ((other, TARN), (TARN, other, TARN)) if DEEP else ((other, TARN),):
        storage = stored(*order)
        whole = stored(*order, near)
        writes = sum(a != b for a, b in zip(storage, whole, strict=True)) + 2
        for write in range(writes):
            for tear in Tear:
                with Emulator(storage) as board:
                    board.run(45 * MS)
                    board.cut_power(write, tear, rng.randrange(256))
                    board.talk(encode_frame(request_write(1, near)), 45 * MS)
                    board.talk(encode_frame(request_commit(2, image_crc32(near))), 100 * MS)
                    if not board.is_cut:
                        assert write == writes - 1, (write, writes)
                        continue
                    eeprom = board.eeprom
                running = BoardCore(eeprom[:STORAGE_BYTES], kind=KIND_ATMEGA328P).running_bytes
                assert running in (TARN, near)
                seen["new" if running == near else "old"] += 1
                if tear == Tear.OR or DEEP:
                    with Emulator(eeprom) as again:
                        again.run(45 * MS)
                        assert identity(again).running_crc32 == image_crc32(running)
    record_property(
        "fault",
        [
            "power cut in the chip's EEPROM writes, five tears",
            seen.total(),
            f"{seen['old']} ran the old image, {seen['new']} the new",
        ],
    )
    assert seen["old"] > 20


@contextmanager
def on_a_pty(board: Emulator) -> Iterator[str]:
    """The emulator behind a pseudo-terminal, running in a thread; gives the terminal's name."""
    ours, theirs = os.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    stop = threading.Event()

    def serve() -> None:
        while not stop.is_set():
            try:
                data = os.read(ours, 256)
            except BlockingIOError:
                data = b""
            sent = board.talk(data, 5 * MS + len(data) * BYTE_CYCLES)
            if sent:
                os.write(ours, sent)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield os.ttyname(theirs)
    finally:
        stop.set()
        thread.join()
        os.close(ours)
        os.close(theirs)


def test_a_real_serial_port_through_a_pty() -> None:
    """pyserial at one end, the firmware at the other: identify, upload, read back.

    Opening a port throws away what came before, and a board that starts hears nothing: the hello may be gone and
    the first request too, so ask until it answers, as a host must.
    """
    with Emulator(stored(TARN)) as board, on_a_pty(board) as name, serial.Serial(name, 115200, timeout=0.05) as port:
        decoder = FrameDecoder()

        def heard(sequence: int, reads: int) -> Reply | None:
            for _ in range(reads):
                for frame in decoder.feed(port.read(300)):
                    reply = parse_reply(frame.payload)
                    if reply and reply.sequence == sequence:
                        return reply
            return None

        def answer(sequence: int) -> Reply:
            reply = heard(sequence, 1200)
            assert reply is not None, f"no answer to {sequence}"
            return reply

        hello = None
        for _ in range(60):
            port.write(b"\0" + encode_frame(request(Message.IDENTIFY, 9)))
            hello = heard(9, 20)
            if hello is not None:
                break
        assert hello is not None
        assert parse_identity(hello.body).name == "Tarn"
        port.write(encode_frame(request_write(1, WREN)))
        assert parse_write(answer(1).body).reason == 0
        port.write(encode_frame(request_commit(2, image_crc32(WREN))))
        assert answer(2).result == Result.OK
        port.write(encode_frame(request_read(3)))
        assert answer(3).body == WREN
