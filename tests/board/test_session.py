"""Host and board in conversation: the real C core behind a line, in simulated time and through a real pty."""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from leanmix.board import (
    MemoryWire,
    SerialWire,
    Session,
    VirtualBoard,
    flash,
    go_back,
    open_board,
    refusals,
    virtual_storage,
)
from leanmix.board.messages import read_identity, read_live
from leanmix.errors import BoardRefused, FileTrouble, LinkError, PortError
from leanmix.mixer import BoardCore, LiveFlag, Mode, parse_counters
from tests.board.bench_line import SimLine, proved

OLD, NEW = proved(15.0), proved(14.0)


@pytest.fixture
def line() -> SimLine:
    return SimLine(BoardCore(write_us=3400))


def test_a_blank_board_is_flashed_verified_and_not_written_twice(line: SimLine) -> None:
    with line.session() as board:
        assert board.identity.running_crc is None
        assert board.read_image() is None
        seen: list[tuple[int, int]] = []
        done = flash(board, OLD, lambda a, b: seen.append((a, b)))
        assert (done.outcome, done.before, done.after) == ("stored", None, OLD.data)
        assert seen[-1][0] == seen[-1][1] > 100
        assert [a for a, _ in seen] == sorted(a for a, _ in seen)
        assert board.identity.machine_hash == OLD.image.machine_hash.hex()
        assert board.identity.machine_name == "Tarn"
        writes = line.core.storage_writes
        assert flash(board, OLD).outcome == "already there"
        assert line.core.storage_writes == writes


def test_revert_brings_the_table_before_back(line: SimLine) -> None:
    with line.session() as board:
        flash(board, OLD)
        with pytest.raises(BoardRefused, match="no earlier table"):
            go_back(board)
        flash(board, NEW)
        done = go_back(board)
        assert (done.outcome, done.before, done.after) == ("reverted", NEW.data, OLD.data)
        assert board.read_image(previous=True) == NEW.data
    assert line.core.running_bytes == OLD.data


def test_upload_takes_no_longer_than_wire_and_storage_need(line: SimLine) -> None:
    with line.session() as board:
        flash(board, OLD)
        writes, start = line.core.storage_writes, line.clock.time
        board.upload(NEW.data)
        changed = line.core.storage_writes - writes
        wire = (len(NEW.data) + 6 + 12 + 10 + 11) * 10 / 115200
        assert line.clock.time - start <= 1.05 * (wire + 0.0034 * changed) + 0.005  # the line's own step is 5 ms


def test_an_upload_to_a_board_with_a_worn_out_storage_is_refused_and_the_old_table_runs(line: SimLine) -> None:
    with line.session() as board:
        flash(board, OLD)
        line.core.wear_out()
        with pytest.raises(BoardRefused, match="storage did not keep"):
            flash(board, NEW)
        assert board.read_image() == OLD.data


def test_jog_stays_within_caps_and_ends_when_the_host_lets_go(line: SimLine) -> None:
    with line.session() as board:
        flash(board, OLD)
        cap = OLD.image.outputs[0].cap_high_eighths / 8
        for _ in range(40):
            board.jog((2400.0,))
            line.clock.sleep(0.1)
        live = board.live()
        assert live.mode is Mode.JOG
        assert live.outputs_us == (cap, None)
        line.clock.sleep(0.3)
        assert board.live().mode is Mode.MIX


def test_bind_search_needs_arming_creeps_and_says_when_it_is_beyond_the_caps(line: SimLine) -> None:
    with line.session() as board:
        flash(board, OLD)
        with pytest.raises(BoardRefused, match="not armed"):
            board.search(77, 0, 2000.0)
        token = board.arm_search()
        cap = OLD.image.outputs[0].cap_high_eighths / 8
        out = 1500.0
        while out <= cap:
            board.search(token, 0, cap + 20)
            line.clock.sleep(0.1)
            now = board.live().outputs_us[0]
            assert now is not None
            assert now - out <= 0.12 * 100 + 2.0  # at most 2 µs a frame, 50 frames a second
            out = now
        assert LiveFlag.BEYOND_CAPS in board.live().flags
        board.stop()
        line.clock.sleep(1.0)
        assert LiveFlag.BEYOND_CAPS not in board.live().flags


def test_serial_number_is_given_once(line: SimLine) -> None:
    with line.session() as board:
        assert board.identity.serial == ""
        board.set_serial(b"leanmix1")
        assert board.identity.serial == b"leanmix1".hex()
        with pytest.raises(BoardRefused, match="already"):
            board.set_serial(b"leanmix2")


