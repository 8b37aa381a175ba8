"""The wheel carries the core and all its files and works without a compiler; the sdist builds the same wheel."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def _build(source: Path, out: Path, *kinds: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", *kinds, "--outdir", str(out), str(source)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "SOURCE_DATE_EPOCH": "1700000000"},
    )
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Wheel and sdist of the files that git knows, as a release would be made."""
    folder = tmp_path_factory.mktemp("built")
    names = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    for name in filter(None, names.split("\0")):
        if (ROOT / name).is_file() and not name.startswith(("tests/", "sims/")):
            (folder / "tree" / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, folder / "tree" / name)
    _build(folder / "tree", folder / "dist", "--sdist", "--wheel")
    return folder


def _names(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as z:
        return {n for n in z.namelist() if not n.endswith("/")}


def _wheel(folder: Path) -> Path:
    (found,) = folder.glob("*.whl")
    return found


def test_the_wheel_has_the_core_and_every_file_of_the_package(built: Path) -> None:
    names = _names(_wheel(built / "dist"))
    assert any(n.startswith("leanmix/mixer/_core") and n.endswith((".so", ".pyd")) for n in names)
    package = built / "tree" / "leanmix"
    wanted = {p.relative_to(built / "tree").as_posix() for p in package.rglob("*") if p.is_file()}
    wanted = {n for n in wanted if "__pycache__" not in n}
    assert wanted <= names
    assert all(n.startswith(("leanmix/", "leanmix-")) for n in names)
    assert any(n.endswith("licenses/LICENSE") for n in names)


def test_the_sdist_builds_the_same_wheel(built: Path) -> None:
    (sdist,) = (built / "dist").glob("*.tar.gz")
    # unpacked by the system's own tar: Debian 12's Python does not know yet how to be careful about it
    (built / "unpacked").mkdir()
    subprocess.run(["tar", "-xzf", str(sdist), "-C", str(built / "unpacked")], check=True)
    (source,) = (built / "unpacked").iterdir()
    _build(source, built / "again", "--wheel")
    assert _names(_wheel(built / "again")) == _names(_wheel(built / "dist"))


def test_the_wheel_goes_on_tour_where_there_is_no_compiler(built: Path, tmp_path: Path) -> None:
    place = tmp_path / "venv"
    venv.create(place, with_pip=False)
    python = place / "bin" / "python"
    site = Path(sysconfig.get_path("purelib", vars={"base": str(place), "platbase": str(place)}))
    bare = {"PATH": str(tmp_path), "HOME": str(tmp_path), "LEANMIX_HOME": str(tmp_path / "home"), "LC_ALL": "C.UTF-8"}
    # a wheel is installed by unpacking it; what it depends on is borrowed, leanmix itself is not
    with zipfile.ZipFile(_wheel(built / "dist")) as z:
        z.extractall(site)
    (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    code = "import leanmix.mixer, sys; sys.stdout.write(leanmix.mixer.__file__)"
    where = subprocess.run(
        [python, "-c", code], env=bare, cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    assert Path(where).is_relative_to(site)
    assert shutil.which("cc", path=bare["PATH"]) is None
    done = subprocess.run(
        [python, "-m", "leanmix", "tour"], env=bare, cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "read back equal" in done.stdout
