"""Frames: cut anywhere, fed in any pieces, with noise between, damaged in any byte."""

from __future__ import annotations

import random

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740
from hypothesis import given
from hypothesis import strategies as st

from leanmix.mixer import PAYLOAD_BYTES_MAX, FrameDecoder, FrameResult, encode_frame

payloads = st.binary(min_size=2, max_size=PAYLOAD_BYTES_MAX)


def foreign_frame(payload: bytes) -> bytes:
    """The same frame by other people's packages."""
    return bytes(cobs.encode(payload + Crc16Ibm3740.calc(payload).to_bytes(2, "big"))) + b"\0"


@given(payloads)
def test_frames_equal_those_of_other_packages(payload: bytes) -> None:
    assert encode_frame(payload) == foreign_frame(payload)


@given(st.lists(payloads, max_size=4), st.lists(st.integers(1, 40), min_size=1, max_size=10))
def test_frames_come_back_however_the_bytes_arrive(sent: list[bytes], pieces: list[int]) -> None:
    stream = b"\0" + b"".join(encode_frame(p) for p in sent)
    decoder = FrameDecoder()
    got = []
    turn = 0
    while stream:
        n = pieces[turn % len(pieces)]
        got += decoder.feed(stream[:n])
        stream = stream[n:]
        turn += 1
    assert [f.payload for f in got] == sent
    assert all(f.result == FrameResult.DONE for f in got)


@given(payloads, st.data())
def test_one_damaged_byte_never_passes(payload: bytes, data: st.DataObject) -> None:
    frame = bytearray(encode_frame(payload))
    at = data.draw(st.integers(0, len(frame) - 1))
    frame[at] ^= data.draw(st.integers(1, 255))
    done = [f.payload for f in FrameDecoder().feed(bytes(frame) + b"\0") if f.result == FrameResult.DONE]
    if at == len(frame) - 1:
        # A delimiter turned into a block of one zero lengthens the frame, which this CRC cannot see.
        assert all(p.startswith(payload) and len(p) == len(payload) + 1 for p in done)
    else:
        assert not done


@given(payloads, st.integers(0, 300))
def test_a_frame_cut_short_never_passes_and_the_next_one_does(payload: bytes, keep: int) -> None:
    frame = encode_frame(payload)
    keep %= len(frame) - 1
    got = FrameDecoder().feed(frame[:keep] + b"\0" + encode_frame(b"next one"))
    assert got[-1].payload == b"next one"
    done = [f.payload for f in got[:-1] if f.result == FrameResult.DONE]
    if keep == len(frame) - 2 and frame[keep] == 1:
        # A check sum that ends in zero (a block of one) shows the byte before it as a sum too: this CRC cannot see the
        # loss of its own last byte then. Every message has its length, and an image its CRC-32, for that.
        assert done in ([], [payload[:-1]])
    else:
        assert not done


def test_the_loss_that_the_frames_own_sum_cannot_see() -> None:
    """e6 c3 44 95 has the sum 4a 00, and e6 c3 44 the sum 95 4a."""
    frame = encode_frame(b"\xe6\xc3\x44\x95")
    (got,) = FrameDecoder().feed(frame[:-2] + b"\0")
    assert got.payload == b"\xe6\xc3\x44"


@given(st.binary(max_size=2000))
def test_noise_is_survived_and_the_next_frame_is_read(noise: bytes) -> None:
    decoder = FrameDecoder()
    decoder.feed(noise + b"\0")
    assert [f.payload for f in decoder.feed(encode_frame(b"after the noise"))] == [b"after the noise"]


def test_noise_passes_as_a_frame_no_oftener_than_a_16_bit_crc_lets_it() -> None:
    rng = random.Random(11)
    decoder = FrameDecoder()
    frames = decoder.feed(bytes(rng.choice((0, 1, 2, 3, 5, 9, rng.randrange(256))) for _ in range(400_000)))
    done = sum(f.result == FrameResult.DONE for f in frames)
    judged = sum(f.result in (FrameResult.DONE, FrameResult.BAD_CRC) for f in frames)
    assert judged > 3000
    assert done <= 3  # expectation judged / 65536


@pytest.mark.parametrize(
    ("stream", "result"),
    [
        (b"\x01\0", FrameResult.SHORT),
        (cobs.encode(Crc16Ibm3740.calc(b"").to_bytes(2, "big")) + b"\0", FrameResult.SHORT),
        (foreign_frame(b"x"), FrameResult.SHORT),
        (b"\x05abc\0", FrameResult.CUT),
        (encode_frame(b"ab")[:-2] + b"\x55\0", FrameResult.BAD_CRC),
        (foreign_frame(bytes(range(250)) + b"abc"), FrameResult.LONG),
        (b"\x01" * 5000 + b"\0", FrameResult.LONG),
        (b"\xff" + b"\x11" * 254 + b"\x02\x11\0", FrameResult.LONG),
    ],
)
def test_each_fault_has_its_result(stream: bytes, result: FrameResult) -> None:
    assert [f.result for f in FrameDecoder().feed(stream)] == [result]


def test_the_longest_payload_fits_and_one_more_does_not() -> None:
    longest = b"\x07" * PAYLOAD_BYTES_MAX
    assert FrameDecoder().feed(encode_frame(longest))[0].payload == longest
    with pytest.raises(ValueError, match="at most 252"):
        encode_frame(longest + b"\x07")


def test_lone_delimiters_are_passed_over() -> None:
    assert FrameDecoder().feed(b"\0" * 50) == []
