"""Images: round trips, the reasons for refusing one, and that no damaged byte gets through."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leanmix.errors import ImageError
from leanmix.mixer import (
    KIND_ATMEGA328P,
    KIND_VIRTUAL,
    AmountInput,
    Image,
    Reason,
    check_image,
    image_crc32,
    reason_words,
    to_eighths,
    to_us,
)
from tests.board import exact
from tests.board.core_kit import as_image, exact_images, plain


@given(exact_images)
def test_core_and_specification_write_the_same_bytes(spec: exact.ExactImage) -> None:
    image = as_image(spec)
    data = image.encode()
    assert data == exact.pack(spec)
    assert Image.decode(data) == image
    assert image_crc32(data) == zlib.crc32(data[:-4])


def changed(**fields: object) -> Callable[[], bytes]:
    return lambda: exact.pack(plain(**fields))


def output_changed(**fields: object) -> Callable[[], bytes]:
    def build() -> bytes:
        image = plain()
        image.outputs = [image.outputs[0], replace(image.outputs[0], **fields)]
        return exact.pack(image)

    return build


def knot(k: int, value: int) -> Callable[[], bytes]:
    return output_changed(knots=[value if i == k else 8800 + 200 * i for i in range(33)])


BAD = {
    "empty": (Reason.SHORT, lambda: b""),
    "head only": (Reason.SHORT, lambda: exact.pack(plain())[:56]),
    "last byte missing": (Reason.SHORT, lambda: exact.pack(plain())[:-1]),
    "format 0": (Reason.UNKNOWN, changed(format=0)),
    "format 2": (Reason.UNKNOWN, changed(format=2)),
    "no outputs": (Reason.OUTPUTS, changed(count=0)),
    "three outputs": (Reason.OUTPUTS, changed(count=3)),
    "length of two outputs": (Reason.LENGTH, changed(length=212)),
    "a byte after it": (Reason.LENGTH, changed(tail=b"\0")),
    "crc": (Reason.CRC, changed(crc_flip=1)),
    "other board": (Reason.KIND, changed(kind=KIND_VIRTUAL)),
    "option bit 1": (Reason.OPTIONS, changed(options=2)),
    "option bit 7": (Reason.OPTIONS, changed(options=128)),
    "right below 500": (Reason.INPUT_RANGE, changed(right=3999)),
    "left above 2500": (Reason.INPUT_RANGE, changed(left=20001)),
    "reversed, right above 2500": (Reason.INPUT_RANGE, changed(right=20001, left=8000)),
    "neutral above 2500": (Reason.INPUT_ORDER, changed(neutral=20001)),
    "neutral right of right": (Reason.INPUT_ORDER, changed(neutral=7999)),
    "neutral left of left": (Reason.INPUT_ORDER, changed(neutral=16001)),
    "right span zero": (Reason.INPUT_SPAN, changed(right=12000)),
    "right span 399": (Reason.INPUT_SPAN, changed(right=11601)),
    "left span 399": (Reason.INPUT_SPAN, changed(left=12399)),
    "reversed span 399": (Reason.INPUT_SPAN, changed(right=16000, left=11601)),
    "accepts below 500": (Reason.ACCEPT, changed(accept_min=3999)),
    "accepts above 2500": (Reason.ACCEPT, changed(accept_max=20001)),
    "does not accept right": (Reason.ACCEPT, changed(accept_min=8001)),
    "does not accept left": (Reason.ACCEPT, changed(accept_max=15999)),
    "amount without its option": (Reason.AMOUNT, changed(raw_amount=(8000, 16000, 256))),
    "absent without its option": (Reason.AMOUNT, changed(raw_amount=(0, 0, 255))),
    "amount above full": (Reason.AMOUNT, changed(amount=(8000, 16000, 257))),
    "amount span 399": (Reason.AMOUNT, changed(amount=(8000, 8399, 256))),
    "amount below 500": (Reason.AMOUNT, changed(amount=(3999, 8000, 256))),
    "amount above 2500": (Reason.AMOUNT, changed(amount=(8000, 20001, 256))),
    "one failsafe frame": (Reason.FRAMES, changed(failsafe_frames=1)),
    "no ramp": (Reason.FRAMES, changed(ramp_frames=0)),
    "name with a newline": (Reason.NAME, changed(name=b"Ta\nrn")),
    "name with delete": (Reason.NAME, changed(name=b"Tarn\x7f")),
    "name after its end": (Reason.NAME, changed(name=b"Tarn\0x")),
    "low cap below 500": (Reason.CAPS, output_changed(low=3999)),
    "high cap above 2500": (Reason.CAPS, output_changed(high=20001)),
    "caps equal": (Reason.CAPS, output_changed(low=15200)),
    "caps reversed": (Reason.CAPS, output_changed(low=15200, high=8800)),
    "neutral below caps": (Reason.NEUTRAL, output_changed(neutral=8799)),
    "neutral above caps": (Reason.NEUTRAL, output_changed(neutral=15201)),
    "failsafe below caps": (Reason.FAILSAFE, output_changed(failsafe=8799)),
    "failsafe above caps": (Reason.FAILSAFE, output_changed(failsafe=15201)),
    "no slew": (Reason.SLEW, output_changed(slew=0)),
    "slew past the range": (Reason.SLEW, output_changed(slew=16001)),
    "first knot below": (Reason.KNOT, knot(0, 8799)),
    "a knot above": (Reason.KNOT, knot(17, 15201)),
    "last knot above": (Reason.KNOT, knot(32, 15201)),
}


@pytest.mark.parametrize("case", BAD)
def test_each_fault_has_its_reason(case: str) -> None:
    reason, build = BAD[case]
    output = 1 if reason >= Reason.CAPS else 0
    with pytest.raises(ImageError) as caught:
        check_image(build(), KIND_ATMEGA328P)
    assert reason_words(reason, output) in str(caught.value)


def test_every_reason_has_a_case_and_words() -> None:
    assert {reason for reason, _ in BAD.values()} == set(Reason) - {Reason.OK}
    assert len({reason_words(r, 0) for r in Reason}) == len(Reason)
    assert "version does not know" in reason_words(99, 0)


LIMITS = {
    "narrowest spans": changed(right=11600, left=12400),
    "whole range": changed(right=4000, left=20000, accept_min=4000, accept_max=20000),
    "reversed": changed(right=16000, left=8000),
    "for this board": changed(kind=KIND_ATMEGA328P),
    "name of 16 bytes": changed(name=b"sixteen bytes ok"),
    "flat table": output_changed(low=11999, high=12000, failsafe=11999, knots=[12000] * 33),
    "fastest slew": output_changed(slew=16000),
    "amount reversed": changed(amount=(16000, 15600, 0)),
    "least frames": changed(failsafe_frames=2, ramp_frames=1),
    "most frames": changed(failsafe_frames=255, ramp_frames=255),
}


@pytest.mark.parametrize("case", LIMITS)
def test_what_lies_on_a_limit_is_taken(case: str) -> None:
    check_image(LIMITS[case](), KIND_ATMEGA328P)


def test_any_damaged_byte_is_refused() -> None:
    data = exact.pack(plain())
    for at in range(len(data)):
        for flip in (0x01, 0x80, 0xFF):
            damaged = bytearray(data)
            damaged[at] ^= flip
            with pytest.raises(ImageError):
                check_image(bytes(damaged))


@given(st.binary(max_size=300))
def test_random_bytes_are_refused_in_words(data: bytes) -> None:
    with pytest.raises(ImageError, match="not usable"):
        Image.decode(data)


def test_random_heads_with_a_good_crc_are_judged_as_the_specification_judges() -> None:
    """Past the CRC every field is fuzzed: what is accepted must still mean the same to the specification."""
    rng = random.Random(5)
    taken = 0
    for _ in range(3000):
        body = bytearray(exact.pack(plain())[:-4])
        for _ in range(rng.choice((1, 1, 2, 4))):
            at = rng.randrange(4, len(body) & ~1)
            body[at] = rng.choice((0, 1, 0x20, 0x7F, 0xFF, rng.randrange(256)))
        data = bytes(body) + struct.pack("<I", zlib.crc32(body))
        try:
            image = Image.decode(data)
        except ImageError:
            continue
        taken += 1
        assert image.encode() == data or "\N{REPLACEMENT CHARACTER}" in image.name
        assert all(o.cap_low_eighths <= min(o.knots_eighths) for o in image.outputs)
    assert 300 < taken < 2900


@given(st.binary(max_size=16).map(lambda b: b.rstrip(b"\0")))
def test_names_are_for_show_but_steer_no_terminal(name: bytes) -> None:
    data = exact.pack(plain(name=name))
    if any(c < 0x20 or c == 0x7F for c in name):
        with pytest.raises(ImageError, match="control characters"):
            Image.decode(data)
    else:
        assert Image.decode(data).name == name.decode(errors="replace")


@given(st.text(max_size=5).filter(lambda t: len(t.encode(errors="replace")) <= 16))
def test_any_short_text_is_a_name_or_refused(text: str) -> None:
    try:
        plainly = text.encode()
    except UnicodeEncodeError:
        return  # lone surrogates are not text that a file can hold
    if any(c < " " or c == "\x7f" for c in text):
        with pytest.raises(ImageError):
            replace(as_image(plain()), name=text).encode()
    else:
        assert Image.decode(exact.pack(plain(name=plainly))).name == text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"name": "a name of 17 byte"}, "too long"),
        ({"name": "Tarn\0"}, "control characters"),
        ({"machine_hash": b"short"}, "16"),
        ({"outputs": ()}, "neither one output nor two"),
        ({"right_eighths": -1}, "full right"),
        ({"left_eighths": 65536}, "full left"),
        ({"failsafe_frames": 256}, "failsafe frames"),
        ({"ramp_frames": 0}, "ramp frame"),
        ({"amount": AmountInput(8000, 16000, 300)}, "lean amount"),
        ({"board_kind": 256}, "board kind"),
    ],
)
def test_values_that_an_image_cannot_carry_are_refused_in_words(change: dict[str, object], words: str) -> None:
    with pytest.raises(ImageError, match=words):
        replace(as_image(plain()), **change).encode()


def test_wrong_number_of_knots_is_refused() -> None:
    image = as_image(plain())
    short = replace(image.outputs[0], knots_eighths=image.outputs[0].knots_eighths[:-1])
    with pytest.raises(ImageError, match="32 knots"):
        replace(image, outputs=(short,)).encode()


def test_eighths_and_microseconds() -> None:
    assert to_eighths(1500) == 12000
    assert to_us(to_eighths(1234.5)) == 1234.5
