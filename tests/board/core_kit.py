"""What the core's tests share: machines' images as values, random images, talking to a board in memory."""

from __future__ import annotations

import random
from collections.abc import Callable

from hypothesis import strategies as st

from leanmix.mixer import (
    AmountInput,
    BoardCore,
    BoardIdentity,
    FrameDecoder,
    Image,
    LiveValues,
    Message,
    OutputTable,
    Reply,
    Result,
    encode_frame,
    image_crc32,
    parse_identity,
    parse_live,
    parse_reply,
    request,
    request_commit,
    request_revert,
    request_write,
)
from tests.board.exact import ExactImage, ExactOutput

LOW, HIGH = 4000, 20000


def random_exact(rng: random.Random, outputs: int | None = None) -> ExactImage:
    """A valid image, anywhere in what TABLE.md allows; plain ranges and extreme ones both often."""
    ends = sorted(rng.sample(range(LOW, HIGH + 1), 3)) if rng.random() < 0.5 else [8000, 12000, 16000]
    while ends[1] - ends[0] < 400 or ends[2] - ends[1] < 400:
        ends = sorted(rng.sample(range(LOW, HIGH + 1), 3))
    right, neutral, left = ends if rng.random() < 0.5 else ends[::-1]
    blocks = [random_output(rng) for _ in range(outputs or rng.choice((1, 2)))]
    amount = None
    if rng.random() < 0.4:
        none = rng.randrange(LOW, HIGH + 1)
        full = rng.randrange(LOW, HIGH + 1)
        while abs(full - none) < 400:
            full = rng.randrange(LOW, HIGH + 1)
        amount = (none, full, rng.randrange(257))
    return ExactImage(
        right=right,
        neutral=neutral,
        left=left,
        accept_min=rng.randrange(LOW, ends[0] + 1),
        accept_max=rng.randrange(ends[2], HIGH + 1),
        outputs=blocks,
        failsafe_frames=rng.choice((2, 3, 10, 255, rng.randrange(2, 256))),
        ramp_frames=rng.choice((1, 2, 50, 255, rng.randrange(1, 256))),
        amount=amount,
        kind=0,
        hash=rng.randbytes(16),
        name=rng.choice((b"", b"Tarn", b"Wren", "Moss \N{SNOWFLAKE}".encode(), b"sixteen bytes ok")),
    )


def random_output(rng: random.Random) -> ExactOutput:
    low, high = sorted(rng.sample(range(LOW, HIGH + 1), 2))
    if rng.random() < 0.3:
        low, high = LOW, HIGH
    style = rng.random()
    if style < 0.3:
        knots = [rng.choice((low, high)) for _ in range(33)]
    elif style < 0.6:
        knots = sorted(rng.randint(low, high) for _ in range(33))
        if rng.random() < 0.5:
            knots.reverse()
    else:
        knots = [rng.randint(low, high) for _ in range(33)]
    return ExactOutput(
        low=low,
        high=high,
        neutral=rng.randint(low, high),
        failsafe=rng.randint(low, high),
        slew=rng.choice((1, 40, 400, 16000, rng.randrange(1, 16001))),
        knots=knots,
    )


exact_images = st.builds(random_exact, st.builds(random.Random, st.integers(0, 2**32)), st.sampled_from((None, 1, 2)))


def as_image(exact: ExactImage) -> Image:
    """The same image as the product's value."""
    return Image(
        outputs=tuple(OutputTable(tuple(o.knots), o.low, o.high, o.neutral, o.failsafe, o.slew) for o in exact.outputs),
        right_eighths=exact.right,
        neutral_eighths=exact.neutral,
        left_eighths=exact.left,
        accept_min_eighths=exact.accept_min,
        accept_max_eighths=exact.accept_max,
        failsafe_frames=exact.failsafe_frames,
        ramp_frames=exact.ramp_frames,
        machine_hash=exact.hash,
        name=exact.name.decode(),
        amount=AmountInput(*exact.amount) if exact.amount else None,
        board_kind=exact.kind,
    )


def as_exact(image: Image) -> ExactImage:
    """The product's value as the reference's."""
    amount = image.amount
    return ExactImage(
        right=image.right_eighths,
        neutral=image.neutral_eighths,
        left=image.left_eighths,
        accept_min=image.accept_min_eighths,
        accept_max=image.accept_max_eighths,
        outputs=[
            ExactOutput(
                o.cap_low_eighths,
                o.cap_high_eighths,
                o.neutral_eighths,
                o.failsafe_eighths,
                o.slew_eighths,
                list(o.knots_eighths),
            )
            for o in image.outputs
        ],
        failsafe_frames=image.failsafe_frames,
        ramp_frames=image.ramp_frames,
        amount=(amount.none_eighths, amount.full_eighths, amount.absent_256ths) if amount else None,
        kind=image.board_kind,
        hash=image.machine_hash,
        name=image.name.encode(),
    )


def plain(name: bytes = b"Tarn", **changes: object) -> ExactImage:
    """An ordinary one-servo table: 1000..2000 µs in, 1100..1900 µs out, 50 µs a frame."""
    image = ExactImage(
        right=8000,
        neutral=12000,
        left=16000,
        accept_min=7000,
        accept_max=17000,
        outputs=[ExactOutput(8800, 15200, 12000, 12000, 400, [8800 + 200 * k for k in range(33)])],
        ramp_frames=5,
        name=name,
    )
    for key, value in changes.items():
        setattr(image, key, value)
    return image


class Wire:
    """A host at the other end of a `BoardCore`."""

    def __init__(self, board: BoardCore, hello: bytes = b"") -> None:
        self.board = board
        self.decoder = FrameDecoder()
        self.sequence = 0
        self.hello = self.take(hello or board.feed(b""))

    def take(self, data: bytes) -> list[Reply]:
        replies = [parse_reply(frame.payload) for frame in self.decoder.feed(data)]
        assert None not in replies
        return [r for r in replies if r is not None]

    def send(self, build: Callable[..., bytes], *arguments: object, ms: float = 0, **words: object) -> list[Reply]:
        """Replies that come at once and within `ms`."""
        self.sequence = self.sequence % 255 + 1
        data = self.board.feed(encode_frame(build(self.sequence, *arguments, **words)))
        return self.take(data + (self.board.tick(ms) if ms else b""))

    def ask(self, build: Callable[..., bytes], *arguments: object, ms: float = 0, **words: object) -> Reply:
        """The one reply, which must be to this request."""
        (reply,) = self.send(build, *arguments, ms=ms, **words)
        assert reply.sequence == self.sequence
        return reply

    def identity(self) -> BoardIdentity:
        return parse_identity(self.ask(lambda s: request(Message.IDENTIFY, s)).body)

    def live(self) -> LiveValues:
        return parse_live(self.ask(lambda s: request(Message.LIVE, s)).body)

    def upload(self, image: bytes, ms: float = 2000) -> int:
        """Write and commit; the last result."""
        result = self.ask(request_write, image).result
        if result != Result.OK:
            return result
        return self.ask(request_commit, image_crc32(image), ms=ms).result

    def revert(self, image: bytes, ms: float = 100) -> int:
        return self.ask(request_revert, image_crc32(image), ms=ms).result


def board_with(*images: bytes) -> Wire:
    wire = Wire(BoardCore())
    for image in images:
        assert wire.upload(image) == Result.OK
    return wire
