"""A pytest plugin that prints, after a run, every fault that was tried, how often, and what came of it.

A fault test says what it tried with ``record_property("fault", [what, count, result])``.
"""

from __future__ import annotations

from typing import Any

import pytest


def pytest_terminal_summary(terminalreporter: Any) -> None:
    rows = []
    for outcome in ("passed", "failed"):
        for report in terminalreporter.stats.get(outcome, []):
            for key, value in getattr(report, "user_properties", []):
                if key == "fault" and report.when == "call":
                    what, count, result = value
                    rows.append((str(what), int(count), str(result) if outcome == "passed" else "FAILED"))
    if not rows:
        return
    width = max(len(what) for what, _, _ in rows)
    terminalreporter.write_sep("-", "faults tried")
    for what, count, result in sorted(rows):
        terminalreporter.write_line(f"{what:<{width}}  {count:>8,}  {result}")
    terminalreporter.write_line(f"{'all':<{width}}  {sum(c for _, c, _ in rows):>8,}")


@pytest.hookimpl(tryfirst=True)
def pytest_report_header() -> str:
    return "faults: counted and listed at the end"
