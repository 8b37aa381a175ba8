"""Any byte of a whole session lost, doubled, flipped, late, or the plug pulled there: what the host says is true."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from leanmix.board import flash, go_back
from leanmix.errors import BoardError
from leanmix.mixer import BoardCore, Tear
from tests.board.bench_line import KINDS, Fault, SimLine, proved
from tests.conftest import DEEP

OLD, NEW = proved(15.0), proved(14.0)
STEP = 1 if DEEP else 7


def board_with_old() -> BoardCore:
    core = BoardCore(write_us=3400)
    with SimLine(core).session() as session:
        flash(session, OLD)
    return core


STORED = board_with_old().storage


def true_of(core: BoardCore, said: str) -> bool:
    held = core.running_bytes
    if "verified" in said:
        return held == NEW.data
    if "the table it ran before" in said:
        return held == OLD.data
    if "could not be asked" in said:
        return held in (OLD.data, NEW.data)
    # the session broke before anything was sent to be written
    return held == OLD.data


def outcome(line: SimLine) -> str:
    try:
        with line.session() as session:
            return f"verified {flash(session, NEW).outcome}"
    except BoardError as error:
        return str(error)


def bytes_of_a_flash() -> int:
    line = SimLine(BoardCore(STORED, write_us=3400))
    assert "verified" in outcome(line)
    return line.fault.passed


@pytest.mark.fault
@pytest.mark.parametrize("kind", KINDS)
def test_any_byte_of_a_flash_gone_wrong(kind: str, record_property: Callable[[str, object], None]) -> None:
    verified = 0
    total = bytes_of_a_flash()
    for at in range(KINDS.index(kind), total, STEP):
        core = BoardCore(STORED, write_us=3400)
        line = SimLine(core, Fault(kind, at))
        said = outcome(line)
        assert true_of(core, said), (kind, at, said)
        assert core.running_bytes in (OLD.data, NEW.data)
        verified += "verified" in said
    tried = len(range(KINDS.index(kind), total, STEP))
    # one bad byte must not end the job, only a pulled plug may
    if not kind.startswith("unplugged"):
        assert verified == tried
    record_property("fault", [f"wire: a byte {kind}", tried, f"{verified} verified, the rest told truly"])


@pytest.mark.fault
@pytest.mark.parametrize("tear", list(Tear))
def test_power_cut_at_any_storage_write_of_a_flash_and_of_a_revert(
    tear: Tear, record_property: Callable[[str, object], None]
) -> None:
    tried = 0
    for cut in range(0, 150, STEP):
        core = BoardCore(STORED, write_us=3400)
        line = SimLine(core)
        with line.session() as session:
            core.cut_power(cut, tear, 0x5A)
            try:
                said = f"verified {flash(session, NEW).outcome}"
            except BoardError as error:
                said = str(error)
        if not core.powered:
            core.power_up()
        assert true_of(core, said), (cut, said)
        before = core.running_bytes
        with SimLine(core).session() as session:
            core.cut_power(cut % 3, tear, 0x5A)
            try:
                after = go_back(session).after
            except BoardError:
                after = None
        if not core.powered:
            core.power_up()
        assert core.running_bytes in (before, OLD.data, NEW.data)
        assert after is None or core.running_bytes == after
        tried += 2
    record_property(
        "fault", [f"power cut under a session, byte torn to {tear.name.lower()}", tried, "old or new, told truly"]
    )
