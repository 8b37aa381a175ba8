"""Help, manual page and README say the same, and every command's help has an example that it takes."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import click
import pytest

from leanmix.cli import COMPLETE, leanmix
from leanmix.commands._completion import VARIABLE
from leanmix.commands._facts import ENVIRONMENT, EXIT_STATUSES, STREAM_WORDS
from leanmix.commands._manual import manual
from tests.unit.shell_kit import Known, every_command, ran

KNOWN = every_command()
README = Path(__file__).parents[2] / "README.md"


def _names(k: Known) -> str:
    return k.name.replace(" ", "-")


@pytest.mark.parametrize("known", KNOWN, ids=_names)
def test_help_has_an_example_of_this_very_command_that_parses(known: Known) -> None:
    assert known.example, f"leanmix {known.name}: no example"
    assert known.example[: len(known.path)] == known.path
    rest = list(known.example[len(known.path) :])
    command, context = known.command, click.Context(leanmix, info_name="leanmix")
    while isinstance(command, click.Group):
        inner = command.get_command(context, rest.pop(0))
        assert inner is not None
        command = inner
    # parsed, not run: a wrong option, a missing argument or a bad choice raises
    assert command.make_context(known.name, rest, parent=context).command is command


@pytest.mark.parametrize("known", KNOWN, ids=_names)
def test_every_option_says_what_it_is(known: Known) -> None:
    for param in known.command.params:
        if isinstance(param, click.Option):
            assert (param.help or "").endswith((".", "list", "map", "…")), f"{known.name} {param.opts}: {param.help}"


@pytest.mark.parametrize("known", KNOWN, ids=_names)
def test_the_first_line_of_help_is_a_sentence_that_fits_a_list(known: Known) -> None:
    first = (known.command.help or "").split("\n\n")[0].replace("\n", " ")
    assert first[0].isupper()
    assert first.endswith((".", "?"))
    assert len(first) <= 120, first


def test_exit_statuses_are_in_help_manual_and_readme() -> None:
    help_text = " ".join(ran("--help").out.split())
    page = " ".join(re.sub(r"\\\[aq\]", "'", manual(leanmix)).replace("\\-", "-").split())
    readme = " ".join(README.read_text(encoding="utf-8").split())
    for status, words in EXIT_STATUSES:
        assert f"{status} {words}" in help_text
        assert f"\\fB{status}\\fR {words}." in page
        assert f"| {status} | {words} |" in readme
    assert STREAM_WORDS in help_text
    assert STREAM_WORDS in readme
    for name, words in ENVIRONMENT:
        assert f"\\fB{name}\\fR {words}" in page
        assert f"`{name}`" in readme


def test_the_manual_page_has_every_command_and_option() -> None:
    page = manual(leanmix).replace("\\-", "-")
    for known in KNOWN:
        assert f'.SS "leanmix {known.name} ' in page
        for param in known.command.params:
            if isinstance(param, click.Option) and "--quiet" not in param.opts:
                assert re.search(rf"\\fB.*{re.escape(param.opts[-1])}\b.*\\fR", page), (known.name, param.opts)
        assert f".EX\n{_roff(' '.join(('leanmix', *known.example)))}" in page.replace("\\[dq]", "") or any(
            " " in word for word in known.example
        )


def _roff(text: str) -> str:
    return text.replace("'", "\\[aq]").replace("~", "\\[ti]")


def test_the_manual_page_is_sound_roff(tmp_path: Path) -> None:
    page = tmp_path / "leanmix.1"
    assert ran("man", "-o", str(page)).status == 0
    found = subprocess.run(
        ["mandoc", "-T", "lint", "-W", "warning", str(page)], capture_output=True, text=True, check=False
    )
    assert found.stdout + found.stderr == ""
    shown = subprocess.run(["mandoc", "-T", "utf8", str(page)], capture_output=True, text=True, check=True).stdout
    plain = re.sub(r".\x08", "", shown)
    assert "leanmix stops [OPTIONS] FILE" in plain
    assert 'leanmix new mine.toml --name "Lake hauler"' in plain
    assert "leanmix completion bash >> ~/.bashrc" in plain
    # column 130 of a wide line, a backslash or a lost dot would show as stray escapes
    assert "\\" not in plain.replace("\\b", "")


def test_mandoc_is_here() -> None:
    assert shutil.which("mandoc"), "apt-get install mandoc"


def test_the_variable_for_completion_is_one() -> None:
    assert COMPLETE == VARIABLE
