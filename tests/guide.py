"""Runs the guide: every command in GUIDE.md, in order, in a folder of its own, and what each printed.

``python -m tests.guide`` writes what the commands print now, and the pictures they draw, into the guide.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
GUIDE = ROOT / "GUIDE.md"
FOLDER = ROOT / "guide"
BLOCK = re.compile(r"^```console\n(.*?)^```$", re.DOTALL | re.MULTILINE)


@dataclass(frozen=True)
class Step:
    """A command as it stands in the guide, with what the guide says it prints."""

    command: str
    says: str


def steps(text: str) -> list[Step]:
    """Every command of the guide in order; a line that ends in a backslash goes on in the next."""
    out = []
    for block in BLOCK.findall(text):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            lines = part.splitlines()
            end = next(i for i, line in enumerate(lines) if not line.endswith("\\")) + 1
            out.append(Step("\n".join(lines[:end]), "".join(f"{line}\n" for line in lines[end:])))
    return out


def run(text: str, place: Path) -> list[str]:
    """What each command prints, results and then talk, line ends trimmed; ends at the first that fails."""
    shutil.copy(FOLDER / "rook.toml", place)
    env = {
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "HOME": str(place),
        "LEANMIX_HOME": str(place / "home"),
        "LC_ALL": "C.UTF-8",
        "TZ": "UTC",
    }
    printed = []
    for step in steps(text):
        done = subprocess.run(
            ["bash", "-o", "pipefail", "-c", step.command],
            cwd=place,
            env=env,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, (step.command, done.stdout, done.stderr)
        lines = [*done.stdout.splitlines(), *done.stderr.splitlines()]
        printed.append("".join(f"{line.rstrip()}\n" for line in lines))
    return printed


def renewed(text: str, printed: list[str]) -> str:
    """The guide with what its commands print now."""
    now = iter(printed)

    def block(found: re.Match[str]) -> str:
        inner = "".join(f"$ {step.command}\n{next(now)}" for step in steps(found[0]))
        return f"```console\n{inner}```"

    return BLOCK.sub(block, text)


def main() -> None:
    """Renew the guide and its pictures."""
    text = GUIDE.read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        GUIDE.write_text(renewed(text, run(text, place)), encoding="utf-8")
        for picture in sorted(place.glob("*.svg")):
            shutil.copy(picture, FOLDER)


if __name__ == "__main__":
    main()
