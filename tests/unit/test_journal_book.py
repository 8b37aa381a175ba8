"""The journal: what goes in comes out, what is on a board is answered by its hash, exports are whole or refused."""

from __future__ import annotations

import hashlib
import io
import json
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from leanmix.board import MemoryWire, Session, VirtualBoard, flash, open_board
from leanmix.commands.journal import command
from leanmix.curve import ProvedTable
from leanmix.errors import FileTrouble
from leanmix.job import work_out
from leanmix.journal import (
    DriveNote,
    Journal,
    Reading,
    export_lines,
    flash_and_record,
    import_lines,
    journal_path,
    revert_and_record,
    store,
)
from leanmix.machine import demo, load, parse, set_value

TARN, WREN = demo("tarn"), demo("wren")
IMAGE = bytes(range(180))
READING = Reading("arm_deg", 12.5, 1.0, "protractor", "left", 1620.0, "longer", walk="w1")


def exported(path: Path) -> bytes:
    with Journal.open(path, read_only=True) as j:
        return "".join(export_lines(j)).encode()


def test_journal_is_in_the_named_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("LEANMIX_HOME", str(tmp_path / "own"))
    Journal.open().close()
    assert (tmp_path / "own" / "journal.sqlite").exists()


def test_flash_is_kept_with_file_image_board_and_result() -> None:
    with Journal.open(now=lambda: 1_700_000_000.0) as j:
        uid = j.begin_flash(TARN, IMAGE, "LM-7")
        assert [f.result for f in j.flashes("LM-7")] == ["begun"]
        j.end_flash(uid, "failed", "the line went quiet")
        j.record_flash(WREN, IMAGE[:9], "LM-8", "verified")
    with Journal.open(read_only=True) as j:
        one, two = j.flashes()
        assert (one.result, one.detail, one.board, one.machine) == ("failed", "the line went quiet", "LM-7", "Tarn")
        assert one.image == IMAGE
        assert one.image_sha256 == hashlib.sha256(IMAGE).digest()
        assert one.at_ms == 1_700_000_000_000
        assert j.flashes("LM-8") == (two,)
        kept = j.file_of(one.digest)
        assert kept is not None
        assert kept.text == TARN.text


def test_hash_on_a_board_answers_which_file_made_it() -> None:
    with Journal.open() as j:
        j.record_flash(TARN, IMAGE, "LM-7", "verified")
        for digits in (4, 16, 32):  # an image carries 16
            kept = j.file_of(TARN.digest[:digits])
            assert kept is not None
            assert kept.digest == TARN.digest
        assert j.file_of(b"\x00" * 16) is None
        for bad in (b"", b"\x01\x02\x03", bytes(33)):
            with pytest.raises(FileTrouble):
                j.file_of(bad)


def test_hash_that_fits_two_files_is_not_guessed_at() -> None:
    with Journal.open() as j:
        j.keep(TARN)
        j.link.execute(
            "INSERT INTO machine_file (digest, name, machine, at_ms, text) VALUES (?, 'twin', 'Tarn', 0, '')",
            (TARN.digest[:16] + bytes(16),),
        )
        with pytest.raises(FileTrouble, match="2 kept machine files"):
            j.file_of(TARN.digest[:16])


def test_same_file_is_kept_once_whatever_its_line_ends() -> None:
    with Journal.open() as j:
        assert j.keep(TARN)
        assert not j.keep(parse(TARN.text.replace("\n", "\r\n"), "other name"))
        assert len(j.files("Tarn")) == 1
        assert j.files("Wren") == ()


def test_struck_entry_stays_but_no_fit_sees_it() -> None:
    with Journal.open() as j:
        wrong = j.record_reading(READING, source=TARN)
        j.record_reading(READING, source=WREN, board="LM-1")
        j.strike(wrong, "read off the wrong scale")
        ((head, reading),) = j.readings()
        assert reading == READING
        assert (head.machine, head.board) == ("Wren", "LM-1")
        assert j.readings(machine="Tarn") == ()
        assert j.readings(walk="w2") == j.readings(quantity="lean_deg") == ()
        assert [h.kind for h in j.headlines()] == ["reading", "reading", "strike"]
        with pytest.raises(FileTrouble):
            j.strike("nothing", "x")


