"""The numbers stand alone: no screen, serial or command library comes in with them."""

from __future__ import annotations

import subprocess
import sys

import pytest

PACKAGES = ["machine", "mixer", "survey", "linkage", "stops", "stance", "curve", "response"]


@pytest.mark.parametrize("package", PACKAGES)
def test_numeric_package_loads_without_screens_serial_or_commands(package: str) -> None:
    code = (
        f"import sys, leanmix.{package}\n"
        "heavy = {'textual', 'serial', 'click', 'rich'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or None)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "from leanmix.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'pydantic', 'rich', 'textual', 'serial', 'tomlkit'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(heavy)) or None)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
