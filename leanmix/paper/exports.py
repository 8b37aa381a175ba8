"""A table for other people's tools: C header, Intel HEX for the EEPROM, plain bytes, CSV at every input count.

The layout of the bytes and where they lie in the EEPROM: firmware_tables/TABLE.md.
"""

from __future__ import annotations

import csv
import io
import textwrap
import unicodedata
from collections.abc import Sequence

import numpy as np
from intelhex import IntelHex

from leanmix import __version__
from leanmix.curve import Plan, every_input, steer_of_pulse
from leanmix.linkage import throw_at_pulse_rad
from leanmix.machine import MachineFile
from leanmix.mixer import Image, image_crc32, lookup, normalise

__all__ = [
    "CSV_COLUMNS",
    "SLOT_ADDRESS",
    "binary",
    "eeprom_bytes",
    "header",
    "intel_hex",
    "lean_at_throw",
    "mapping_csv",
]

# TABLE.md, section 4
SLOT_ADDRESS = 32
OTHER_SLOT_ADDRESS = 256
_MAGIC, _NO_MAGIC = 0xA6, 0xFF
_SEQUENCE = 1


def binary(image: Image) -> bytes:
    """The image's bytes, as a board stores them: 136 for one output, 212 for two."""
    return image.encode()


def eeprom_bytes(image: Image) -> dict[int, int]:
    """EEPROM address → byte, for a programmer that writes the EEPROM whole.

    Slot 0 gets the image with its sequence number and magic; slot 1 is made void, so that nothing newer in it runs
    instead. The board's serial number is left alone.
    """
    slot = bytes((_MAGIC, _SEQUENCE, _SEQUENCE ^ 0xFF)) + image.encode()
    return {SLOT_ADDRESS + i: byte for i, byte in enumerate(slot)} | {OTHER_SLOT_ADDRESS: _NO_MAGIC}


def intel_hex(image: Image) -> str:
    """Intel HEX (8-bit records) of `eeprom_bytes`; line ends are ``\\n``.

    The format has no room for remarks: machine hash, name and caps are in the bytes.
    """
    out = io.StringIO()
    IntelHex(eeprom_bytes(image)).write_hex_file(out, write_start_addr=False, eolstyle="native", byte_count=16)
    return out.getvalue()


def _plain(text: str) -> str:
    """ASCII that can stand in a C comment."""
    folded = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    safe = "".join(c if c.isprintable() and c not in "\\?" else "_" for c in folded)
    return safe.replace("*/", "* /").replace("/*", "/ *").strip() or "unnamed"


def _numbers(values: Sequence[int], width: int = 100) -> str:
    rows = textwrap.wrap(", ".join(map(str, values)), width)
    return "\n".join("    " + row for row in rows)


_COMMENT = """\
/*
 * Servo pulse over steering pulse for the machine "{name}".
 * Written by leanmix {version}. Machine file SHA-256 {digest}
 *
 * All pulses are whole eighths of a microsecond (12000 = 1500 us).
 * {caps}
 *
 * How to use it, in integers only. For a steering pulse p:
 *   1. Position u, 0 = full right, 4096 = neutral, 8192 = full left:
 *        end  = LEAN_STEER_LEFT if p is on its side of LEAN_STEER_NEUTRAL, else LEAN_STEER_RIGHT
 *        d    = |p - LEAN_STEER_NEUTRAL|,  span = |end - LEAN_STEER_NEUTRAL|
 *        part = 4096 if d >= span, else (d * 4096 + span / 2) / span
 *        u    = 4096 + part on the left side, 4096 - part on the right
 *   2. Table, with i = u / 256 and f = u % 256:
 *        pulse = knot[i] if f is 0
 *        pulse = knot[i] +- (|knot[i + 1] - knot[i]| * f + 128) / 256, + where the table rises
 *   3. Last of all bring the pulse into the caps, and move towards it by at most the slew limit a frame.
 *   4. Pulses below LEAN_STEER_LOWEST or above LEAN_STEER_HIGHEST, or none at all, for
 *      LEAN_FAILSAFE_FRAMES frames: go to the failsafe pulse at the slew limit.
 * d * 4096 and the product in step 2 need 32 bits. A frame is 20 ms.
 *
 * A machine that leans can pinch fingers and strip gears: try it on a stand, drive disconnected.
 */
"""


