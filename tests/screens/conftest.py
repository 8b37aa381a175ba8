"""For the screens' tests a few builds do as well as many: what is shown does not hang on their number."""

from __future__ import annotations

import pytest

FEW = 200


@pytest.fixture(autouse=True)
def _few_builds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("leanmix.job.BUILDS", FEW)
