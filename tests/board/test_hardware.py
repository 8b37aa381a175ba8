"""Firmware, wiring and fuses as they are handed out."""

from __future__ import annotations

import io
from pathlib import Path

from click.testing import CliRunner
from intelhex import IntelHex

from leanmix.board import FUSES, WIRES, firmware_hex, wiring_drawing
from leanmix.cli import leanmix
from leanmix.drawing import crowded, to_svg

ROOT = Path(__file__).parents[2]


def test_firmware_handed_out_is_the_prebuilt_one_and_fits_the_chip(tmp_path: Path) -> None:
    out, wiring = tmp_path / "fw.hex", tmp_path / "w.svg"
    done = CliRunner().invoke(leanmix, ["board", "firmware", "-o", str(out), "--wiring", str(wiring)])
    assert done.exit_code == 0
    assert out.read_text() == (ROOT / "firmware_tables/prebuilt/leanmix-atmega328p.hex").read_text()
    image = IntelHex(io.StringIO(out.read_text()))
    assert image.minaddr() == 0
    assert image.maxaddr() < 8192
    for wire in WIRES:
        assert wire.role in done.stdout
    assert wiring.read_text().startswith(("<svg", "<?xml"))
    assert "Power the servos from their own supply" in done.stdout


def test_wiring_drawing_names_every_pin_and_nothing_overlaps() -> None:
    drawing = wiring_drawing()
    assert not crowded(drawing)
    svg = to_svg(drawing)
    assert all(wire.pin in svg for wire in WIRES)


def test_pins_are_those_of_the_firmware() -> None:
    source = (ROOT / "firmware_tables/avr/hardware.h").read_text()
    for wire in WIRES:
        assert wire.pin in source or wire.pin in ("VCC", "GND")


def test_fuses_keep_the_eeprom_and_stop_below_what_the_clock_needs() -> None:
    """Bits by the ATmega328P data sheet (from memory): EESAVE is bit 3 of the high byte, 0 = on; BODLEVEL 100 is 4.3 V."""
    value = {name: v for name, v, _ in FUSES}
    assert value["high"] & 0b1000 == 0
    assert value["high"] & 0b100000 == 0  # serial programming stays possible
    assert value["extended"] & 0b111 == 0b100
    assert len(firmware_hex()) > 1000
