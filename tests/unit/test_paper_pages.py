"""Every page of every demo and of random machines: nothing written over anything, nothing past an edge."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from functools import partial

import pytest

import leanmix.job
import leanmix.paper.facts
from leanmix.curve import make_table
from leanmix.drawing import Drawing, Text, crowded
from leanmix.errors import LeanmixError
from leanmix.job import work_out
from leanmix.machine import DEMOS, MachineFile, demo, parse
from leanmix.paper import A4, LETTER, PAPERS, Facts, facts_of, sheet_pages, template_pages
from leanmix.paper.facts import TIPS, TipRow
from leanmix.paper.flow import Block, fitted, heading, pages_of, paragraph, table, text_area, wrapped

RANDOM_MACHINES = 20
WORDS = [
    "Ö",
    "Ludwigslust-Parchimer",
    "Schneekatze",
    "x",
    "WWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWW",
    "a b",
    "№ 7",
    "łódź",
]


@pytest.fixture(autouse=True)
def _few_builds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Coarser than in earnest: what is on the pages is as long."""
    rows = tuple(TipRow(what, way, 0.7654, 1.2345) for what in TIPS for way in ("left", "right"))
    monkeypatch.setattr(leanmix.paper.facts, "_tips", lambda job, curve: rows)
    monkeypatch.setattr(leanmix.job, "make_table", partial(make_table, widen_knee=False))
    monkeypatch.setattr(leanmix.job, "BUILDS", 40)


def random_machine(seed: int) -> MachineFile:
    """A machine of another size, its sides apart, with long names, many screws and a sprinkling of odd numbers."""
    rng = random.Random(seed)
    source = demo(rng.choice(DEMOS))
    size = rng.uniform(0.5, 2.6)
    text = re.sub(r"((?:out|up|length|radius|front_behind|rear_behind|load_behind|cg_up|cg_behind|cg_left|half_width|pivot_up|mass_up|roof_up|length_min|length_max|bearing_length|travel_down|travel_up|rod_end|thread_in|offset_behind|contact_front_behind|contact_rear_behind)_mm = )(\{ at = )?(-?\d+\.?\d*)",
                  lambda m: f"{m[1]}{m[2] or ''}{float(m[3]) * size:.4g}", source.text.split("[[screw]]")[0])  # fmt: skip
    text = re.sub(r"(rate_N_per_mm = \{ at = )(\d+\.?\d*)", lambda m: f"{m[1]}{float(m[2]) / size:.4g}", text)
    text += "\n" + "\n".join(_screw(rng) for _ in range(rng.randrange(0, 14)))
    name = " ".join(rng.choices(WORDS, k=rng.randrange(1, 4)))[:60]
    about = " ".join(rng.choices(WORDS, k=rng.randrange(0, 90)))[:2000]
    text = re.sub(r'name = ".*"\nabout = """(?s:.*?)"""', f'name = "{name}"\nabout = "{about}"', text, count=1)
    text = re.sub(r"spline_teeth = \d+", f"spline_teeth = {rng.choice([15, 23, 24, 25])}", text)
    text = re.sub(r"deadband = [\d.]+", f"deadband = {rng.uniform(0, 0.1):.3f}", text)
    if rng.random() < 0.6:
        rate = float(re.search(r"rate_N_per_mm = \{ at = ([\d.]+)", text)[1])  # type: ignore[index]
        text += f"\n[right.shock]\nrate_N_per_mm = {rate * rng.uniform(0.9, 1.1):.4g}\n"
    return parse(text)


def _screw(rng: random.Random) -> str:
    name = " ".join(rng.choices(WORDS, k=3))[:60]
    return (
        f'[[screw]]\nname = "{name}"\nthread = "{rng.choice(["M2", "M2.5", "M3", "M4", "M5"])}"\n'
        f"length_mm = {rng.uniform(3, 40):.2f}\nclamped_mm = {rng.uniform(0, 20):.3f}\nthreaded_mm = {rng.uniform(1, 20):.3f}\n"
        f'into = "{rng.choice(["plastic", "metal", "nut"])}"\nbeyond = "{rng.choice(["open", "slide", "closed"])}"\n'
    )


