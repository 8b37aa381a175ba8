"""The store: what is open, every edit with undo and redo, sides apart and together, saving, recovery."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leanmix.errors import FileTrouble, MachineFileError
from leanmix.machine import DEMOS, demo, parse
from leanmix.screens.recent import recent_files
from leanmix.screens.recovery import left_behind, recovery_folder
from leanmix.screens.store import FINE, Store

OPEN: list[Store] = []


@pytest.fixture(autouse=True)
def _closed() -> Iterator[None]:
    yield
    while OPEN:
        OPEN.pop().close()


def new_store() -> Store:
    OPEN.append(Store())
    return OPEN[-1]


def store_of(name: str = "demo:tarn") -> Store:
    store = new_store()
    store.open(name)
    return store


def put(store: Store, key: str, value: float) -> None:
    field = store.field(key)
    assert field is not None, key
    store.put(field, value)


def abandon(store: Store) -> None:
    """As a killed program leaves it: the lock goes, the journal stays."""
    handle = store.journal._handle
    assert handle is not None
    os.close(handle)
    store.journal._handle = None
    store.journal._file = None


@pytest.mark.parametrize("name", DEMOS)
def test_every_number_of_a_machine_is_an_entry(name: str) -> None:
    from leanmix.machine import each_number

    store = store_of(f"demo:{name}")
    shown = {f.key: f.measured for f in store.fields if f.measured is not None}
    alias = {"parts.": "part.", "clearances.": "clearance.", "surfaces.": "surface.", "screws.": "screw."}
    given_by_file = 0
    for number in each_number(store.good.machine):
        key = number.key
        for long, short in alias.items():
            key = key.replace(long, short, 1) if key.startswith(long) else key
        side, _, rest = key.partition(".")
        if side in ("left", "right") and key not in shown:
            key = f"side.{rest}"
        if key in shown:
            given_by_file += 1
            assert shown[key] == number.measured, key
    assert given_by_file > 120


def test_an_edit_changes_one_value_and_keeps_every_comment() -> None:
    store = store_of()
    put(store, "side.arm.radius_mm", 15.4)
    assert store.good.machine.left.arm.radius_mm.at == 15.4
    assert store.good.machine.right.arm.radius_mm.at == 15.4
    before = demo("tarn").text.splitlines()
    assert sum(a != b for a, b in zip(before, store.text.splitlines(), strict=True)) == 1
    assert store.unsaved


def test_undo_and_redo_walk_through_every_text_there_was() -> None:
    store = store_of()
    texts = [store.text]
    for i in range(80):
        put(store, "chassis.mass_g", 2900 + i + 1)
        texts.append(store.text)
    for text in reversed(texts[:-1]):
        assert store.undo() is not None
        assert store.text == text
    assert store.undo() is None
    assert not store.unsaved
    for text in texts[1:]:
        assert store.redo() is not None
        assert store.text == text
    assert store.redo() is None


def test_an_edit_after_undo_ends_what_could_be_redone() -> None:
    store = store_of()
    put(store, "chassis.mass_g", 2950)
    store.undo()
    put(store, "chassis.mass_g", 3000)
    assert store.redo() is None
    assert store.good.machine.chassis.mass_g.at == 3000


@given(st.lists(st.sampled_from(["edit", "undo", "redo"]), max_size=25))
def test_undo_and_redo_are_a_walk_on_a_line(steps: list[str]) -> None:
    store = Store()
    line, at = [store.text], 0
    for i, step in enumerate(steps):
        if step == "edit":
            put(store, "chassis.mass_g", 2000 + i)
            line, at = [*line[: at + 1], store.text], at + 1
        elif step == "undo" and at:
            store.undo()
            at -= 1
        elif step == "redo" and at + 1 < len(line):
            store.redo()
            at += 1
        assert store.text == line[at]


def test_a_rule_broken_is_told_and_the_last_good_machine_stays() -> None:
    store = store_of()
    put(store, "servo.pulse_min_us", 1600)  # above neutral
    assert not store.usable
    assert any("pulse_neutral_us" in f.key for f in store.findings)
    assert store.good.machine.servo.pulse_min_us.at == 800
    field = store.field("servo.pulse_min_us")
    assert field is not None
    assert field.measured is not None
    assert field.measured.at == 1600, "the row shows what the text says"
    put(store, "servo.pulse_min_us", 900)
    assert store.usable
    assert store.good.machine.servo.pulse_min_us.at == 900


@pytest.mark.parametrize("key", ["side.arm.radius_mm", "side.mount.ball.up_mm", "side.guide.bearing_moves"])
def test_sides_part_and_join(key: str) -> None:
    store = store_of()
    field = store.field(key)
    assert field is not None
    machine = store.good.machine
    store.part_sides(field)
    assert store.usable, store.findings
    assert store.good.machine == machine, "parting alone changes nothing"
    own = store.field(key.replace("side.", "right."))
    assert own is not None
    assert own.side == "right"
    if own.measured is not None:
        store.put(own, own.measured.at + 0.5)
        assert store.good.machine.left != store.good.machine.right
        own = store.field(own.key)
        assert own is not None
    store.join_sides(own)
    assert store.good.machine == machine
    assert store.field(key.replace("side.", "right.")) is None


def test_what_may_be_left_out_is_left_out() -> None:
    store = store_of()
    field = store.field("side.link.length_mm")
    assert field is not None
    assert field.optional
    store.leave_out(field)
    assert store.good.machine.left.link.length_mm is None
    gone = store.field("side.link.length_mm")
    assert gone is not None
    assert gone.measured is None
    assert gone.fallback == "left out"


def test_saving_a_demo_needs_a_name_then_has_one(tmp_path: Path) -> None:
    store = store_of()
    put(store, "chassis.mass_g", 2950)
    with pytest.raises(FileTrouble):
        store.save()
    target = tmp_path / "mine.toml"
    store.save(target)
    assert target.read_text() == store.text
    assert not store.unsaved
    assert recent_files() == (str(target),)
    put(store, "chassis.mass_g", 2960)
    store.save()
    assert "2960" in target.read_text()


def test_saving_never_writes_over_another_file_or_another_programs_change(tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text("precious")
    store = store_of()
    with pytest.raises(FileTrouble):
        store.save(other)
    assert other.read_text() == "precious"
    mine = tmp_path / "mine.toml"
    store.save(mine)
    mine.write_text(store.text + "# by hand\n")
    put(store, "chassis.mass_g", 2950)
    with pytest.raises(FileTrouble, match="changed by another program"):
        store.save()
    assert mine.read_text().endswith("# by hand\n")
    store.save(over=True)
    assert mine.read_text() == store.text


def test_opening_what_is_no_machine_leaves_what_was_open(tmp_path: Path) -> None:
    store = store_of()
    put(store, "chassis.mass_g", 2950)
    text = store.text
    bad = tmp_path / "bad.toml"
    bad.write_text("schema = 1\n")
    with pytest.raises(MachineFileError):
        store.open(str(bad))
    assert store.text == text
    assert store.edits == 1


def test_edits_of_a_killed_program_are_taken_up_with_their_undo_and_redo() -> None:
    store = store_of()
    put(store, "chassis.mass_g", 2950)
    put(store, "chassis.mass_g", 2960)
    put(store, "chassis.mass_g", 2970)
    store.undo()
    text = store.text
    assert left_behind() == (), "held by a living program"
    abandon(store)
    (lost,) = left_behind()
    assert lost.name == "demo:tarn"
    again = new_store()
    again.recover(lost)
    assert again.text == text
    assert again.unsaved
    assert again.edits == 2
    assert again.redo() is not None
    assert again.good.machine.chassis.mass_g.at == 2970
    assert left_behind() == ()
    abandon(again)
    (twice,) = left_behind()
    third = new_store()
    third.recover(twice)
    assert third.text == again.text, "a second crash loses nothing either"


def test_a_new_machine_is_taken_up_too() -> None:
    from leanmix.machine import template

    store = new_store()
    store.start_from(template("Fresh"), "new machine")
    put(store, "chassis.mass_g", 2500)
    text = store.text
    abandon(store)
    (lost,) = left_behind()
    again = new_store()
    again.recover(lost)
    assert again.text == text
    assert again.good.machine.name == "Fresh"


@pytest.mark.parametrize("cut", [1, 7, 40, 200])
def test_a_torn_last_line_costs_only_that_edit(cut: int) -> None:
    store = store_of()
    put(store, "chassis.mass_g", 2950)
    kept = store.text
    put(store, "chassis.mass_g", 2960)
    abandon(store)
    (file,) = recovery_folder().iterdir()
    raw = file.read_bytes()
    last = len(raw) - raw[:-1].rfind(b"\n") - 1
    file.write_bytes(raw[: -min(cut, last)])
    (lost,) = left_behind()
    again = new_store()
    again.recover(lost)
    assert again.text == kept


@pytest.mark.parametrize("garbage", [b"", b"\0" * 300, b"[1]\n", b'{"version": 99, "text": ""}\n', b"{}\n{}\n"])
def test_a_journal_that_is_none_is_passed_over(garbage: bytes) -> None:
    folder = recovery_folder()
    folder.mkdir(parents=True)
    (folder / "x.edits").write_bytes(garbage)
    assert left_behind() == ()


def test_saving_and_leaving_clean_up() -> None:
    store = store_of()
    put(store, "chassis.mass_g", 2950)
    store.close()
    assert list(recovery_folder().iterdir()) == []


def test_a_folder_that_cannot_be_written_is_said_and_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setenv("LEANMIX_HOME", str(blocked))
    store = store_of()
    assert "save often" in store.journal.trouble
    put(store, "chassis.mass_g", 2950)
    assert store.good.machine.chassis.mass_g.at == 2950


def test_the_steering_stands_on_its_grid_and_within_its_locks() -> None:
    store = Store()
    for wanted, got in ((0.123, 0.125), (2.0, 1.0), (-7.0, -1.0), (0.0024, 0.0)):
        store.steer_to(wanted)
        assert store.position.steer == pytest.approx(got, abs=1e-12)
        assert round(store.position.steer / FINE) == pytest.approx(store.position.steer / FINE, abs=1e-9)
    store.steer_to(-0.5)
    store.turn_at(0.3)
    assert store.position.lateral_g == -0.3, "a right turn"
    store.hold_arm(12.0)
    assert store.position.lateral_g == 0.3, "the hand points left"
    store.steer_to(-0.5)
    assert store.position.held_deg is None


def test_the_boards_mark_follows_the_text() -> None:
    store = store_of()
    assert store.on_board is None
    store.board_hash = store.good.digest.hex()[:32]
    assert store.on_board is True
    put(store, "chassis.mass_g", 2950)
    assert store.on_board is False
    store.undo()
    assert store.on_board is True
    store.board_hash = ""
    assert store.on_board is False


def test_knots_go_in_and_out() -> None:
    store = store_of()
    store.put_knots(((-1.0, -8.0), (0.0, 0.0), (1.0, 8.0)))
    assert store.good.machine.lean.knots == ((-1.0, -8.0), (0.0, 0.0), (1.0, 8.0))
    assert parse(store.text).machine.lean.knots == store.good.machine.lean.knots
    store.undo()
    assert store.good.machine.lean.knots == ()