def test_list_is_in_order_of_time_and_filtered(tmp_path: Path) -> None:
    clock = iter([30.0, 10.0, 20.0])  # a clock that was set back must not upset the list
    with Journal.open(tmp_path / "j.sqlite", now=lambda: next(clock)) as j:
        j.record_drive(DriveNote("c"), source=TARN)
        j.record_drive(DriveNote("a"), board="LM-1")
        j.record_reading(READING, source=TARN)
        assert [h.at_ms for h in j.headlines()] == [10_000, 20_000, 30_000]
        assert [h.at_ms for h in j.headlines(last=2)] == [20_000, 30_000]
        assert [h.line[0] for h in j.headlines(kind="drive")] == ["a", "c"]
        assert [h.kind for h in j.headlines(machine="Tarn", last=9)] == ["reading", "drive"]
        assert len(j.headlines(board="LM-1")) == 1
        assert j.headlines(last=0) == []


@pytest.mark.parametrize("seconds", [-5.0, 1e18])
def test_broken_clock_does_not_bar_the_journal(tmp_path: Path, seconds: float) -> None:
    with Journal.open(tmp_path / "j.sqlite", now=lambda: seconds) as j:
        j.record_drive(DriveNote("lake"))
    assert CliRunner().invoke(command, ["list"], env={"LEANMIX_HOME": str(tmp_path)}).exit_code == 0
    with Journal.open(tmp_path / "j.sqlite") as j:
        assert len(j.headlines()) == 1


@pytest.mark.parametrize(
    "reading",
    [
        Reading("arm_deg", float("nan"), 1.0),
        Reading("arm_deg", 1.0, float("inf")),
        Reading("arm_deg", 1.0, -0.5),
        Reading("weight_lb", 1.0, 1.0),
        Reading("arm_deg", 1e300, 1.0),
        Reading("eye_up_mm", 1.0, 1e9),
        Reading("eye_up_mm", 1.0, 1.0, pulse_us=-4.0),
    ],
)
def test_what_is_no_reading_is_refused(reading: Reading) -> None:
    with Journal.open() as j:
        with pytest.raises(FileTrouble):
            j.record_reading(reading)
        assert j.headlines() == []


def test_bytes_that_were_no_text_are_kept_as_far_as_they_are() -> None:
    with Journal.open() as j:
        j.record_drive(DriveNote("lake\udcff", verdict="\ud800"))
        ((_, note),) = j.drives()
        assert note.place == "lake?"
        assert j.trouble() == ()


def test_flash_results_are_a_closed_list() -> None:
    with Journal.open() as j:
        uid = j.begin_flash(TARN, IMAGE, "LM-7")
        for result in ("begun", "ok", ""):
            with pytest.raises(FileTrouble):
                j.end_flash(uid, result)
        with pytest.raises(FileTrouble):
            j.end_flash("nothing", "verified")
        note = j.record_drive(DriveNote("lake"))
        with pytest.raises(FileTrouble):
            j.end_flash(note, "verified")


def board_with(*tables: ProvedTable) -> tuple[VirtualBoard, Session]:
    board = VirtualBoard(None)
    wire = MemoryWire(board)
    session = Session(lambda: wire, "memory")
    for one in tables:
        flash(session, one)
    return board, session


def test_revert_is_kept_even_where_the_file_behind_it_never_was_here() -> None:
    here, elsewhere = work_out(TARN), work_out(parse(set_value(TARN.text, "lean.left_deg", 5)))
    board, session = board_with(elsewhere.proved)
    with session, Journal.open() as j:
        flash_and_record(session, j, here.source, here.proved)
        revert_and_record(session, j)
        serial = session.identity.serial
        one, two = j.flashes(serial)
        assert (one.result, two.result) == ("verified", "reverted")
        assert two.image == elsewhere.proved.data == board.core.running_bytes
        assert j.file_of(one.digest) is not None
        assert j.file_of(two.digest) is None
        assert two.digest == elsewhere.source.digest[:16]
        j.keep(elsewhere.source)
        kept = j.file_of(two.digest)
        assert kept is not None
        assert kept.text == elsewhere.source.text


def test_what_is_on_this_board_is_answered_by_command(tmp_path: Path) -> None:
    run = CliRunner()
    job = work_out(TARN)
    with open_board("virtual") as session:
        flash(session, job.proved)
    unknown = run.invoke(command, ["board", "--port", "virtual", "--json"])
    assert unknown.exit_code == 1
    assert json.loads(unknown.stdout)["file"] is None
    with open_board("virtual") as session, Journal.open() as j:
        flash_and_record(session, j, TARN, job.proved)
    known = json.loads(run.invoke(command, ["board", "--port", "virtual", "--json"]).stdout)
    assert known["file"]["sha256"] == TARN.digest.hex()
    assert known["flashes"][-1]["result"] == "already there"
    assert "demo:tarn" in run.invoke(command, ["board", "--port", "virtual"]).stdout


