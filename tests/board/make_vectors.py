"""Writes firmware_tables/vectors/ from the exact reference: `python -m tests.board.make_vectors`.

The images in it are those of the first release. They stay as they are for ever; new formats add files.
"""

from __future__ import annotations

import random
import zlib
from pathlib import Path

from cobs import cobs
from crccheck.crc import Crc16Ibm3740

from tests.board import exact
from tests.board.core_kit import plain, random_exact
from tests.board.test_core_image import BAD

FOLDER = Path(__file__).parents[2] / "firmware_tables" / "vectors"
PULSES = (0, 1, 3999, 4000, 7999, 8000, 8001, 9999, 11999, 12000, 12001, 13777, 15999, 16000, 16001, 20000, 65535)
AMOUNTS = (0, 1, 77, 128, 255)


def good_images() -> dict[str, exact.ExactImage]:
    found = {"tarn": plain(name=b"Tarn"), "tarn-reversed": plain(name=b"Tarn", right=16000, left=8000)}
    found["tarn-amount"] = plain(name=b"Tarn", amount=(16000, 8000, 64))
    for seed in range(8):
        found[f"random-{seed}"] = random_exact(random.Random(1000 + seed))
    return found


def hexed(data: bytes) -> str:
    return data.hex() or "-"


def checksum_lines() -> list[str]:
    rng = random.Random(1)
    data = [b"123456789", b"", b"\0", b"\0" * 20, b"\xff" * 20] + [rng.randbytes(n) for n in (1, 2, 31, 200)]
    return [f"{hexed(d)} {Crc16Ibm3740.calc(d):04x} {zlib.crc32(d):08x}" for d in data]


def cobs_lines() -> list[str]:
    rng = random.Random(2)
    data = [b"", b"\0", b"\0\0", b"\x01" * 253, b"\x01" * 254, b"\x01" * 254 + b"\0", b"\x01" * 255]
    data += [bytes(rng.choice((0, 1, 255, rng.randrange(256))) for _ in range(n)) for n in (5, 40, 250)]
    data.append(bytes.fromhex("45 00 00 2C 4C 79 00 00 40 06 4F 37"))
    lines = [f"{hexed(d)} {cobs.encode(d).hex()}" for d in data]
    return lines + [f"! {h}" for h in ("05313233", "ff0102", "02")]


def frame_lines() -> list[str]:
    rng = random.Random(3)
    payloads = [b"\x01\x01", b"\x00\x00", rng.randbytes(252), b"\x55" * 252, bytes(252), rng.randbytes(30)]
    return [f"{p.hex()} {cobs.encode(p + Crc16Ibm3740.calc(p).to_bytes(2, 'big')).hex()}00" for p in payloads]


def image_lines() -> list[str]:
    lines = [f"{name} 0 0 {exact.pack(spec).hex()}" for name, spec in good_images().items()]
    for name, (reason, build) in BAD.items():
        output = 1 if reason >= 15 else 0
        lines.append(f"{name.replace(' ', '-')} {int(reason)} {output} {hexed(build())}")
    return lines


def settled_lines() -> list[str]:
    """Image, output, pulse, amount, steering position, settled output."""
    rng = random.Random(4)
    lines = []
    for name, spec in good_images().items():
        for output in range(len(spec.outputs)):
            for pulse in (*PULSES, *(rng.randrange(4000, 20001) for _ in range(15))):
                for amount in (256, rng.choice(AMOUNTS)):
                    position = exact.position(spec, pulse)
                    value = exact.steady(spec, output, pulse, amount)
                    lines.append(f"{name} {output} {pulse} {amount} {position} {value}")
    return lines


def run_lines() -> list[str]:
    """A line with an image's name starts its mixer; then a line a frame: pulse, amount, outputs (0 = none)."""
    rng = random.Random(5)
    lines = []
    for name, spec in good_images().items():
        lines.append(name)
        mixer = exact.ExactMixer(spec)
        for _ in range(120):
            pulse = rng.choice((0, 8000, 12000, 16000, rng.randrange(3000, 21000)))
            amount = rng.choice((256, 256, 0, rng.randrange(257)))
            first, second = [*mixer.step(pulse, amount), 0][:2]
            lines.append(f"{pulse} {amount} {first} {second}")
    return lines


FILES = {
    "checksums.txt": checksum_lines,
    "cobs.txt": cobs_lines,
    "frames.txt": frame_lines,
    "images.txt": image_lines,
    "settled.txt": settled_lines,
    "runs.txt": run_lines,
}

if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for file, lines in FILES.items():
        (FOLDER / file).write_text("\n".join(lines()) + "\n")
