"""The board's hardware: firmware file, pins, fuses, and a wiring drawing of our own."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources

from leanmix.drawing import Circle, Drawing, Line, Pen, Polygon, Shape, Text

__all__ = ["FUSES", "HARDWARE_CAUTIONS", "WIRES", "Connection", "firmware_hex", "programmer_lines", "wiring_drawing"]


@dataclass(frozen=True, slots=True)
class Connection:
    """One connection of the board.

    Parameters
    ----------
    pin : str
        The chip's pin by port name.
    role : str
        What the firmware does there.
    to : str
        What to connect.
    needed : bool
        False for what may be left open.
    """

    pin: str
    role: str
    to: str
    needed: bool


WIRES = (
    Connection(
        "PB0",
        "steering in",
        "receiver's steering channel, signal; the same channel goes on to the steering servo",
        True,
    ),
    Connection("PB1", "servo 1 out", "lean servo's signal (left servo with one on each side)", True),
    Connection("PB2", "servo 2 out", "right lean servo's signal", False),
    Connection("PD2", "lean amount in", "a second receiver channel, signal", False),
    Connection("PD0", "serial in", "adapter's TX, 5 V level", True),
    Connection("PD1", "serial out", "adapter's RX", True),
    Connection("PC0", "servo supply", "servo rail through 47 kΩ, and 5.6 kΩ from the pin to ground", False),
    Connection("PB5", "status light", "LED with 1 kΩ to ground", False),
    Connection("VCC", "5 V", "receiver's 5 V, or a regulator; never the servo rail if that is above 5.5 V", True),
    Connection("GND", "ground", "receiver, servos, adapter and supply: all grounds together", True),
)

# (name, value, why): ATmega328P data sheet, fuse bytes and safe operating area, from memory; an oscillator of
# 16 MHz needs 3.8 V, so the brown-out level is the one above it
FUSES = (
    ("low", 0xFF, "16 MHz crystal, slow start: the clock is steady before anything moves"),
    ("high", 0xD1, "keeps the EEPROM, and so the table, when new firmware is written"),
    ("extended", 0xFC, "brown-out at 4.3 V: below that the chip stops instead of writing nonsense"),
)

HARDWARE_CAUTIONS = (
    "Power the servos from their own supply, not through the board: a stalled servo draws amperes.",
    "Write firmware and fuses with the servos unplugged; wrong fuses can lock the chip to its programmer.",
    "Mind polarity and short circuits: lithium cells burn. What the makers of your parts say comes first.",
)


def firmware_hex() -> str:
    """The prebuilt ATmega328P firmware as Intel HEX."""
    return (resources.files("leanmix.mixer") / "leanmix-atmega328p.hex").read_text(encoding="ascii")


def programmer_lines(file: str) -> tuple[str, ...]:
    """Commands for a general AVR programmer tool; PROGRAMMER and PORT are the user's own.

    Parameters
    ----------
    file : str
        Name of the firmware file.
    """
    fuses = " ".join(f"-U {name[0]}fuse:w:0x{value:02X}:m" for name, value, _ in FUSES)
    start = "avrdude -c PROGRAMMER -P PORT -p m328p"
    return (f"{start} {fuses}", f"{start} -U flash:w:{file}:i")


PEN = Pen(0.3)
THIN = Pen(0.2)
OPTIONAL = Pen(0.3, dash_mm=(1.5, 1.0))


def wiring_drawing() -> Drawing:
    """The board with every connection, A5 across; dashed lines may be left open."""
    shapes: list[Shape] = [
        Polygon(((70, 20), (105, 20), (105, 120), (70, 120)), PEN),
        Circle((87.5, 116), 1.5, THIN),
        Text((87.5, 70), "ATmega328P", 4.0, "middle", bold=True),
        Text((87.5, 64), "16 MHz, 5 V", 3.0, "middle"),
        Text((105, 138), "Mixer board: what goes where", 4.5, "middle", bold=True),
        Text((105, 131), "dashed: may be left open", 3.0, "middle"),
    ]
    inputs = [w for w in WIRES if w.pin in ("PB0", "PD2", "PD0", "PD1", "VCC", "GND")]
    outputs = [w for w in WIRES if w not in inputs]
    for wires, edge, far, anchor in ((inputs, 70.0, 62.0, "end"), (outputs, 105.0, 113.0, "start")):
        step = 88.0 / max(len(wires) - 1, 1)
        for i, wire in enumerate(wires):
            y = 114.0 - step * i
            inner = edge + 2 if edge < 80 else edge - 2
            shapes += [
                Line((edge, y), (far, y), PEN if wire.needed else OPTIONAL),
                Text((inner, y - 1), wire.pin, 2.8, "start" if edge < 80 else "end"),
                Text(
                    (far - 1 if anchor == "end" else far + 1, y - 0.9),
                    _short(wire),
                    2.8,
                    "end" if anchor == "end" else "start",
                ),
            ]
    return Drawing(210, 148, tuple(shapes), "wiring of the mixer board")


def _short(wire: Connection) -> str:
    return {
        "PB0": "receiver, steering channel",
        "PD2": "receiver, second channel",
        "PD0": "serial adapter TX",
        "PD1": "serial adapter RX",
        "VCC": "5 V from the receiver",
        "GND": "all grounds together",
        "PB1": "lean servo 1, signal",
        "PB2": "lean servo 2, signal",
        "PC0": "servo rail by 47 kΩ; 5.6 kΩ to ground",
        "PB5": "LED and 1 kΩ to ground",
    }[wire.pin]
