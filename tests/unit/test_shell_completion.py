"""Completion asked of the real shells: what Tab offers in bash, zsh and fish, and that asking loads no command."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pexpect
import pytest

from leanmix.cli import COMMANDS
from leanmix.commands._completion import MACHINE, MANOEUVRE, SHELLS
from leanmix.machine import DEMOS
from leanmix.response import MANOEUVRES
from tests.unit.shell_kit import ran

HERE = str(Path(sys.executable).parent)
CASES = [
    ("leanmix st", {"stops", "stance"}),
    ("leanmix stops demo:", {f"demo:{name}" for name in DEMOS}),
    ("leanmix stops demo:ta", {"demo:tarn"}),
    ("leanmix drive demo:tarn sl", {"slalom"}),
    ("leanmix drive demo:tarn step --against demo:w", {"demo:wren"}),
    ("leanmix board re", {"read", "revert"}),
    ("leanmix table demo:tarn --as h", {"hex", "header"}),
    ("leanmix flash demo:tarn --port v", {"virtual"}),
    ("leanmix stops --b", {"--builds"}),
    ("leanmix completion ", set(SHELLS)),
    ("leanmix stops mi", {"mine.toml"}),
    ("leanmix stops sub", {"sub/"}),
    ("leanmix stops demo:tarn --at left:1 -o pic", {"picture.svg"}),
]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "with spaces"
    (place / "sub").mkdir(parents=True)
    for name in ("mine.toml", "mist.txt", "picture.svg", ".hidden.toml"):
        (place / name).write_text("", encoding="utf-8")
    for shell in SHELLS:
        (place / f"script.{shell}").write_text(ran("completion", shell).out, encoding="utf-8")
    return place


def _run(shell: list[str], code: str, folder: Path) -> list[str]:
    env = {**os.environ, "PATH": f"{HERE}:{os.environ['PATH']}", "HOME": str(folder)}
    done = subprocess.run([*shell, code], capture_output=True, text=True, cwd=folder, env=env, check=True)
    return done.stdout.splitlines()


@pytest.mark.parametrize(("line", "offered"), CASES)
def test_bash(line: str, offered: set[str], folder: Path) -> None:
    # compopt may only be called by readline itself
    code = f"""compopt() {{ :; }}; source script.bash
        COMP_LINE={line!r}; COMP_POINT=${{#COMP_LINE}}; _leanmix_completion leanmix; printf '%s\\n' "${{COMPREPLY[@]}}" """
    # bash itself keeps what stands before the last colon
    assert set(_run(["bash", "-c"], code, folder)) == {
        w.removeprefix("demo:") if "demo:" in line.rsplit(maxsplit=1)[-1] else w for w in offered
    }


@pytest.mark.parametrize(("line", "offered"), CASES)
def test_fish(line: str, offered: set[str], folder: Path) -> None:
    rows = _run(["fish", "-c"], f"source script.fish; complete -C {line!r}", folder)
    names = {row.split("\t")[0] for row in rows}
    assert names >= offered
    # fish knows no endings: any file may stand with the machine files
    assert {n for n in names - offered if not (folder / n).exists()} == set()
    if line.endswith(" st"):
        assert "stance\tHow far it leans; when it tips; what would buy most." in rows


@pytest.mark.parametrize(
    ("typed", "became"),
    [
        ("leanmix stops demo:ta", "demo:tarn"),
        ("leanmix drive demo:tarn sla", "slalom"),
        ("leanmix table demo:tarn --as=hea", "--as=header"),
        ("leanmix stops mine", "mine.toml"),
        ("leanmix compl", "completion"),
    ],
)
def test_zsh_and_bash_at_a_terminal(typed: str, became: str, folder: Path) -> None:
    env = {**os.environ, "PATH": f"{HERE}:{os.environ['PATH']}", "HOME": str(folder), "TERM": "dumb", "PS1": "$ "}
    for shell, begin in (
        (["zsh", "-f", "-i"], "autoload -Uz compinit; compinit -D; source ./script.zsh"),
        (["bash", "--norc", "--noprofile", "-i"], "source ./script.bash"),
    ):
        child = pexpect.spawn(
            shell[0], shell[1:], env=env, cwd=str(folder), encoding="utf-8", timeout=60, dimensions=(24, 120),
            codec_errors="replace",  # a name of a terminal is used again, and another test's host may still knock at it
        )  # fmt: skip
        child.sendline(f"{begin}; echo rea''dy")
        child.expect("ready\r\n")
        child.send(f"{typed}\t")
        child.expect(re.escape(became))
        child.close(force=True)


def test_what_is_read_off_the_disk_is_what_the_stages_know() -> None:
    import click

    context, param = click.Context(click.Command("x")), click.Argument(["x"])
    machines = [i.value for i in MACHINE.shell_complete(context, param, "demo:")]
    assert set(machines) - {"demo:"} == {f"demo:{name}" for name in DEMOS}
    assert {i.value for i in MANOEUVRE.shell_complete(context, param, "s")} - {"s"} == {
        m for m in MANOEUVRES if m[0] == "s"
    }


def test_names_of_commands_are_offered_without_loading_one() -> None:
    code = (
        "import os, sys\n"
        "os.environ.update(_LEANMIX_COMPLETE='bash_complete', COMP_LINE='leanmix ')\n"
        "from leanmix.cli import main\n"
        "try: main([])\n"
        "except SystemExit: pass\n"
        "loaded = [m for m in sys.modules if m.startswith(('numpy', 'pydantic', 'leanmix.machine', 'leanmix.commands.'))]\n"
        "print(sorted(loaded), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[1:-1] == [f"plain,{name}" for _, rows in COMMANDS for name, _, _ in rows]
    assert done.stderr.strip() == "['leanmix.commands._completion', 'leanmix.commands._facts']"
