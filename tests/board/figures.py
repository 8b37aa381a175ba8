"""A pytest plugin that prints figures measured by the board's tests: `pytest tests/board -p tests.board.figures`.

A test gives one with ``record_property("figure", [what, value, limit])``.
"""

from __future__ import annotations

from typing import Any


def pytest_terminal_summary(terminalreporter: Any) -> None:
    rows = [
        tuple(map(str, value))
        for report in terminalreporter.stats.get("passed", []) + terminalreporter.stats.get("failed", [])
        if report.when == "call"
        for key, value in report.user_properties
        if key == "figure"
    ]
    if rows:
        wide = [max(len(row[i]) for row in rows) for i in range(3)]
        terminalreporter.write_sep("-", "figures measured")
        for what, value, limit in rows:
            terminalreporter.write_line(f"{what:<{wide[0]}}  {value:>{wide[1]}}  (limit {limit})")
