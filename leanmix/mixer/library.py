"""Finds and loads the compiled C core; every call into it is declared here, once.

The library is built at install from ``firmware_tables/`` (see pyproject.toml). It is the only implementation of the
mixer, the image format, the frames and the board's messages; this package only hands bytes and arrays over.
"""

from __future__ import annotations

import ctypes
from ctypes import POINTER, c_int, c_long, c_size_t, c_uint8, c_uint16, c_uint32, c_uint64, c_void_p
from functools import cache
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path

from leanmix.errors import CoreMissing

__all__ = ["CImageFields", "core", "firmware_hex"]

INTERFACE = 2
KNOTS = 33
OUTPUTS_MAX = 2

_CURE = "Install a C compiler (gcc or clang) and install leanmix again."


class COutputFields(ctypes.Structure):
    """``struct lm_output_fields``."""

    _fields_ = (
        ("pulse_min", c_uint16),
        ("pulse_max", c_uint16),
        ("neutral", c_uint16),
        ("failsafe", c_uint16),
        ("slew", c_uint16),
        ("knots", c_uint16 * KNOTS),
    )


class CImageFields(ctypes.Structure):
    """``struct lm_image_fields``."""

    _fields_ = (
        ("outputs", c_uint8),
        ("board_kind", c_uint8),
        ("options", c_uint8),
        ("failsafe_frames", c_uint8),
        ("ramp_frames", c_uint8),
        ("spare", c_uint8),
        ("right", c_uint16),
        ("neutral", c_uint16),
        ("left", c_uint16),
        ("accept_min", c_uint16),
        ("accept_max", c_uint16),
        ("amount_low", c_uint16),
        ("amount_high", c_uint16),
        ("amount_absent", c_uint16),
        ("hash", c_uint8 * 16),
        ("name", c_uint8 * 16),
        ("output", COutputFields * OUTPUTS_MAX),
    )


# name: (result, argument types)
_CALLS: dict[str, tuple[object, tuple[object, ...]]] = {
    "lmh_interface": (c_int, ()),
    "lmh_fields_bytes": (c_size_t, ()),
    "lmh_mix_bytes": (c_size_t, ()),
    "lmh_unframe_bytes": (c_size_t, ()),
    "lmh_check": (c_int, (c_void_p, c_size_t, c_uint8, POINTER(c_uint8))),
    "lmh_encode": (c_int, (POINTER(CImageFields), c_void_p, POINTER(c_uint16), POINTER(c_uint8))),
    "lmh_decode": (None, (c_void_p, POINTER(CImageFields))),
    "lmh_crc16": (c_uint16, (c_void_p, c_size_t)),
    "lmh_crc32": (c_uint32, (c_void_p, c_size_t)),
    "lmh_cobs": (c_size_t, (c_void_p, c_size_t, c_void_p)),
    "lmh_uncobs": (c_long, (c_void_p, c_size_t, c_void_p)),
    "lmh_frame": (c_size_t, (c_void_p, c_size_t, c_void_p)),
    "lmh_unframe_start": (None, (c_void_p, c_void_p, c_size_t)),
    "lmh_unframe": (c_int, (c_void_p, c_void_p, c_size_t, POINTER(c_size_t), POINTER(c_size_t))),
    "lmh_normalise": (None, (c_void_p, c_void_p, c_size_t, c_void_p)),
    "lmh_lookup": (None, (c_void_p, c_uint8, c_void_p, c_size_t, c_uint16, c_void_p)),
    "lmh_table": (None, (c_void_p, c_uint8, c_void_p, c_size_t, c_void_p)),
    "lmh_amount": (None, (c_void_p, c_void_p, c_size_t, c_void_p)),
    "lmh_start": (None, (c_void_p, c_size_t, c_void_p, c_size_t)),
    "lmh_run": (None, (c_void_p, c_void_p, c_void_p, c_void_p, c_size_t, c_void_p, c_void_p)),
    "lmh_step": (
        None,
        (c_void_p, c_size_t, c_void_p, c_size_t, c_void_p, c_void_p, c_void_p, c_void_p),
    ),
    "lmh_board_bytes": (c_size_t, ()),
    "lmh_storage_bytes": (c_size_t, ()),
    "lmh_board_make": (None, (c_void_p, c_void_p, c_uint8, c_uint32, c_void_p, c_uint32)),
    "lmh_board_power": (None, (c_void_p, c_uint8)),
    "lmh_board_cut": (None, (c_void_p, c_uint64, c_uint8, c_uint8)),
    "lmh_board_supply": (None, (c_void_p, c_uint16)),
    "lmh_board_stuck": (None, (c_void_p, c_uint8)),
    "lmh_board_writes": (c_uint64, (c_void_p,)),
    "lmh_board_dead": (c_uint8, (c_void_p,)),
    "lmh_board_storage": (None, (c_void_p, c_void_p)),
    "lmh_board_out": (None, (c_void_p, c_void_p)),
    "lmh_board_running": (c_uint8, (c_void_p,)),
    "lmh_board_image": (c_uint16, (c_void_p, c_void_p)),
    "lmh_board_feed": (
        c_size_t,
        (c_void_p, c_void_p, c_size_t, POINTER(c_size_t), c_void_p, c_size_t),
    ),
    "lmh_board_pass": (None, (c_void_p, c_uint32, c_uint16, c_uint16)),
}


def library_file(folder: Path) -> Path:
    """Path of the compiled core in `folder`; raises `CoreMissing` where there is none."""
    for suffix in EXTENSION_SUFFIXES:
        path = folder / f"_core{suffix}"
        if path.is_file():
            return path
    raise CoreMissing("The mixer core was not built when leanmix was installed.", _CURE)


def load(path: Path) -> ctypes.CDLL:
    """Load a compiled core, declare its calls, and see that it is the one this package expects."""
    try:
        library = ctypes.CDLL(str(path))
        for name, (result, arguments) in _CALLS.items():
            function = getattr(library, name)
            function.restype = result
            function.argtypes = arguments
    except (OSError, AttributeError) as cause:
        raise CoreMissing(f"The mixer core {path.name} does not load: {cause}.", _CURE) from cause
    fits = library.lmh_interface() == INTERFACE and library.lmh_fields_bytes() == ctypes.sizeof(CImageFields)
    if not fits:
        raise CoreMissing(f"The mixer core {path.name} is from another version of leanmix.", _CURE)
    return library


@cache
def core() -> ctypes.CDLL:
    """Return the compiled core, loaded once.

    Raises
    ------
    CoreMissing
        No library was built, it does not load, or it belongs to another version.
    """
    return load(library_file(Path(__file__).parent))


def firmware_hex() -> str:
    """Intel HEX of the ATmega328P firmware that belongs to this version."""
    return (Path(__file__).parent / "leanmix-atmega328p.hex").read_text(encoding="ascii")
