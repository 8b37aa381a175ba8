"""The guide is run: every command in it prints what stands under it, and draws the pictures that it shows."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.guide import BLOCK, FOLDER, GUIDE, ROOT, renewed, run, steps

RENEW = "python -m tests.guide"
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
SEEN_MM = 0.02


def _same_picture(one: Path, other: Path) -> bool:
    """Whether two drawings have the same strokes and words, each within what an eye can see."""
    texts = [p.read_text(encoding="utf-8") for p in (one, other)]
    words, numbers = zip(*((NUMBER.sub("#", t), [float(n) for n in NUMBER.findall(t)]) for t in texts), strict=True)
    return words[0] == words[1] and numbers[0] == pytest.approx(numbers[1], abs=SEEN_MM, rel=0)


def test_every_command_prints_what_the_guide_says_and_the_pictures_are_current(tmp_path: Path) -> None:
    text = GUIDE.read_text(encoding="utf-8")
    printed = run(text, tmp_path)
    wanted = steps(text)
    assert len(printed) == len(wanted) >= 15
    for step, now in zip(wanted, printed, strict=True):
        assert now == step.says, f"{step.command}\nif this is right: {RENEW}"
    shown = re.findall(r"\(guide/([\w-]+\.svg)\)", text)
    assert sorted(shown) == sorted(p.name for p in FOLDER.glob("*.svg"))
    for name in shown:
        assert _same_picture(tmp_path / name, FOLDER / name), f"{name}: if this is right: {RENEW}"


def test_a_guide_that_says_something_else_is_told_apart() -> None:
    text = "a\n```console\n$ first \\\n  on\nsays\n$ second\n```\nb\n"
    found = steps(text)
    assert [s.command for s in found] == ["first \\\n  on", "second"]
    assert [s.says for s in found] == ["says\n", ""]
    assert renewed(text, ["says\n", ""]) == text
    assert renewed(text, ["other\n", "more\n"]) == text.replace("says", "other").replace("second\n", "second\nmore\n")
    assert len(BLOCK.findall(text)) == 1


@pytest.mark.parametrize("page", ["README.md", "GUIDE.md", "MODEL.md", "DEVELOPERS.md"])
def test_links_between_the_pages_lead_somewhere(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert "://" in target or (ROOT / target).exists(), target
