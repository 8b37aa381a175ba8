"""Readings are a second text beside the machine's: edits of it are undone, saved, and come back after a crash."""

from __future__ import annotations

from pathlib import Path

import pytest

from leanmix.errors import FileTrouble
from leanmix.machine import demo
from leanmix.screens.recovery import left_behind
from leanmix.screens.store import Store
from leanmix.survey import add_line, drop_line, parse_line, places_of, put_line, readings_path

PLACES = places_of(demo("tarn").machine)
FIRST = parse_line("pins lower_pivot lower_ball 84.9 ± 0.2", PLACES)
SECOND = parse_line("height J 50.1", PLACES)


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(demo("tarn").text)
    return path


def opened(path: Path) -> Store:
    store = Store()
    store.open(str(path))
    return store


def kinds(store: Store) -> list[str]:
    assert store.readings is not None
    return [r.kind for r in store.readings.read(store.good).survey.readings]


def test_readings_are_undone_and_done_again_between_edits_of_the_machine(mine: Path) -> None:
    store = opened(mine)
    readings = store.look_at_readings()
    blank = readings.text
    store.change_readings(add_line(readings.text, FIRST), "one")
    field = store.field("side.arm.radius_mm")
    assert field is not None
    store.put(field, 15.5)
    store.change_readings(add_line(readings.text, SECOND), "two")
    machine = store.text
    assert kinds(store) == ["pins", "height"]
    store.undo()
    assert kinds(store) == ["pins"]
    assert store.text == machine
    store.undo()
    store.undo()
    assert readings.text == blank
    assert not store.unsaved
    for _ in range(3):
        store.redo()
    assert kinds(store) == ["pins", "height"]
    assert store.text == machine
    store.close()


def test_saving_writes_them_beside_the_machine(mine: Path) -> None:
    store = opened(mine)
    store.change_readings(add_line(store.look_at_readings().text, FIRST), "one")
    assert store.unsaved
    store.save()
    assert not store.unsaved
    assert "lower_pivot" in readings_path(mine).read_text()
    other = mine.with_name("other.toml")
    store.save(other)
    assert readings_path(other).read_text() == readings_path(mine).read_text()
    store.close()


def test_nothing_is_written_beside_a_machine_whose_readings_were_only_looked_at(mine: Path) -> None:
    store = opened(mine)
    store.look_at_readings()
    store.save()
    assert not readings_path(mine).exists()
    demo_store = Store()
    demo_store.open("demo:tarn")
    assert len(demo_store.look_at_readings().read(demo_store.good).survey.readings) > 40
    demo_store.save(mine.with_name("copy.toml"))
    assert not readings_path(mine.with_name("copy.toml")).exists()
    store.close()
    demo_store.close()


def test_what_another_program_wrote_is_taken_up_or_not_written_over(mine: Path) -> None:
    beside = readings_path(mine)
    store = opened(mine)
    text = add_line(store.look_at_readings().text, FIRST)
    beside.write_text(text)
    store.look_at_readings()
    assert kinds(store) == ["pins"]
    assert not store.unsaved
    store.change_readings(add_line(text, SECOND), "two")
    beside.write_text(text + "# another\n")
    with pytest.raises(FileTrouble, match="changed by another program"):
        store.save()
    assert beside.read_text().endswith("# another\n")
    store.close()


def test_readings_come_back_after_a_crash_with_their_undo(mine: Path) -> None:
    store = opened(mine)
    store.change_readings(add_line(store.look_at_readings().text, FIRST), "one")
    store.save()
    store.change_readings(add_line(store.look_at_readings().text, SECOND), "two")
    store.undo()
    store.undo()  # of the edit made before it was saved
    store.redo()
    store.redo()
    # as after kill -9: the lock is let go, the journal stays
    import os

    assert store.journal._handle is not None
    os.close(store.journal._handle)
    store.journal._handle = None
    (lost,) = left_behind()
    again = Store()
    again.recover(lost)
    assert kinds(again) == ["pins", "height"]
    assert again.unsaved
    again.undo()
    assert kinds(again) == ["pins"]
    assert again.readings is not None
    assert again.readings.path == readings_path(mine)
    again.close()


def test_an_undo_over_a_save_comes_back_after_a_crash(mine: Path) -> None:
    store = opened(mine)
    field = store.field("side.arm.radius_mm")
    assert field is not None
    store.put(field, 15.5)
    store.save()
    store.undo()
    text = store.text
    import os

    assert store.journal._handle is not None
    os.close(store.journal._handle)
    store.journal._handle = None
    again = Store()
    again.recover(left_behind()[0])
    assert again.text == text
    assert again.unsaved
    again.close()


def test_a_line_is_put_and_dropped_without_touching_the_others() -> None:
    text = 'schema = 1\nreading = [\n    # mine\n    { height = "lower_pivot", reads_mm = 50 },\n]\n# end\n'
    text = add_line(text, FIRST)
    text = put_line(text, 1, SECOND)
    assert text.count("height") == 2
    assert "# mine" in text
    assert text.endswith("# end\n")
    text = drop_line(text, 0)
    assert "reads_mm = 50 " not in text
    assert "reads_mm = 50.1" in text
    with pytest.raises(IndexError):
        drop_line(text, 5)
