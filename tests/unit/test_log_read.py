"""Logs of any make: their layout found, rows read, what cannot be read refused with its line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from leanmix.bench.drivelog import (
    PLAIN,
    Column,
    ColumnMap,
    Tally,
    load_map,
    maps,
    open_log,
    read,
    save_map,
)
from leanmix.errors import FileTrouble

PLAIN_LOG = """# leanmix drive log 1
# machine: Tarn
t_s,steering_us,lean_deg
0.00,1500,0.5
0.02,1510.5,
0.04,1520,-1.25e0
"""
FOREIGN = ColumnMap(
    "sledge",
    {"t_s": Column("Time (ms)", "ms"), "lean_deg": Column("Roll", "rad", turned=True), "tip": Column("mark", "1")},
)


def write(tmp_path: Path, data: str | bytes) -> Path:
    path = tmp_path / "drive.csv"
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


def columns(
    path: Path, mapped: ColumnMap | None = None, tally: Tally | None = None, **options: bool
) -> dict[str, list[float]]:
    out: dict[str, list[float]] = {}
    for block in open_log(path, mapped, **options).blocks(tally or Tally()):
        for name, values in block.columns.items():
            out.setdefault(name, []).extend(values.tolist())
    return out


def same(got: dict[str, list[float]], want: dict[str, list[float]]) -> bool:
    return got.keys() == want.keys() and all(np.allclose(got[k], want[k], equal_nan=True, atol=1e-12) for k in want)


NAN = float("nan")
WANT = {"t_s": [0, 0.02, 0.04], "steering_us": [1500, 1510.5, 1520], "lean_deg": [0.5, NAN, -1.25]}


def test_plain_format(tmp_path: Path) -> None:
    assert same(columns(write(tmp_path, PLAIN_LOG)), WANT)
    assert open_log(write(tmp_path, PLAIN_LOG)).shape.plain


BODY = "t_s,steering_us,lean_deg\n0.00,1500,0.5\n0.02,1510.5,\n0.04,1520,-1.25\n"


@pytest.mark.parametrize(
    "data",
    [
        BODY,
        BODY.replace("\n", "\r\n"),
        BODY.replace(",", ";"),
        BODY.replace(",", ";").replace(".", ","),
        BODY.replace(",", "\t").replace(".", ","),
        BODY.replace(",", "|"),
        BODY.replace("0.02,1510.5,", '"0,02","1510,5",').replace("1500", '"1500"').replace(",", ";", 0),
        "Logger 7\nstarted; 2026-01-05\n\n" + BODY,
        "﻿" + BODY,
        BODY.rstrip("\n"),
        BODY.replace("\n", "\n\n"),
        BODY.replace("0.04", "# a note\n0.04"),
        BODY.encode("utf-16"),
        BODY.replace("t_s", "\xb0,t_s").replace("0.0", "9,0.0").encode("latin-1"),
        BODY.replace(",", " , "),
    ],
)
def test_layouts(tmp_path: Path, data: str | bytes) -> None:
    path = write(tmp_path, data)
    if isinstance(data, str) and '"0,02"' in data:
        with pytest.raises(FileTrouble, match="line 3: '0,02' in column 't_s' is not a number"):
            columns(path)
        return
    assert same(columns(path), WANT)


def test_foreign_columns_are_scaled_and_turned(tmp_path: Path) -> None:
    text = "Time (ms);Roll;mark;rest\n1000;0,1;0;x\n1020;-0,2;1;y\n"
    got = columns(write(tmp_path, text), FOREIGN)
    assert same(got, {"t_s": [1.0, 1.02], "lean_deg": [-5.729577951308232, 11.459155902616464], "tip": [0, 1]})


def test_time_of_day_is_seconds(tmp_path: Path) -> None:
    mapped = ColumnMap("watch", {"t_s": Column("when", "clock"), "lean_deg": Column("lean", "deg")})
    got = columns(write(tmp_path, "when,lean\n23:59:59.5,1\n2026-01-05T00:00:01,2\n"), mapped)
    assert same(got, {"t_s": [86399.5, 1.0], "lean_deg": [1, 2]})


def test_no_header_is_counted_from_one(tmp_path: Path) -> None:
    mapped = ColumnMap("bare", {"t_s": Column("1", "s"), "lean_deg": Column("3", "deg")})
    assert same(columns(write(tmp_path, "0,5,1\n1,6,2\n"), mapped), {"t_s": [0, 1], "lean_deg": [1, 2]})


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("0.03,1500", "line 5: has 2 fields where there should be 3"),
        ("0.03,1500,1,2", "line 5: has 4 fields where there should be 3; do commas stand for decimal points"),
        ("0.03,fifteen,1", "line 5: 'fifteen' in column 'steering_us' is not a number"),
        ("0.03,1_500,1", "line 5: '1_500'"),
        ("0.03,0x5,1", "line 5: '0x5'"),
        ('0.03,"1500,1', "line 5: has"),
    ],
)
def test_bad_row_is_refused_with_its_line_or_left_out_and_counted(tmp_path: Path, line: str, reason: str) -> None:
    path = write(tmp_path, BODY.replace("0.04,", f"\n{line}\n0.04,"))  # the blank line counts as a line
    with pytest.raises(FileTrouble, match=reason.replace("'", ".")):
        columns(path)
    tally = Tally()
    assert same(columns(path, None, tally, drop_bad=True), WANT)
    assert (tally.rows, tally.dropped, tally.dropped_lines[0][0]) == (3, 1, 5)


def test_both_decimal_signs_are_refused_not_guessed(tmp_path: Path) -> None:
    text = "t_s;lean_deg;steering_us\n0,0;1.234,5;1500\n0,1;2;1500\n"
    with pytest.raises(FileTrouble, match=r"line 2: '1\.234,5' in column 'lean_deg' is not a number"):
        columns(write(tmp_path, text))


def test_decimal_commas_between_commas_are_refused_with_the_line(tmp_path: Path) -> None:
    with pytest.raises(FileTrouble, match="line 2: 6 fields where the header has 3"):
        open_log(write(tmp_path, "t_s,steering_us,lean_deg\n0,00,1500,0,0,5\n0,02,1510,5,1,0\n"))


def test_last_line_cut_by_a_flat_battery_is_left_out(tmp_path: Path) -> None:
    tally = Tally()
    got = columns(write(tmp_path, BODY + "0.06,15"), None, tally)
    assert same(got, WANT)
    assert tally.cut_end
    with pytest.raises(FileTrouble, match="line 5"):  # but only when it is the last
        columns(write(tmp_path, BODY + "0.06,15\n"))


def test_header_repeated_marks_a_restart(tmp_path: Path) -> None:
    path = write(tmp_path, BODY + BODY)
    tally = Tally()
    blocks = list(open_log(path).blocks(tally))
    assert tally.repeated_headers == 1
    assert np.concatenate([b.restarts for b in blocks]).tolist() == [False] * 3 + [True] + [False] * 2


@pytest.mark.parametrize(
    "data",
    [b"", b"\n", b"hello\n", b"a,b\n", b"\x00\x01\x02" * 50, b"t_s,lean_deg\nx,y\n", b"%PDF-1.4\n1,2\n", b"1\n2\n3\n"],
)
def test_what_is_no_table_is_a_sentence(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(FileTrouble):
        columns(write(tmp_path, data))


def test_missing_doubled_and_absent_are_sentences(tmp_path: Path) -> None:
    with pytest.raises(FileTrouble, match="It has: a, b"):
        open_log(write(tmp_path, "a,b\n1,2\n3,4\n"))
    with pytest.raises(FileTrouble, match="there twice"):
        open_log(write(tmp_path, "t_s,t_s\n1,2\n3,4\n"))
    for name in ("none.csv", ".", "nul\x00"):
        with pytest.raises(FileTrouble):
            open_log(tmp_path / name)


def test_endless_line_is_refused_without_being_swallowed(tmp_path: Path) -> None:
    path = write(tmp_path, BODY.encode() + b"1" * (9 << 20))
    with pytest.raises(FileTrouble, match="line 5"):
        columns(path)


@pytest.mark.parametrize("size", [64, 1000, 4096])
def test_blocks_of_any_size_give_the_same_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    rng = np.random.default_rng(3)
    rows = [f"{i / 50:.2f},{rng.uniform(1000, 2000):.1f},{rng.normal():.3f}" for i in range(900)]
    rows[200] = "4.00,,"
    rows[400] = rows[400] + " "
    rows[500:500] = ["# note", ""]
    path = write(tmp_path, "t_s,steering_us,lean_deg\n" + "\n".join(rows) + "\n")
    whole = columns(path)
    lines = np.concatenate([b.lines for b in open_log(path).blocks(Tally())])
    monkeypatch.setattr(read, "BLOCK_BYTES", size)
    assert same(columns(path), whole)
    assert np.array_equal(np.concatenate([b.lines for b in open_log(path).blocks(Tally())]), lines)
    assert lines[500] == 504
    assert len(whole["t_s"]) == 900


def test_maps_are_kept_and_read_back(tmp_path: Path) -> None:
    odd = ColumnMap('sl"ed', {"t_s": Column('a\\b"\n', "ms"), "lean_deg": Column("ä", "rad", True)})
    assert maps() == ()
    with pytest.raises(FileTrouble, match="no logger of that name"):
        load_map("sledge")
    with pytest.raises(FileTrouble, match="no name for a logger"):
        save_map(odd)
    save_map(FOREIGN)
    assert load_map("sledge") == FOREIGN
    assert maps() == ("sledge",)
    good = ColumnMap("other", odd.columns)
    save_map(good)
    assert load_map("other") == good


def test_maps_that_cannot_be_are_refused() -> None:
    for columns_ in (
        {"lean_deg": Column("x", "deg")},
        {"t_s": Column("x", "furlong")},
        {"t_s": Column("x", "s"), "weight_lb": Column("y", "lb")},
    ):
        with pytest.raises(FileTrouble):
            ColumnMap("bad", columns_)
    path = save_map(ColumnMap("good", {"t_s": Column("x", "s")}))
    for text in ("t_s = 3", "t_s = {", 'lean_deg = { column = "a", unit = "deg" }'):
        path.write_text(text)
        with pytest.raises(FileTrouble):
            load_map("good")


def test_plain_map_names_every_quantity_in_its_own_unit() -> None:
    assert all(PLAIN.scale(q) == 1.0 for q in PLAIN.columns)
