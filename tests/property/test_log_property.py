"""Whatever stands in a log: rows and a sound time, or a sentence. Never anything else."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from leanmix.bench.drivelog import Repairs, Tally, find_tips, open_log, plain_lines, repaired
from leanmix.errors import FileTrouble

GOOD = "t_s,steering_us,lean_deg,lateral_g\n" + "".join(
    f"{i * 0.02:.2f},{1500 + i},{i * 0.1:.1f},{i * 0.01:.2f}\n" for i in range(30)
)
field = st.one_of(
    st.floats(allow_nan=True).map(repr),
    st.sampled_from(["", " ", "-", "1e400", "nan", "1,5", '"', "#", "12:00:01", "é"]),
)


def read_through(data: bytes, drop_bad: bool) -> int | None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.csv"
        path.write_bytes(data)
        tally, repairs = Tally(), Repairs()
        try:
            log = open_log(path, drop_bad=drop_bad)
            stretches = list(repaired(log.blocks(tally), 1.0, repairs, "drive.csv"))
        except FileTrouble as error:
            assert len(str(error)) < 1200
            return None
        rows = 0
        last = -np.inf
        for stretch in stretches:
            t = stretch.columns["t_s"]
            assert np.all(np.isfinite(t))
            assert np.all(np.diff(t) >= 0)
            assert t[0] >= last
            last = t[-1]
            rows += len(t)
        assert rows == tally.rows - repairs.doubled - repairs.untimed
        find_tips(stretches)
        "".join(plain_lines(stretches))
        return rows


@given(st.binary(max_size=400), st.booleans())
def test_any_bytes(data: bytes, drop_bad: bool) -> None:
    read_through(data, drop_bad)


@given(st.integers(0, len(GOOD)), st.integers(0, 40), st.text(max_size=8), st.booleans())
def test_any_cut_and_paste(at: int, length: int, put: str, drop_bad: bool) -> None:
    data = (GOOD[:at] + put + GOOD[at + length :]).encode("utf-8", "replace")
    found = read_through(data, drop_bad)
    if not put and length == 0:
        assert found == 30


@given(st.lists(st.lists(field, min_size=4, max_size=4), max_size=12), st.sampled_from([",", ";", "\t"]), st.booleans())
def test_any_fields(rows: list[list[str]], separator: str, drop_bad: bool) -> None:
    head = GOOD.replace(",", separator)
    read_through((head + "".join(separator.join(r) + "\n" for r in rows)).encode(), drop_bad)
