"""Time bases as loggers have them: wrapped, restarted, doubled, coarse, with pauses; mended or refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from leanmix.bench.drivelog import Column, ColumnMap, Repairs, Stretch, Tally, open_log, repaired
from leanmix.bench.drivelog import read as read_module
from leanmix.errors import FileTrouble


def mended(
    tmp_path: Path, times: np.ndarray, unit: str = "s", lean: np.ndarray | None = None
) -> tuple[list[Stretch], Repairs]:
    lean = np.arange(len(times)) * 0.5 if lean is None else lean
    path = tmp_path / "drive.csv"
    path.write_text("t,lean\n" + "".join(f"{t!r},{v!r}\n" for t, v in zip(times.tolist(), lean.tolist(), strict=True)))
    log = open_log(path, ColumnMap("x", {"t_s": Column("t", unit), "lean_deg": Column("lean", "deg")}))
    repairs = Repairs()
    return list(repaired(log.blocks(Tally()), log.columns.scale("t_s"), repairs, "drive.csv")), repairs


def joined(stretches: list[Stretch]) -> tuple[np.ndarray, np.ndarray]:
    return (
        np.concatenate([s.columns["t_s"] for s in stretches]),
        np.concatenate([s.columns["lean_deg"] for s in stretches]),
    )


EVEN = np.arange(500) * 0.02


@pytest.fixture(params=[4 << 20, 500], ids=["one block", "many blocks"], autouse=True)
def block_size(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(read_module, "BLOCK_BYTES", request.param)


def test_sound_times_pass_unchanged(tmp_path: Path) -> None:
    stretches, repairs = mended(tmp_path, EVEN)
    t, lean = joined(stretches)
    assert np.array_equal(t, EVEN)
    assert np.array_equal(lean, np.arange(500) * 0.5)
    assert [s.begins for s in stretches].count(True) == 1
    assert repairs.seconds == pytest.approx(EVEN[-1])
    assert repairs.step_s == pytest.approx(0.02)
    assert (repairs.doubled, repairs.spread, repairs.wrapped, repairs.restarts, repairs.gaps) == (0, 0, 0, 0, 0)


@pytest.mark.parametrize(("bits", "unit", "scale"), [(16, "ms", 1e3), (32, "ms", 1e3), (32, "us", 1e6)])
def test_counter_that_runs_over(tmp_path: Path, bits: int, unit: str, scale: float) -> None:
    true = 2.0**bits / scale - 5 + EVEN
    stretches, repairs = mended(tmp_path, np.round((true * scale) % 2**bits), unit)
    t, _ = joined(stretches)
    assert np.allclose(np.diff(t), 0.02, atol=1.1 / scale)
    assert repairs.wrapped == 1
    assert repairs.restarts == 0


def test_a_small_step_back_in_fine_units_is_a_restart_not_a_counter(tmp_path: Path) -> None:
    times = np.round(np.concatenate([1.0 + EVEN[:300], 1.0 + EVEN[299] - 0.01 + EVEN[:200]]) * 1e6)
    _, repairs = mended(tmp_path, times, "us")
    assert (repairs.wrapped, repairs.restarts) == (0, 1)


def test_midnight(tmp_path: Path) -> None:
    stretches, repairs = mended(tmp_path, (86395.0 + EVEN) % 86400.0, "clock")
    t, _ = joined(stretches)
    assert np.allclose(np.diff(t), 0.02, atol=1e-6)
    assert (repairs.wrapped, repairs.restarts) == (1, 0)


def test_restart_begins_a_stretch_and_time_goes_on(tmp_path: Path) -> None:
    stretches, repairs = mended(tmp_path, np.concatenate([EVEN, EVEN[:200]]))
    t, _ = joined(stretches)
    assert np.all(np.diff(t) > 0)
    assert repairs.restarts == 1
    assert [s.begins for s in stretches].count(True) == 2
    assert repairs.breaks == [(502, "the logger's clock began anew")]
    assert repairs.seconds == pytest.approx(EVEN[-1] + EVEN[199])


def test_pauses_part_stretches(tmp_path: Path) -> None:
    times = EVEN + np.where(np.arange(500) >= 250, 60.0, 0.0) + np.where(np.arange(500) >= 400, 0.1, 0.0)
    stretches, repairs = mended(tmp_path, times)
    t, _ = joined(stretches)
    assert np.array_equal(t, times)
    assert repairs.gaps == 1  # a tenth of a second is no pause
    assert repairs.gap_s == pytest.approx(60.02)
    assert repairs.breaks == [(252, "a pause of 60 s")]
    assert [s.begins for s in stretches].count(True) == 2


def test_doubled_rows_are_left_out(tmp_path: Path) -> None:
    twice = np.repeat(EVEN, np.where(np.arange(500) % 50 == 7, 3, 1))
    lean = np.repeat(np.arange(500) * 0.5, np.where(np.arange(500) % 50 == 7, 3, 1))
    stretches, repairs = mended(tmp_path, twice, lean=lean)
    t, values = joined(stretches)
    assert np.array_equal(t, EVEN)
    assert np.array_equal(values, np.arange(500) * 0.5)
    assert repairs.doubled == 20


def test_clock_in_whole_seconds_is_spread_evenly(tmp_path: Path) -> None:
    stretches, repairs = mended(tmp_path, np.floor(EVEN + 1e-9))
    t, lean = joined(stretches)
    assert np.all(np.diff(t) > 0)
    assert np.allclose(t[:450], EVEN[:450], atol=1e-9)
    assert np.array_equal(lean, np.arange(500) * 0.5)
    assert repairs.spread >= 450
    assert repairs.gaps == 0


def test_rows_without_a_time_are_left_out(tmp_path: Path) -> None:
    times = EVEN.copy()
    times[[3, 77]] = np.nan
    stretches, repairs = mended(tmp_path, times)
    assert repairs.untimed == 2
    assert len(joined(stretches)[0]) == 498


def test_a_column_that_is_no_time_is_refused_with_its_line(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    with pytest.raises(FileTrouble, match=r"line \d+: time goes back"):
        mended(tmp_path, rng.uniform(0, 100, 500))
