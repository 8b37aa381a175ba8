"""A pytest plugin that lists, after a run, every kind of fault that was tried, how often, and what came of it.

A fault test says what it tried with ``record_property("fault", [what, count, result])``. The list stands in
DEVELOPERS.md too: a run that tried a kind which is not there fails, and ``--write-faults`` writes it anew.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"
BEGIN, END = "<!-- faults: written by tests/run --faults -->", "<!-- end of faults -->"

# what many tests try alike is one kind
KINDS = (
    (r"journal, [\w ]+: (killed|disk full)", r"journal: \1"),
    (r"(journal, a page of|journal, files may have) .*", r"\1 …"),
    (r"journal, \d+ programs at once", "journal, programs at once"),
    (r"(power cut under a session), .*", r"\1"),
    (r"(power cut at every storage byte, five tears|random input to the core|home that cannot be written): .*", r"\1"),
    (r"(wire: a byte) .*", r"\1 dropped, doubled, flipped, late, or the plug pulled there"),
    (r"surroundings .*", "languages, terminals and time zones of other lands"),
    (r"(power cut at every byte of an upload that changes nearly all), .*", r"\1"),
    (r"(file and folder named) .*", r"\1 in other letters and signs"),
    (r"no room for a file .*", "no room for a file"),
    (r"\d[\d,]* ", ""),
)  # fmt: skip

# where each test of a kind tells a number of its own
RESULTS = {
    "journal: disk full from any call on": "done or said so, nothing kept was lost",
    "journal, files may have …": "what was said to be kept is there, then refused",
    "power cut at every storage byte, five tears": "old or new, never none, never a mix",
    "wire: a byte dropped, doubled, flipped, late, or the plug pulled there": "verified, or told truly",
}


def kind_of(what: str) -> str:
    """The row that a fault belongs to."""
    for pattern, name in KINDS:
        what = re.sub(f"^{pattern}", name, what)
    return what


def rows_of(page: str) -> dict[str, int]:
    """Kinds and counts in the page's list."""
    text = page.partition(BEGIN)[2].partition(END)[0]
    found = re.findall(r"^\| (.+?) \| ([\d ]+) \|", text, re.MULTILINE)
    return {what: int(count.replace(" ", "")) for what, count in found}


class FaultTable:
    """What was tried in this run."""

    def __init__(self, write: bool) -> None:
        self.write = write
        self.rows: dict[str, list[Any]] = {}
        self.lacking: list[str] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when != "call":
            return
        for key, value in report.user_properties:
            if key == "fault":
                what, count, result = value  # type: ignore[misc]
                kind = kind_of(str(what))
                row = self.rows.setdefault(kind, [0, RESULTS.get(kind, str(result))])
                row[0] += int(count)
                if report.failed:
                    row[1] = "FAILED"

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if not self.rows:
            return
        page = PAGE.read_text(encoding="utf-8")
        if self.write and not session.testsfailed:
            head, _, rest = page.partition(BEGIN)
            tail = rest.partition(END)[2]
            lines = [f"| {what} | {count} | {result} |" for what, (count, result) in sorted(self.rows.items())]
            body = "\n".join([BEGIN, "", "| tried | times | what came of it |", "|---|---|---|", *lines, "", END])
            PAGE.write_text(f"{head}{body}{tail}", encoding="utf-8")
            return
        known = rows_of(page)
        self.lacking = sorted(set(self.rows) - set(known))
        if self.lacking:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        if not self.rows:
            return
        width = max(map(len, self.rows))
        terminalreporter.write_sep("-", "faults tried")
        for what, (count, result) in sorted(self.rows.items()):
            terminalreporter.write_line(f"{what:<{width}}  {count:>8,}  {result}")
        terminalreporter.write_line(f"{'all':<{width}}  {sum(c for c, _ in self.rows.values()):>8,}")
        for what in self.lacking:
            terminalreporter.write_line(f"not in DEVELOPERS.md: {what}; run tests/run --faults", red=True)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--write-faults", action="store_true", help="write the list of faults into DEVELOPERS.md")


def pytest_configure(config: pytest.Config) -> None:
    if not hasattr(config, "workerinput"):
        config.pluginmanager.register(FaultTable(config.getoption("--write-faults")), "fault-table")
