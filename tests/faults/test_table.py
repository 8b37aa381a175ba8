"""The list of faults in DEVELOPERS.md: every kind that was asked for stands in it, tried at least once."""

from __future__ import annotations

import pytest

from tests.faults.table import PAGE, kind_of, rows_of

WANTED = (
    "power cut", "wire:", "steering noise", "file and folder named", "killed", "disk full", "no room", "unplugged",
    "clock jump", "decimal commas", "home that cannot be written", "no HOME", "no terminal", "too small", "closed pipe",
    "hostile: machine files", "hostile: journals", "hostile: drawings", "hostile: pictures", "picture cut off",
)  # fmt: skip


@pytest.mark.parametrize("word", WANTED)
def test_every_kind_of_fault_stands_in_the_list(word: str) -> None:
    rows = rows_of(PAGE.read_text(encoding="utf-8"))
    assert sum(count for what, count in rows.items() if word in what) > 0


def test_what_many_tests_try_alike_is_one_kind() -> None:
    assert kind_of("journal, first use: killed at any call") == kind_of("journal, mend: killed at any call")
    assert kind_of("wire: a byte late") == kind_of("wire: a byte flipped")
    assert kind_of("no HOME in the environment") == "no HOME in the environment"
