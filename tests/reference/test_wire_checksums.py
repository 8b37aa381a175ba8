"""CRCs and COBS against values published elsewhere, and against other people's packages."""

from __future__ import annotations

import zlib

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740, Crc32IsoHdlc
from hypothesis import given
from hypothesis import strategies as st

from leanmix.mixer import cobs_decode, cobs_encode, crc16, crc32

# RevEng catalogue (through the package crccheck): check values of "123456789".
CHECK = b"123456789"


def test_crc16_catalogue_check_value() -> None:
    assert crc16(CHECK) == 0x29B1  # CRC-16/IBM-3740
    assert crc16(CHECK) != 0x31C3  # CRC-16/XMODEM: same polynomial, other start value


def test_crc32_catalogue_check_value() -> None:
    assert crc32(CHECK) == 0xCBF43926  # CRC-32/ISO-HDLC


def test_crc16_of_data_and_its_crc_is_zero() -> None:
    assert crc16(CHECK + b"\x29\xb1") == 0


@given(st.binary(max_size=600))
def test_crcs_agree_with_other_packages(data: bytes) -> None:
    assert crc16(data) == Crc16Ibm3740.calc(data)
    assert crc32(data) == Crc32IsoHdlc.calc(data) == zlib.crc32(data)


# Cheshire & Baker, IEEE/ACM Transactions on Networking 7(2), 1999; the package cobs.
PAIRS = [
    ("45 00 00 2C 4C 79 00 00 40 06 4F 37", "02 45 01 04 2C 4C 79 01 05 40 06 4F 37"),
    ("", "01"),
    ("00", "01 01"),
    (bytes(range(1, 255)).hex(), "FF" + bytes(range(1, 255)).hex()),
]
NOT_COBS = ["00", "05 31 32 33", "05 31 32 00 34"]


@pytest.mark.parametrize(("plain", "stuffed"), PAIRS)
def test_cobs_published_pairs(plain: str, stuffed: str) -> None:
    assert cobs_encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    assert cobs_decode(bytes.fromhex(stuffed)) == bytes.fromhex(plain)


@pytest.mark.parametrize("stuffed", NOT_COBS)
def test_cobs_published_invalid(stuffed: str) -> None:
    with pytest.raises(ValueError, match="not COBS"):
        cobs_decode(bytes.fromhex(stuffed))


@given(
    st.one_of(
        st.binary(max_size=600),
        st.lists(st.sampled_from((0, 0, 1, 255)), max_size=300).map(bytes),
        st.integers(250, 260).map(lambda n: b"\x01" * n),
    )
)
def test_cobs_agrees_with_another_package(data: bytes) -> None:
    stuffed = cobs_encode(data)
    assert stuffed == cobs.encode(data)
    assert cobs_decode(stuffed) == data


@given(st.binary(max_size=300))
def test_cobs_decoder_accepts_what_another_package_accepts(stuffed: bytes) -> None:
    try:
        expected = cobs.decode(stuffed) if stuffed else None
    except cobs.DecodeError:
        expected = None
    if expected is None:
        with pytest.raises(ValueError, match="not COBS"):
            cobs_decode(stuffed)
    else:
        assert cobs_decode(stuffed) == expected
