"""What a sheet says when there is no answer, and where it says a machine tips."""

from __future__ import annotations

from dataclasses import replace

import pytest

import leanmix.job
from leanmix.curve import Check, plan_throw_deg
from leanmix.drawing import Drawing, Text
from leanmix.job import work_out
from leanmix.machine import demo, parse, set_value
from leanmix.paper import A4, Facts, build_files, everything, facts_of, sheet_pages
from leanmix.stance import balance

TABLE_FILES = {"table.bin", "table.hex", "table.h", "mapping.csv"}


@pytest.fixture(autouse=True)
def _few_builds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(leanmix.job, "BUILDS", 200)


def words(pages: tuple[Drawing, ...]) -> str:
    return " ".join(s.text for p in pages for s in p.shapes if isinstance(s, Text))


def no_lean() -> Facts:
    """Both of the builder's own caps at neutral: nothing can be asked for."""
    text = set_value(set_value(demo("tarn").text, "limits.cap_left_deg", 0), "limits.cap_right_deg", 0)
    return facts_of(work_out(parse(text)))


def test_without_a_table_the_sheet_says_why_and_the_rest_stands() -> None:
    facts = no_lean()
    assert facts.table is None
    assert not facts.proved
    assert "both caps are at neutral" in facts.missing[0]
    said = words(sheet_pages(facts, A4))
    assert "both caps are at neutral" in said
    assert "rod to cut" in said
    assert everything(facts)["table"] is None


def test_without_a_proved_table_none_is_shared() -> None:
    facts = no_lean()
    assert not TABLE_FILES & set(build_files(facts, A4))
    good = facts_of(work_out(demo("tarn")))
    assert set(build_files(good, A4)) >= TABLE_FILES
    bad = replace(good, checks=(*good.checks[1:], Check("a check", False, "far off", 5)))
    files = build_files(bad, A4)
    assert not TABLE_FILES & set(files)
    assert "FAILED" in words(sheet_pages(bad, A4))
    assert "table.bin" not in files["readme.txt"].decode()


@pytest.mark.parametrize("name", ["tarn", "wren"])
def test_a_machine_stands_just_below_its_tip_limit_and_not_above(name: str) -> None:
    facts = facts_of(work_out(demo(name)))
    assert facts.plan is not None
    held = dict(zip(("left", "right"), plan_throw_deg(facts.plan, [1.0, -1.0])[1], strict=True))
    rows = [t for t in facts.tips if t.what == "on its springs"]
    assert [t.way for t in rows] == ["left", "right"]
    for row in rows:
        turn = 1.0 if row.way == "left" else -1.0
        for throw, limit in ((0.0, row.before_g), (float(held[row.way]), row.after_g)):
            assert 0.2 < limit < 3.0
            assert bool(balance(facts.setup, throw, turn * (limit - 0.002)).ok)
            assert not bool(balance(facts.setup, throw, turn * (limit + 0.004)).ok)
