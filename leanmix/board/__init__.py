"""Between this computer and the mixer board: ports, sessions, flashing, the virtual board."""

from leanmix.board.flash import FlashResult, flash, go_back, refusals
from leanmix.board.hardware import (
    FUSES,
    HARDWARE_CAUTIONS,
    WIRES,
    Connection,
    firmware_hex,
    programmer_lines,
    wiring_drawing,
)
from leanmix.board.line import Clock
from leanmix.board.messages import Identity, Live
from leanmix.board.port import PortInfo, SerialWire, Wire, find_ports, port_of_usb_serial
from leanmix.board.session import Progress, Session
from leanmix.board.virtual import MemoryWire, VirtualBoard, open_board, virtual_storage

__all__ = [
    "FUSES",
    "HARDWARE_CAUTIONS",
    "WIRES",
    "Clock",
    "Connection",
    "FlashResult",
    "Identity",
    "Live",
    "MemoryWire",
    "PortInfo",
    "Progress",
    "SerialWire",
    "Session",
    "VirtualBoard",
    "Wire",
    "find_ports",
    "firmware_hex",
    "flash",
    "go_back",
    "open_board",
    "port_of_usb_serial",
    "programmer_lines",
    "refusals",
    "virtual_storage",
    "wiring_drawing",
]