def test_foreign_and_newer_files_are_left_alone(tmp_path: Path) -> None:
    foreign, newer = tmp_path / "foreign.sqlite", tmp_path / "newer.sqlite"
    link = sqlite3.connect(foreign)
    link.execute("CREATE TABLE recipes (soup TEXT)")
    link.close()
    Journal.open(newer).close()
    link = sqlite3.connect(newer)
    link.execute("PRAGMA user_version = 99")
    link.close()
    for path, why in ((foreign, "not a leanmix journal"), (newer, "layout 99 is newer")):
        before = path.read_bytes()
        for read_only in (False, True):
            with pytest.raises(FileTrouble, match=why):
                Journal.open(path, read_only=read_only)
        assert path.read_bytes() == before


def test_migration_keeps_every_row_and_reading_only_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "j.sqlite"
    with Journal.open(path) as j:
        j.record_flash(TARN, IMAGE, "LM-7", "verified")
        before = j.headlines()
    monkeypatch.setattr(store, "MIGRATIONS", (*store.MIGRATIONS, ("CREATE TABLE later (x)",)))
    raw = path.read_bytes()
    with Journal.open(path, read_only=True) as j:
        assert j.headlines() == before
        assert path.read_bytes() == raw
    with Journal.open(path) as j:
        assert j.headlines() == before
        assert j.link.execute("PRAGMA user_version").fetchone() == (len(store.MIGRATIONS),)
    with Journal.open(path) as j:
        assert j.headlines() == before


def test_migration_that_fails_leaves_the_old_layout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "j.sqlite"
    Journal.open(path).close()
    monkeypatch.setattr(
        store, "MIGRATIONS", (*store.MIGRATIONS, ("CREATE TABLE later (x)", "CREATE TABLE entry (twice)"))
    )
    with pytest.raises(FileTrouble):
        Journal.open(path)
    link = sqlite3.connect(path)
    assert link.execute("PRAGMA user_version").fetchone() == (1,)
    assert link.execute("SELECT count(*) FROM sqlite_master WHERE name = 'later'").fetchone() == (0,)
    link.close()


def some(path: Path) -> None:
    with Journal.open(path) as j:
        j.end_flash(j.begin_flash(TARN, IMAGE, "LM-7"), "verified")
        j.record_reading(READING, source=TARN)
        j.record_drive(DriveNote("Ümlåt lake", "ice", -12.5, 1, 'said "fine"\nand drove'), source=WREN)
        j.record_edit(TARN, WREN, "bench")


def test_export_reads_in_as_it_was_and_twice_does_no_harm(tmp_path: Path) -> None:
    one, two = tmp_path / "one.sqlite", tmp_path / "two.sqlite"
    some(one)
    text = exported(one)
    with Journal.open(two) as j:
        j.record_drive(DriveNote("here before"))
        taken = import_lines(j, io.BytesIO(text), "export")
        assert (taken.entries, taken.files, taken.known, taken.whole) == (5, 2, 0, True)
        again = import_lines(j, io.BytesIO(text), "export")
        assert (again.entries, again.files, again.known) == (0, 0, 7)
        assert j.trouble() == ()
        assert len(j.headlines()) == 6
        with Journal.open(one) as first:
            assert {f.uid: f for f in j.flashes()} == {f.uid: f for f in first.flashes()}
            assert [r for _, r in j.readings()] == [r for _, r in first.readings()]
            assert j.files() == first.files()


def test_every_bad_line_is_refused_by_its_number_and_nothing_is_taken_in(tmp_path: Path) -> None:
    some(tmp_path / "one.sqlite")
    lines = exported(tmp_path / "one.sqlite").splitlines(keepends=True)
    entry = next(i for i, line in enumerate(lines) if b'"drive"' in line)
    changed = lines[entry].replace(b"Verdict", b"").replace(b'"tips":1', b'"tips":0')
    bad: list[tuple[int, bytes]] = [
        (entry, changed),
        (entry, lines[entry][:60] + b"\n"),
        (entry, b"\xff\xfe\n"),
        (entry, b"[1]\n"),
        (entry, b'{"strange": 1}\n'),
        (entry, b'{"entry": {"uid": 3}}\n'),
        (entry, b'{"file": {"digest": "zz", "text": "", "name": "", "machine": "", "at_ms": 0}}\n'),
        (entry, b'{"file": {"digest": "00", "text": "", "name": "", "machine": "", "at_ms": 0}}\n'),
        (1, lines[1].replace(b"schema = 1", b"schema = 2")),
        (entry, b"[" * 200_000 + b"\n"),
        (0, b"{}\n"),
        (0, b'{"leanmix_journal": 2}\n'),
        (entry, lines[entry].replace(b'"at_ms":', b'"at_ms":-')),
    ]
    for at, line in bad:
        damaged = b"".join([*lines[:at], line, *lines[at + 1 :]])
        with Journal.open(tmp_path / "two.sqlite") as j:
            with pytest.raises(FileTrouble, match=rf"export, line {at + 1}: .*Nothing was taken in"):
                import_lines(j, io.BytesIO(damaged), "export")
            assert j.headlines() == []
            assert j.files() == ()
    damaged = b"".join([*lines[:entry], changed, *lines[entry + 1 :]])
    with Journal.open(tmp_path / "three.sqlite") as j:
        taken = import_lines(j, io.BytesIO(damaged), "export", keep_good=True)
        assert [n for n, _ in taken.refused] == [entry + 1]
        assert taken.entries == 4
        assert not taken.whole