def header(image: Image, source: MachineFile) -> str:
    """A C99 header with the table's constants and a comment from which a stranger can use them.

    Parameters
    ----------
    image : Image
        The table.
    source : MachineFile
        The machine file it was made from, named in the comment.

    Returns
    -------
    str
        ASCII text; every name begins with LEAN_ or lean_.
    """
    data = image.encode()
    caps = "; ".join(
        f"Caps of output {i}: {o.cap_low_eighths} to {o.cap_high_eighths}"
        f" ({o.cap_low_eighths / 8:g} to {o.cap_high_eighths / 8:g} us)"
        for i, o in enumerate(image.outputs)
    )
    comment = _COMMENT.format(
        name=_plain(source.machine.name), version=_plain(__version__), digest=source.digest.hex(), caps=f"{caps}."
    )
    defines = {
        "LEAN_OUTPUTS": len(image.outputs),
        "LEAN_KNOTS": len(image.outputs[0].knots_eighths),
        "LEAN_STEER_RIGHT": image.right_eighths,
        "LEAN_STEER_NEUTRAL": image.neutral_eighths,
        "LEAN_STEER_LEFT": image.left_eighths,
        "LEAN_STEER_LOWEST": image.accept_min_eighths,
        "LEAN_STEER_HIGHEST": image.accept_max_eighths,
        "LEAN_FAILSAFE_FRAMES": image.failsafe_frames,
        "LEAN_RAMP_FRAMES": image.ramp_frames,
        "LEAN_IMAGE_BYTES": len(data),
    }
    rows = "\n".join(f"#define {name} {value}" for name, value in defines.items())
    knots = ",\n".join("  {\n" + _numbers(o.knots_eighths) + "\n  }" for o in image.outputs)

    def each(what: str, field: str) -> str:
        values = ", ".join(str(getattr(o, field)) for o in image.outputs)
        return f"static const uint16_t lean_{what}[LEAN_OUTPUTS] = {{{values}}};"

    return (
        f"{comment}#ifndef LEAN_TABLE_H\n#define LEAN_TABLE_H\n\n#include <stdint.h>\n\n{rows}\n\n"
        f"static const uint16_t lean_knots[LEAN_OUTPUTS][LEAN_KNOTS] = {{\n{knots}\n}};\n\n"
        + "\n".join(
            (
                each("cap_low", "cap_low_eighths"),
                each("cap_high", "cap_high_eighths"),
                each("neutral", "neutral_eighths"),
                each("failsafe", "failsafe_eighths"),
                each("slew_per_frame", "slew_eighths"),
            )
        )
        + f"\n\n/* The same as bytes for a leanmix board, CRC-32 {image_crc32(data):08x} at the end. */\n"
        f"static const uint8_t lean_image[LEAN_IMAGE_BYTES] = {{\n{_numbers(list(data))}\n}};\n\n#endif\n"
    )


CSV_COLUMNS = ("input_count", "input_us", "steer", "position", "output", "output_us", "throw_deg", "lean_deg")


def lean_at_throw(plan: Plan, throw_deg: np.ndarray) -> np.ndarray:
    """Lean [deg] at each throw [deg], shape (n,), by the exact function, once per different throw."""
    different, back = np.unique(throw_deg, return_inverse=True)
    return np.asarray(plan.rising.lean_of_throw(different), dtype=np.float64)[back]


def mapping_csv(image: Image, plan: Plan, source: MachineFile) -> str:
    """The mapping at every input count from one full lock to the other, 1/8 µs apart, through the C core.

    Parameters
    ----------
    image : Image
        The table.
    plan : Plan
        The exact mapping it was made from: for throw and lean.
    source : MachineFile
        The machine file.

    Returns
    -------
    str
        Lines beginning with # say who wrote it, for which machine, and the caps; then one row per count and output:
        ``input_count`` [1/8 µs], ``input_us``, ``steer`` (−1 right … 1 left), ``position`` (0 … 8192), ``output``
        (from 0), ``output_us``, ``throw_deg`` and ``lean_deg`` (both + left; a servo each side: by that servo's own
        throw). Line ends are ``\\n``.
    """
    pulses = every_input(plan)
    steer = steer_of_pulse(plan.numbers, pulses / 8)
    position = normalise(image, pulses)
    out = io.StringIO()
    out.write(f"# leanmix {__version__}: servo pulse at every input count\n")
    out.write(f"# machine {_plain(source.machine.name)}, file SHA-256 {source.digest.hex()}\n")
    for i, o in enumerate(image.outputs):
        out.write(f"# output {i}: caps {o.cap_low_eighths / 8:g} to {o.cap_high_eighths / 8:g} us\n")
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(CSV_COLUMNS)
    outputs = [lookup(image, pulses, i) / 8 for i in range(len(image.outputs))]
    throws = [np.rad2deg(t) for t in throw_at_pulse_rad(plan.machine, plan.numbers, tuple(outputs))]
    leans = [lean_at_throw(plan, t) for t in throws]
    for k in range(len(pulses)):
        for i, pulse_us in enumerate(outputs):
            rows.writerow(
                (
                    pulses[k],
                    f"{pulses[k] / 8:.3f}",
                    f"{steer[k]:.6f}",
                    position[k],
                    i,
                    f"{pulse_us[k]:.3f}",
                    f"{throws[i][k]:.4f}",
                    f"{leans[i][k]:.4f}",
                )
            )
    return out.getvalue()
