"""The golden vectors in firmware_tables/vectors through the Python binding; test_core_build.py puts them through a C program.

They were written by the exact reference (make_vectors.py). Images of the first release stay in them for ever.
"""

from __future__ import annotations

import numpy as np
import pytest

from leanmix.errors import ImageError
from leanmix.mixer import (
    KIND_ATMEGA328P,
    FrameDecoder,
    Image,
    check_image,
    cobs_decode,
    cobs_encode,
    crc16,
    crc32,
    encode_frame,
    lookup,
    normalise,
    reason_words,
    run,
)
from tests.board.make_vectors import FILES, FOLDER


def lines_of(file: str) -> list[list[str]]:
    found = [line.split() for line in (FOLDER / file).read_text().splitlines()]
    assert found
    return found


def unhex(text: str) -> bytes:
    return b"" if text == "-" else bytes.fromhex(text)


IMAGES = {name: unhex(data) for name, _, _, data in lines_of("images.txt")}


@pytest.mark.parametrize("file", FILES)
def test_vectors_are_what_the_exact_reference_says(file: str) -> None:
    assert (FOLDER / file).read_text().splitlines() == FILES[file]()


def test_checksums_cobs_and_frames() -> None:
    for data, short, long in lines_of("checksums.txt"):
        assert (crc16(unhex(data)), crc32(unhex(data))) == (int(short, 16), int(long, 16))
    for plain, stuffed in lines_of("cobs.txt"):
        if plain == "!":
            with pytest.raises(ValueError, match="COBS"):
                cobs_decode(unhex(stuffed))
        else:
            assert cobs_encode(unhex(plain)) == unhex(stuffed)
            assert cobs_decode(unhex(stuffed)) == unhex(plain)
    for payload, frame in lines_of("frames.txt"):
        assert encode_frame(unhex(payload)) == unhex(frame)
        assert FrameDecoder().feed(unhex(frame))[0].payload == unhex(payload)


def test_images_of_the_first_release_load_and_bad_ones_say_why() -> None:
    for name, reason, output, data in lines_of("images.txt"):
        if reason == "0":
            assert Image.decode(unhex(data), KIND_ATMEGA328P).encode() == unhex(data), name
        else:
            with pytest.raises(ImageError) as caught:
                check_image(unhex(data), KIND_ATMEGA328P)
            assert reason_words(int(reason), int(output)) in str(caught.value)


def test_images_of_the_first_release_mean_what_they_meant() -> None:
    loaded = {
        name: Image.decode(data)
        for name, reason, _, data in lines_of("images.txt")
        if reason == "0"
        for data in [unhex(data)]
    }
    for name, output, pulse, amount, position, value in lines_of("settled.txt"):
        image = loaded[name]
        assert normalise(image, [int(pulse)])[0] == int(position)
        assert lookup(image, [int(pulse)], int(output), int(amount))[0] == int(value)


def test_runs_of_the_first_release_mean_what_they_meant() -> None:
    name, frames = "", []
    for line in [*lines_of("runs.txt"), ["end"]]:
        if len(line) == 4:
            frames.append([int(x) for x in line])
            continue
        if frames:
            table = np.array(frames)
            out = run(Image.decode(IMAGES[name]), table[:, 0], amount_256ths=table[:, 1]).out_eighths
            assert np.array_equal(out, table[:, 2 : 2 + out.shape[1]])
        name, frames = line[0], []
