"""The core's tests run at least 95 % of its lines."""

from __future__ import annotations

from collections.abc import Callable

from tests.board.core_coverage import measured


def test_coverage_of_the_core(record_property: Callable[[str, object], None]) -> None:
    files = measured([])
    run, lines = (sum(column) for column in zip(*files.values(), strict=True))
    record_property("figure", ["core's lines run by its tests", f"{100 * run / lines:.1f} %", "95 at least"])
    assert lines > 500
    assert run / lines >= 0.95, files