def test_a_table_that_does_not_fit_the_board_is_refused_before_anything_is_written(line: SimLine) -> None:
    with line.session() as board:
        twin = proved(12.0, "wren")
        small = replace(board.identity, outputs=1, image_bytes_max=150, pulse_max_us=1600.0, image_format=0)
        found = " ".join(refusals(twin, small))
        for part in ("format 1", "2 servos", "212 bytes", "500 to 1600 µs"):
            assert part in found
        assert refusals(twin, board.identity) == ()
        board.identity = small
        with pytest.raises(BoardRefused, match="Nothing was written"):
            flash(board, twin)
    assert line.core.storage_writes == 0


class Silence:
    """A wire on which something else talks, or nothing does."""

    def __init__(self, says: bytes, line: SimLine) -> None:
        self.says, self.line = says, line

    def read(self, timeout_s: float) -> bytes:
        self.line.clock.sleep(timeout_s)
        return self.says

    def write(self, data: bytes) -> None:
        pass

    def close(self) -> None:
        pass


@pytest.mark.parametrize(("says", "sentence"), [(b"", "nothing answers"), (b"ok\r\n\x00", "not in our frames")])
def test_what_is_not_our_board_is_said_to_be_so(line: SimLine, says: bytes, sentence: str) -> None:
    with pytest.raises(LinkError, match=sentence):
        Session(lambda: Silence(says, line), "strange", line.clock)


def test_bodies_of_the_wrong_size_or_protocol_are_a_sentence() -> None:
    for decode in (read_identity, read_live, parse_counters):
        with pytest.raises(LinkError):
            decode(b"\x01\x02")
    with pytest.raises(LinkError, match="protocol 9"):
        read_identity(b"\x09" * 80)
    with pytest.raises(LinkError, match="mode 9"):
        read_live(struct.pack("<HBBHHHHHHH", 0, 9, *[0] * 8))


@pytest.fixture
def virtual(tmp_path: Path) -> Iterator[VirtualBoard]:
    with VirtualBoard(tmp_path / "board.eeprom") as board:
        yield board


def test_a_real_pty_carries_a_whole_flash_and_the_storage_file_keeps_it(virtual: VirtualBoard, tmp_path: Path) -> None:
    with Session.open(virtual.port) as board:
        assert flash(board, OLD).after == OLD.data
        assert board.live().steering_us == 1500.0
    virtual.stop()
    with VirtualBoard(tmp_path / "board.eeprom") as again, Session.open(again.port) as board:
        assert board.read_image() == OLD.data


def test_a_port_held_by_another_is_said_to_be_so(virtual: VirtualBoard) -> None:
    held = SerialWire(virtual.port)
    try:
        with pytest.raises(PortError, match="another program holds it"):
            SerialWire(virtual.port)
    finally:
        held.close()


def test_a_board_that_goes_away_is_unplugged_not_a_traceback(virtual: VirtualBoard) -> None:
    board = Session.open(virtual.port)
    virtual.stop()
    with pytest.raises(PortError):
        board.live()
    board.close()
    board.close()


@pytest.mark.parametrize(
    ("name", "sentence"), [("/dev/no-such-port", "no such port"), ("", "no such port"), ("bad://x", "not a port name")]
)
def test_ports_that_cannot_be_opened(name: str, sentence: str) -> None:
    with pytest.raises(PortError, match=sentence):
        SerialWire(name)


def test_port_virtual_keeps_its_table_from_one_session_to_the_next() -> None:
    with open_board("virtual") as board:
        flash(board, OLD)
    with open_board("virtual") as board:
        assert board.read_image() == OLD.data
    assert virtual_storage().parent == Path(os.environ["LEANMIX_HOME"])


def test_a_board_in_memory_answers_like_one_behind_a_port(tmp_path: Path) -> None:
    wire = MemoryWire(VirtualBoard(tmp_path / "memory.eeprom"))
    with Session(lambda: wire, "memory") as board:
        assert flash(board, OLD).after == OLD.data


def test_a_storage_file_of_something_else_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("not a board")
    with pytest.raises(FileTrouble, match="11 bytes"):
        VirtualBoard(tmp_path / "notes.txt")
    with pytest.raises(FileTrouble):
        VirtualBoard(tmp_path / "notes.txt" / "below")
