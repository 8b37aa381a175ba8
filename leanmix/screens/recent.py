"""What was open lately, and the look that was chosen: small things remembered from one day to the next."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from leanmix.errors import FileTrouble
from leanmix.machine import save_text
from leanmix.places import home

__all__ = ["recent_files", "remember_file", "remember_setting", "setting"]

MOST = 12


def _file() -> Path:
    return home() / "screens.json"


def _read() -> dict[str, Any]:
    try:
        found = json.loads(_file().read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _write(content: Mapping[str, Any]) -> None:
    try:
        _file().parent.mkdir(parents=True, exist_ok=True)
        save_text(_file(), json.dumps(content, indent=1))
    except (FileTrouble, OSError):
        return  # a comfort, not worth stopping for


def recent_files() -> tuple[str, ...]:
    """Files opened lately that are still there, latest first."""
    listed = _read().get("recent", [])
    return tuple(p for p in listed if isinstance(p, str) and Path(p).exists()) if isinstance(listed, list) else ()


def remember_file(path: Path) -> None:
    """Put a file at the head of the list."""
    content = _read()
    here = str(path.resolve())
    content["recent"] = [here, *(p for p in recent_files() if p != here)][:MOST]
    _write(content)


def setting(name: str, otherwise: str = "") -> str:
    """A remembered setting."""
    value = _read().get(name, otherwise)
    return value if isinstance(value, str) else otherwise


def remember_setting(name: str, value: str) -> None:
    """Keep a setting."""
    _write({**_read(), name: value})
