"""A torn journal: said to be so, and every row on a page that is still whole is read as it was written."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from leanmix.commands.journal import command
from leanmix.errors import FileTrouble
from leanmix.journal import DriveNote, Journal, JournalDamaged, journal_path, mend, read_torn
from leanmix.journal.torn import Row
from leanmix.machine import demo, parse

TARN = demo("tarn")
ROWS = 160


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal with long and short rows, images over several pages, and machine files."""
    path = tmp_path_factory.mktemp("torn") / "journal.sqlite"
    rng = random.Random(4)
    with Journal.open(path) as j:
        for i in range(ROWS):
            if i % 20 == 0:
                source = parse(TARN.text + f"# build {i}\n" * (1 + i * 9))
                j.record_flash(source, rng.randbytes(rng.choice([72, 200, 9000])), "LM-1", "verified")
            else:
                j.record_drive(DriveNote("lake", verdict="x" * rng.choice([3, 60, 400])))
    return path


def rows_of(path: Path) -> dict[int, Row]:
    return {r[0].number: r for r in read_torn(path).rows}


def rows_per_page(path: Path) -> int:
    """Most rows that one page holds: what a spoilt page can cost at most."""
    link = sqlite3.connect(path)
    try:
        (shortest,) = link.execute("SELECT min(length(line) + length(body) + length(uid) + 40) FROM entry").fetchone()
        (size,) = link.execute("PRAGMA page_size").fetchone()
    finally:
        link.close()
    return int(size // shortest) + 1


def noticed(path: Path) -> bool:
    """Whether the check sees that something is wrong."""
    try:
        with Journal.open(path, read_only=True) as j:
            return bool(j.trouble())
    except JournalDamaged as error:
        assert "leanmix journal mend" in str(error)
        return True


def test_untorn_file_is_read_whole(sound: Path) -> None:
    torn = read_torn(sound)
    with Journal.open(sound, read_only=True) as j:
        assert [r[0] for r in torn.rows] == j.headlines()
        assert {f.digest: f for f in torn.files} == {f.digest: f for f in j.files()}
    assert torn.lost == ()
    assert torn.spoilt == 0
    assert len(torn.rows) == ROWS


@pytest.mark.fault
@pytest.mark.parametrize("fill", ["zeros", "ones", "noise"])
def test_any_one_page_spoilt_costs_only_what_lay_on_it(
    sound: Path, tmp_path: Path, fill: str, record_property: Callable[[str, object], None]
) -> None:
    whole, files, raw = rows_of(sound), set(read_torn(sound).files), sound.read_bytes()
    size, most = 4096, rows_per_page(sound)
    spoilt = tmp_path / "journal.sqlite"
    reported = 0
    for start in range(0, len(raw), size):
        noise = {"zeros": bytes(size), "ones": b"\xff" * size, "noise": random.Random(start).randbytes(size)}[fill]
        spoilt.write_bytes(raw[:start] + noise + raw[start + size :])
        torn = read_torn(spoilt)
        found = {r[0].number: r for r in torn.rows}
        assert all(whole[n] == r for n, r in found.items())
        assert set(torn.files) <= files
        assert len(whole) - len(found) <= most
        gone = set(whole) - set(found)
        assert {n for n in gone if n < max(found)} <= set(torn.lost)
        reported += noticed(spoilt)
    assert reported == len(raw) // size
    record_property("fault", [f"journal, a page of {fill}", reported, "noticed, the rest read"])


@pytest.mark.fault
def test_cut_short_anywhere_reads_the_rest(
    sound: Path, tmp_path: Path, record_property: Callable[[str, object], None]
) -> None:
    whole, raw = rows_of(sound), sound.read_bytes()
    cut = tmp_path / "journal.sqlite"
    before, cuts = -1, 0
    for end in range(4096, len(raw), 4096 * 3 + 100):
        cut.write_bytes(raw[:end])
        found = rows_of(cut)
        assert all(whole[n] == r for n, r in found.items())
        assert len(found) >= before
        before = len(found)
        assert noticed(cut)
        cuts += 1
    assert before > ROWS // 2
    record_property("fault", ["journal, cut short", cuts, "noticed, the rest read"])


@given(st.lists(st.tuples(st.floats(0, 1), st.binary(min_size=1, max_size=64)), min_size=1, max_size=12))
def test_any_damage_never_gives_a_wrong_row(sound: Path, places: list[tuple[float, bytes]]) -> None:
    whole, raw = rows_of(sound), bytearray(sound.read_bytes())
    for share, put in places:
        at = int(share * (len(raw) - len(put)))
        raw[at : at + len(put)] = put
    spoilt = sound.with_name("any.sqlite")
    spoilt.write_bytes(raw)
    # a row's number is only its place in this file, which no sum covers: a byte of it may be the one that was hit,
    # and not every other number can be told from a true one
    known = {(h._replace(number=0), *rest) for h, *rest in whole.values()}
    assert all((h._replace(number=0), *rest) in known for h, *rest in rows_of(spoilt).values())
    assert set(read_torn(spoilt).files) <= set(read_torn(sound).files)


@pytest.mark.parametrize("put", [0, "the next row's"])
def test_a_number_that_cannot_be_is_mended_and_costs_no_row(sound: Path, put: int | str) -> None:
    whole, raw = rows_of(sound), bytearray(sound.read_bytes())
    number = 7
    uid = whole[number][0].uid.encode()
    # before a row's values: length, number, then the head of the record, whose length is its first byte
    at = raw.index(uid)
    cell = next(i for i in range(at, 0, -1) if raw[i] == number and i + 1 + raw[i + 1] == at)
    raw[cell] = put if isinstance(put, int) else number + 1
    spoilt = sound.with_name("number.sqlite")
    spoilt.write_bytes(raw)
    found = rows_of(spoilt)
    assert {r[0].uid for r in found.values()} == {r[0].uid for r in whole.values()}
    assert set(found) == set(whole)
    if put == 0:
        assert found == whole


def test_mended_journal_is_sound_and_the_torn_one_is_kept(sound: Path) -> None:
    raw = bytearray(sound.read_bytes())
    raw[:200] = bytes(200)
    path = journal_path()
    path.parent.mkdir(parents=True)
    path.write_bytes(raw)
    with pytest.raises(JournalDamaged), Journal.open(path):
        pass
    torn, aside = mend(path)
    assert aside.read_bytes() == bytes(raw)
    assert len(torn.rows) == ROWS
    with Journal.open(path) as j:
        assert j.trouble() == ()
        assert len(j.headlines()) == ROWS
        assert len(j.files()) == ROWS // 20
        j.record_drive(DriveNote("after"))
    assert [p.name for p in path.parent.iterdir() if "mending" in p.name] == []


def test_commands_report_the_damage_read_the_rest_and_mend(sound: Path) -> None:
    path = journal_path()
    path.parent.mkdir(parents=True)
    path.write_bytes(b"\x00" * 100 + sound.read_bytes()[100:])
    run = CliRunner()
    listed = run.invoke(command, ["list", "--all"])
    assert listed.exit_code == 1
    assert listed.stdout.count("lake") >= ROWS // 2
    assert "damaged" in listed.stderr
    assert run.invoke(command, ["check"]).exit_code == 1
    mended = run.invoke(command, ["mend"])
    assert mended.exit_code == 0
    assert f"{ROWS} entries" in mended.output
    assert run.invoke(command, ["check"]).exit_code == 0
    assert "sound" in str(run.invoke(command, ["mend"]).exception)


@pytest.mark.parametrize("raw", [b"", b"SQLite format 3\x00", b"not a journal at all", b"\x0d" * 5000, b"\x00" * 9000])
def test_what_holds_nothing_gives_nothing(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "journal.sqlite"
    path.write_bytes(raw)
    try:
        torn = read_torn(path)
    except FileTrouble as error:
        assert raw == b"" and "empty" in str(error)  # noqa: PT018
    else:
        assert torn.rows == torn.files == torn.lost == ()