def test_export_cut_anywhere_is_refused_or_read_as_far_as_it_goes(tmp_path: Path) -> None:
    some(tmp_path / "one.sqlite")
    text = exported(tmp_path / "one.sqlite")
    for end in range(0, len(text) - 1, 997):
        with Journal.open(tmp_path / "two.sqlite") as j:
            with pytest.raises(FileTrouble):
                import_lines(j, io.BytesIO(text[:end]), "export")
            assert j.headlines() == []
    with Journal.open(tmp_path / "two.sqlite") as j:
        taken = import_lines(j, io.BytesIO(text[:-40]), "export", keep_good=True)
        assert not taken.whole
        assert taken.files == 2


def test_commands_show_note_strike_and_answer_in_json() -> None:
    run = CliRunner()
    wrote = run.invoke(command, ["note", "demo:tarn", "--place", "north lake", "--tips", "2", "--json"])
    number = json.loads(wrote.stdout)["number"]
    shown = json.loads(run.invoke(command, ["show", str(number), "--json"]).stdout)
    assert shown["body"]["tips"] == 2
    assert shown["file"]["machine"] == "Tarn"
    assert "north lake" in run.invoke(command, ["show", str(number)]).output
    assert run.invoke(command, ["strike", str(number), "--why", "wrong day"]).exit_code == 0
    listed = json.loads(run.invoke(command, ["list", "--json"]).stdout)
    assert [e["kind"] for e in listed["entries"]] == ["drive", "strike"]
    assert json.loads(run.invoke(command, ["check", "--json"]).stdout)["trouble"] == []
    assert isinstance(run.invoke(command, ["show", "99"]).exception, FileTrouble)


def test_earlier_file_is_handed_out_and_restored_and_the_present_one_is_not_lost(tmp_path: Path) -> None:
    run, mine = CliRunner(), tmp_path / "mine.toml"
    with Journal.open() as j:
        j.record_flash(TARN, IMAGE, "LM-7", "verified")
    changed = set_value(TARN.text, "side.arm.radius_mm", 14.5)
    mine.write_text(changed)
    short = TARN.digest.hex()[:32]
    assert run.invoke(command, ["restore", short, str(mine)]).exit_code == 0
    assert load(mine).digest == TARN.digest
    assert run.invoke(command, ["restore", short, str(mine)]).exit_code == 0  # reads so already
    with Journal.open() as j:
        assert [h.kind for h in j.headlines()] == ["flash", "edit"]
        now = parse(changed)
        kept = j.file_of(now.digest)
        assert kept is not None
        assert kept.text == changed
    again = run.invoke(command, ["restore", now.digest.hex(), str(mine)])
    assert again.exit_code == 0
    assert mine.read_text() == changed
    assert run.invoke(command, ["file", short]).stdout == TARN.text
    assert isinstance(run.invoke(command, ["file", "xyz"]).exception, FileTrouble)
    assert isinstance(run.invoke(command, ["file", "00" * 16]).exception, FileTrouble)


def test_export_and_import_by_command(tmp_path: Path) -> None:
    run, out = CliRunner(), tmp_path / "out.jsonl"
    some(journal_path())
    assert run.invoke(command, ["export", "-o", str(out)]).exit_code == 0
    assert out.read_bytes() == run.invoke(command, ["export"]).stdout_bytes
    other = {"LEANMIX_HOME": str(tmp_path / "other")}
    assert "5 new entries" in run.invoke(command, ["import", str(out)], env=other).output
    out.write_bytes(out.read_bytes()[:-30])
    assert isinstance(run.invoke(command, ["import", str(out)], env=other).exception, FileTrouble)
    assert run.invoke(command, ["import", str(out), "--keep-good"], env=other).exit_code == 1
    assert isinstance(run.invoke(command, ["import", str(tmp_path / "none")], env=other).exception, FileTrouble)
