"""Power cuts: at every storage write of an upload, a revert and the recovery after a cut, torn in every way.

Whatever happens, the image before or the image after runs. What the board calls the image to go back to is likewise whole.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import pytest

from leanmix.mixer import (
    STORAGE_BYTES,
    BoardCore,
    FrameDecoder,
    Result,
    Tear,
    encode_frame,
    image_crc32,
    parse_reply,
    request_commit,
    request_read,
    request_revert,
    request_serial,
    request_write,
)
from tests.board import exact
from tests.board.core_kit import Wire, plain, random_exact
from tests.conftest import DEEP

SLOTS = (32, 256)
SLOT_BYTES = 224
MAGIC = 0xA6


def image_with(name: bytes, seed: int | None = None) -> bytes:
    """A plain table, or one with every byte its own."""
    spec = plain(name=name) if seed is None else random_exact(random.Random(seed), outputs=2)
    return exact.pack(replace(spec, name=name))


# A and B differ in a few bytes (quick, so every pair of cuts is tried); the wide ones in nearly all.
A, B, C, NEW = (image_with(n) for n in (b"A", b"B", b"C", b"New"))
WIDE_A, WIDE_B, WIDE_NEW = (image_with(n, seed) for n, seed in ((b"A", 1), (b"B", 2), (b"New", 3)))


def upload_bytes(image: bytes) -> list[bytes]:
    return [encode_frame(request_write(1, image)), encode_frame(request_commit(2, image_crc32(image)))]


def revert_bytes(image: bytes) -> list[bytes]:
    return [encode_frame(request_revert(1, image_crc32(image)))]


def play(board: BoardCore, frames: list[bytes]) -> int | None:
    """Last result, None where the board died or has not answered."""
    sent = board.tick(0)
    for frame in frames:
        sent = board.feed(frame) + board.tick(0)
    replies = [parse_reply(f.payload) for f in FrameDecoder().feed(sent)]
    return replies[-1].result if replies and replies[-1] else None


def stored(*images: bytes, worn: int | None = None) -> bytes:
    """Storage after these uploads in turn; worn = over old rubbish with this seed."""
    storage = b"\xff" * STORAGE_BYTES
    if worn is not None:
        rng = random.Random(worn)
        rubbish = bytearray(rng.randbytes(STORAGE_BYTES))
        for slot in SLOTS:
            rubbish[slot] = rng.choice((MAGIC, rubbish[slot]))
        storage = bytes(rubbish)
    board = BoardCore(storage)
    for image in images:
        assert play(board, upload_bytes(image)) == Result.OK
    return board.storage


@dataclass(frozen=True)
class Case:
    """An action on a storage: what may run after a cut, what is to run at the end, what may be called previous."""

    storage: bytes
    frames: list[bytes]
    before: bytes
    after: bytes
    known: tuple[bytes, ...]


def cases(a: bytes, b: bytes, c: bytes, new: bytes) -> dict[str, Case]:
    found = {}
    for age, worn in (("fresh", None), ("worn", 7), ("worn again", 8)):
        one, two, three = (stored(*images, worn=worn) for images in ((a,), (a, b), (a, b, c)))
        found |= {
            f"{age}, first upload": Case(stored(worn=worn), upload_bytes(new), b"", new, (new,)),
            f"{age}, slot 0 runs, upload over nothing": Case(one, upload_bytes(new), a, new, (a, new)),
            f"{age}, slot 1 runs, upload": Case(two, upload_bytes(new), b, new, (a, b, new)),
            f"{age}, slot 0 runs, upload": Case(three, upload_bytes(new), c, new, (b, c, new)),
            f"{age}, slot 1 runs, upload of the one before": Case(two, upload_bytes(a), b, a, (a, b)),
            f"{age}, slot 1 runs, revert": Case(two, revert_bytes(a), b, a, (a, b)),
            f"{age}, slot 0 runs, revert": Case(three, revert_bytes(b), c, b, (b, c)),
        }
    return found


CASES = cases(A, B, C, NEW)


def writes_of(storage: bytes, frames: list[bytes]) -> int:
    board = BoardCore(storage)
    play(board, frames)
    return board.storage_writes


def cuts(storage: bytes, frames: list[bytes], rng: random.Random, randoms: int = 2) -> Iterator[tuple[bytes, Tear]]:
    """Storage after a cut at each write, torn in each way."""
    for write in range(writes_of(storage, frames)):
        ways = [(t, 0xFF) for t in (Tear.NONE, Tear.ONES, Tear.AND, Tear.OR)]
        ways += [(Tear.RANDOM, MAGIC)] + [(Tear.RANDOM, rng.randrange(256)) for _ in range(randoms)]
        for tear, byte in ways:
            board = BoardCore(storage)
            board.cut_power(write, tear, byte)
            play(board, frames)
            assert not board.powered
            yield board.storage, tear


def whole_after(case: Case, storage: bytes) -> bytes:
    """What runs after power-up; holds it, and the image to go back to, against what is allowed."""
    board = BoardCore(storage)
    running = board.running_bytes
    assert running in (case.before, case.after)
    assert board.storage_writes == 0
    assert board.storage == storage
    reply = parse_reply(
        FrameDecoder().feed(board.feed(b"") + board.feed(encode_frame(request_read(9, previous=True))))[-1].payload
    )
    assert reply is not None
    if reply.result == Result.OK:
        assert reply.body in case.known
        assert reply.body != running
    else:
        assert reply.result == Result.NO_PREVIOUS
    return running


def recovery_of(case: Case, running: bytes) -> list[bytes]:
    """What a host does after the cut: the upload once more (a revert whose image is gone becomes an upload too)."""
    return upload_bytes(case.after if running != case.after else case.before or case.after)


@pytest.mark.fault
@pytest.mark.parametrize("name", CASES)
def test_cut_at_every_write_and_again_while_recovering(
    name: str, record_property: Callable[[str, object], None]
) -> None:
    case = CASES[name]
    rng = random.Random(name)
    seen: Counter[str] = Counter()
    # Every pair of cuts where few bytes change; where many do, the default run takes each 24th first cut.
    step = 1 if DEEP or writes_of(case.storage, case.frames) < 40 else 24
    for number, (storage, _) in enumerate(cuts(case.storage, case.frames, rng)):
        running = whole_after(case, storage)
        seen["first cut"] += 1
        seen["after" if running == case.after else "before"] += 1
        recovery = recovery_of(case, running)
        goal = case.after if running != case.after else case.before or case.after
        second = replace(case, before=running, after=goal)
        if number % step == 0:
            for again, _ in cuts(storage, recovery, rng, randoms=0):
                whole_after(second, again)
                seen["cut while recovering"] += 1
        board = BoardCore(storage)
        assert play(board, recovery) in (Result.OK, Result.SAME)
        assert board.running_bytes == goal
    assert seen["before"] > 0
    # A torn magic byte may come out right; a revert's complement comes out right only by the whole write.
    assert seen["after"] > 0 or len(case.frames) == 1 or case.after in case.known[:2]
    tried = seen["first cut"] + seen["cut while recovering"]
    came = f"the old image ran {seen['before']} times, the new {seen['after']}, never none, never a mix"
    record_property("fault", [f"power cut at every storage byte, five tears: {name}", tried, came])


WIDE_STEPS = 1 if DEEP else 3


@pytest.mark.fault
@pytest.mark.parametrize("age", ["fresh", "worn"])
@pytest.mark.parametrize("order", [(WIDE_A,), (WIDE_A, WIDE_B)], ids=["slot 0 runs", "slot 1 runs"])
def test_cut_at_every_write_of_an_upload_that_changes_nearly_all(
    age: str, order: tuple[bytes, ...], record_property: Callable[[str, object], None]
) -> None:
    storage = stored(*order, worn=None if age == "fresh" else 9)
    case = Case(storage, upload_bytes(WIDE_NEW), order[-1], WIDE_NEW, (*order, WIDE_NEW))
    assert writes_of(case.storage, case.frames) > 190
    count = 0
    for number, (torn, _) in enumerate(cuts(case.storage, case.frames, random.Random(age))):
        running = whole_after(case, torn)
        count += 1
        if number % WIDE_STEPS == 0:
            board = BoardCore(torn)
            play(board, recovery_of(case, running))
            assert board.running_bytes == (WIDE_NEW if running != WIDE_NEW else order[-1])
    assert count > 7 * 190
    what = f"power cut at every byte of an upload that changes nearly all, {age}, {len(order)} images before"
    record_property("fault", [what, count, "old or new, never none, never a mix"])


def test_two_cuts_in_a_row_never_leave_none() -> None:
    """Random walks: upload, cut, upload something else, cut, revert, cut … on one storage for ever."""
    rng = random.Random(3)
    images = [WIDE_A, WIDE_B, WIDE_NEW, A, B]
    storage = stored(WIDE_A)
    for _ in range(20_000 if DEEP else 2000):
        board = BoardCore(storage)
        running = board.running_bytes
        wanted = rng.choice(images)
        frames = upload_bytes(wanted)
        if rng.random() < 0.3:
            frames = revert_bytes(wanted)
        writes = writes_of(storage, frames)
        if writes and rng.random() < 0.8:
            board.cut_power(rng.randrange(writes), rng.choice(list(Tear)), rng.randrange(256))
        play(board, frames)
        storage = board.storage
        assert BoardCore(storage).running_bytes in (running, wanted)


def test_only_changed_bytes_are_written_and_the_board_says_how_many() -> None:
    wire = Wire(BoardCore(stored(A, B)))
    near = exact.pack(plain(name=b"A2"))
    changed = sum(x != y for x, y in zip(A, near, strict=True))
    before = wire.board.storage_writes
    assert changed <= 5  # one letter of the name and the CRC
    wire.ask(request_write, near)
    assert wire.live().bytes_to_write <= changed + 4
    assert wire.ask(request_commit, image_crc32(near), ms=1).result == Result.OK
    assert wire.board.storage_writes - before <= changed + 4  # magic away, sequence, complement, magic
    assert wire.live().bytes_to_write == 0


def test_the_running_image_is_not_written_again() -> None:
    wire = Wire(BoardCore(stored(A, B)))
    before = wire.board.storage
    assert wire.upload(B) == Result.SAME
    assert wire.ask(request_commit, image_crc32(B)).result == Result.OK
    assert wire.board.storage_writes == 0
    assert wire.board.storage == before


def test_sequence_numbers_go_round() -> None:
    """Twice round the 8-bit sequence, the newer image always runs after power-up."""
    board = BoardCore()
    for turn in range(520):
        image = (A, B)[turn % 2]
        assert play(board, upload_bytes(image)) == Result.OK
        assert BoardCore(board.storage).running_bytes == image


def test_revert_and_back_again() -> None:
    wire = Wire(BoardCore(stored(A, B)))
    assert wire.identity().previous_crc32 == image_crc32(A)
    before = wire.board.storage_writes
    assert wire.revert(A) == Result.OK
    assert wire.board.storage_writes - before == 2
    assert wire.board.running_bytes == A
    assert BoardCore(wire.board.storage).running_bytes == A
    assert wire.revert(A) == Result.OK  # asked twice: nothing more happens
    assert wire.board.storage_writes - before == 2
    assert wire.revert(B) == Result.OK
    assert BoardCore(wire.board.storage).running_bytes == B


def test_storage_that_no_longer_takes_writes_is_reported_and_the_old_image_runs() -> None:
    wire = Wire(BoardCore(stored(A, B)))
    wire.board.wear_out()
    assert wire.upload(WIDE_NEW) == Result.STORE_BROKEN
    assert wire.board.running_bytes == B
    assert wire.identity().previous_crc32 is None
    assert wire.ask(request_commit, image_crc32(WIDE_NEW)).result == Result.STORE_BROKEN
    wire.board.wear_out(False)
    assert wire.upload(WIDE_NEW) == Result.OK


def test_worn_sequence_bytes_break_a_revert_honestly() -> None:
    wire = Wire(BoardCore(stored(A, B)))
    wire.board.wear_out()
    assert wire.revert(A) == Result.STORE_BROKEN
    assert wire.board.running_bytes == B


@pytest.mark.parametrize("slot", [0, 1])
def test_rot_in_the_running_slot_falls_back_to_the_other(slot: int) -> None:
    storage = stored(*((A, B) if slot else (A, B, C)))
    runs, other = ((B, A), (C, B))[1 - slot]
    assert BoardCore(storage).running_slot == slot
    for at in range(SLOTS[slot] + 3, SLOTS[slot] + 3 + len(A)):
        rotten = bytearray(storage)
        rotten[at] ^= 1 << at % 8
        assert BoardCore(bytes(rotten)).running_bytes == other
    assert BoardCore(storage).running_bytes == runs


def test_rubbish_everywhere_runs_nothing_and_still_takes_an_upload() -> None:
    rng = random.Random(4)
    for _ in range(300):
        storage = bytearray(rng.randbytes(STORAGE_BYTES))
        storage[SLOTS[0]] = storage[SLOTS[1]] = MAGIC
        board = BoardCore(bytes(storage))
        assert board.running_slot is None
        assert board.outputs_eighths == (0, 0)
        assert play(board, upload_bytes(A)) == Result.OK
        assert BoardCore(board.storage).running_bytes == A


def test_an_image_for_another_board_in_storage_does_not_run() -> None:
    storage = stored(A, exact.pack(plain(kind=2)))
    assert BoardCore(storage).running_slot == 1
    assert BoardCore(storage, kind=1).running_bytes == A


def numbered(storage: bytes, *pairs: tuple[int, int]) -> bytes:
    """The same images under other sequence numbers and complements."""
    changed = bytearray(storage)
    for slot, pair in zip(SLOTS, pairs, strict=True):
        changed[slot + 1 : slot + 3] = bytes(pair)
    return bytes(changed)


def test_a_slot_is_laid_out_as_specified() -> None:
    storage = stored(A, B)
    for slot, sequence, image in zip(SLOTS, (1, 2), (A, B), strict=True):
        assert storage[slot : slot + 3] == bytes((MAGIC, sequence, sequence ^ 0xFF))
        assert storage[slot + 3 : slot + 3 + len(image)] == image
    assert storage[:32] == b"\xff" * 32


@pytest.mark.parametrize(
    ("first", "second", "runs"),
    [((5, 250), (3, 252), 0), ((3, 252), (5, 250), 1), ((250, 5), (3, 252), 1), ((3, 252), (250, 5), 0)],
)
def test_of_two_numbers_the_one_ahead_runs_round_the_wrap_too(
    first: tuple[int, int], second: tuple[int, int], runs: int
) -> None:
    assert BoardCore(numbered(stored(A, B), first, second)).running_slot == runs


@pytest.mark.parametrize("rotten", [0, 1])
def test_a_slot_whose_number_and_complement_disagree_is_the_older(rotten: int) -> None:
    pairs = [(9, 0xF6), (9, 0xF6)]
    pairs[rotten] = (10, 0xF6)
    board = BoardCore(numbered(stored(A, B), *pairs))
    assert board.running_slot == 1 - rotten


def test_a_commit_while_a_serial_number_is_stored_is_answered_at_once() -> None:
    wire = Wire(BoardCore(stored(A, B), write_us=3400))
    wire.ask(request_write, NEW, ms=1500)
    wire.ask(request_serial, b"LM-00042")
    assert wire.ask(request_commit, image_crc32(NEW)).result == Result.NOT_STAGED
    wire.board.tick(100)
    assert wire.identity().serial == b"LM-00042"
    assert wire.identity().running_crc32 == image_crc32(B)
