"""What all tests share: no test sees the user's own folders, and property tests have one profile."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

DEEP = os.environ.get("LEANMIX_DEEP") == "1"

settings.register_profile(
    "leanmix",
    deadline=None,  # no timed tests
    max_examples=400 if DEEP else 60,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    print_blob=True,
)
settings.load_profile("leanmix")


@pytest.fixture(autouse=True)
def _own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Journal, boards and recovery files go to the test's own folder."""
    monkeypatch.setenv("LEANMIX_HOME", str(tmp_path / "leanmix-home"))
