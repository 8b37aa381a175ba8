"""Changing a text again and again comes to the same as reading it afresh each time."""

from __future__ import annotations

import random
import tomllib

import pytest

from leanmix.errors import MachineFileError
from leanmix.machine import DEMOS, Measured, demo, file, set_value
from leanmix.screens.entry import nudged
from leanmix.screens.fields import all_fields
from tests.conftest import DEEP

EDITS = 1500 if DEEP else 60


@pytest.mark.parametrize("name", DEMOS)
def test_edits_on_a_kept_document_are_those_on_one_read_afresh(name: str) -> None:
    rng = random.Random(3)
    kept = afresh = demo(name).text
    fields = all_fields(tomllib.loads(kept))
    used = 0
    for _ in range(EDITS):
        field = rng.choice(fields)
        value = nudged(field, rng.choice((-1, 1)))
        if value is None:
            continue
        key = f"right.{field.key[5:]}" if field.key.startswith("side.") and rng.random() < 0.1 else field.key
        given = Measured(value, 0.3, "calipers") if isinstance(value, float) and rng.random() < 0.2 else value
        last = dict(file._WRITTEN)
        used += kept in last
        try:
            kept = set_value(kept, key, given)
        except MachineFileError:
            continue
        mine = dict(file._WRITTEN)
        file._WRITTEN.clear()
        afresh = set_value(afresh, key, given)
        file._WRITTEN.clear()
        file._WRITTEN.update(mine)
        assert kept == afresh
    assert used > EDITS / 4, "documents were kept"
