"""Whatever is written into the journal comes out of it, of its export, and of its pages read one by one."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from leanmix.journal import DriveNote, Journal, Reading, export_lines, import_lines, read_torn
from leanmix.journal.entries import QUANTITIES
from leanmix.machine import demo

SOURCES = [None, demo("tarn"), demo("wren")]
text = st.text(st.characters(exclude_categories=["Cs"]), max_size=300)
number = st.floats(allow_nan=False, allow_infinity=False)
readings = st.builds(
    Reading,
    quantity=st.sampled_from(sorted(QUANTITIES)),
    at=st.floats(-60, 60),
    tol=st.floats(0, 60),
    how=text,
    side=st.sampled_from(["", "left", "right"]),
    pulse_us=st.none() | st.floats(500, 2500),
    note=text,
)
notes = st.builds(
    DriveNote, place=text, surface=text, temperature_C=st.none() | number, tips=st.integers(0, 1 << 70), verdict=text
)
flashes = st.binary(max_size=12_000)


@given(st.lists(st.tuples(st.one_of(readings, notes, flashes), st.sampled_from(SOURCES), text), max_size=12))
def test_in_and_out(items: list[tuple[Reading | DriveNote | bytes, object, str]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        one, two = Path(folder) / "one.sqlite", Path(folder) / "two.sqlite"
        clock = iter(range(len(items)))
        with Journal.open(one, now=lambda: float(next(clock))) as j:
            for value, source, board in items:
                if isinstance(value, bytes):
                    j.record_flash(SOURCES[1], value, board, "verified")  # type: ignore[arg-type]
                elif isinstance(value, Reading):
                    j.record_reading(value, source=source, board=board)  # type: ignore[arg-type]
                else:
                    j.record_drive(value, source=source, board=board)  # type: ignore[arg-type]
            assert [r for _, r in j.readings()] == [v for v, _, _ in items if isinstance(v, Reading)]
            assert [n for _, n in j.drives()] == [v for v, _, _ in items if isinstance(v, DriveNote)]
            assert [(f.image, f.board) for f in j.flashes()] == [(v, b) for v, _, b in items if isinstance(v, bytes)]
            assert j.trouble() == ()
            heads = j.headlines()
            exported = "".join(export_lines(j)).encode()
        torn = read_torn(one)
        assert [row[0] for row in torn.rows] == heads
        assert torn.lost == ()
        with Journal.open(two) as j:
            assert import_lines(j, io.BytesIO(exported), "export").whole
            assert [h[1:] for h in j.headlines()] == [h[1:] for h in heads]
            assert "".join(export_lines(j)).encode() == exported