def all_pages(facts: Facts) -> Iterator[tuple[str, Drawing]]:
    for name, paper in PAPERS.items():
        for page in sheet_pages(facts, paper) + template_pages(facts, paper):
            yield name, page


@pytest.mark.parametrize("name", DEMOS)
def test_every_page_of_a_demo_can_be_read(name: str) -> None:
    for paper, page in all_pages(facts_of(work_out(demo(name)))):
        assert crowded(page, edge_mm=8.0) == [], f"{paper}, {page.title}"


def test_every_page_of_random_machines_can_be_read() -> None:
    """Machines that cannot be put together are passed over, and counted against at most as many again."""
    read, seed, tables = 0, 0, 0
    while read < RANDOM_MACHINES:
        seed += 1
        assert seed <= 2 * RANDOM_MACHINES, f"only {read} of {seed} random machines stand"
        try:
            facts = facts_of(work_out(random_machine(seed)))
        except LeanmixError:
            continue
        read += 1
        tables += facts.table is not None
        for paper, page in all_pages(facts):
            assert crowded(page, edge_mm=8.0) == [], f"machine {seed}, {paper}, {page.title}"
    assert tables >= RANDOM_MACHINES // 2


def test_the_check_sees_writing_over_writing_and_past_the_edge() -> None:
    def page(*texts: Text) -> Drawing:
        return Drawing(100, 50, texts)

    one = Text((10, 20), "a line of words", 3.0)
    assert crowded(page(one, Text((10, 24), "the next line", 3.0))) == []
    assert crowded(page(one, Text((20, 21), "over it", 3.0))) == ["'a line of words' lies over 'over it'"]
    assert crowded(page(one, Text((20, 15), "upright", 3.0, turn_deg=90)))[0].startswith("'a line of words' lies over")
    assert crowded(page(one, Text((60, 40), "turned", 3.0, turn_deg=45))) == []
    assert crowded(page(Text((90, 20), "too long to fit", 3.0))) == ["'too long to fit' runs past the edge"]
    assert crowded(page(Text((5, 20), "in the border", 3.0)), edge_mm=8.0) == ["'in the border' runs past the edge"]
    assert crowded(page(Text((5, 20), "  ", 3.0)), edge_mm=8.0) == []


def test_a_table_goes_on_under_its_titles_on_the_next_page() -> None:
    width, _ = text_area(LETTER)
    rows = [(str(i), "cell") for i in range(120)]
    pages = pages_of(table(("number", "what"), rows, (width / 2, width / 2)), LETTER, "t", "f")
    assert len(pages) > 1
    for page in pages:
        words = [s.text for s in page.shapes if isinstance(s, Text)]
        assert "number" in words
    cells = [s.text for p in pages for s in p.shapes if isinstance(s, Text) and s.text.isdigit()]
    assert cells == [r[0] for r in rows]


def test_a_heading_is_never_left_alone_at_the_foot() -> None:
    width, high = text_area(A4)
    for filler in range(200, int(high) + 1):
        blocks = [Block(float(filler)), heading("the heading", width), paragraph("the words", width)]
        pages = pages_of(blocks, A4, "t", "f")
        on = {s.text: i for i, p in enumerate(pages) for s in p.shapes if isinstance(s, Text)}
        assert on["the heading"] == on["the words"]


def test_what_is_taller_than_a_page_gets_one_of_its_own() -> None:
    pages = pages_of([Block(10.0), Block(900.0), Block(10.0)], A4, "t", "f")
    assert len(pages) == 3


@pytest.mark.parametrize("text", ["", "one", "a few words that go on", "W" * 300, "a " * 200])
def test_wrapped_lines_fit_and_lose_nothing(text: str) -> None:
    from leanmix.drawing import text_width_mm

    lines = wrapped(text, 30.0, 3.0)
    assert all(text_width_mm(line, 3.0) <= 30.0 for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert text_width_mm(fitted(text, 30.0, 3.0), 3.0) <= 30.0
