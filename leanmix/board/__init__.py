"""Between this computer and the mixer board: ports, sessions, flashing, the virtual board."""

from leanmix.board.flash import FlashResult, flash, go_back, refusals
from leanmix.board.line import Clock
from leanmix.board.messages import Identity, Live
from leanmix.board.port import PortInfo, SerialWire, Wire, find_ports, port_of_usb_serial
from leanmix.board.session import Progress, Session
from leanmix.board.virtual import MemoryWire, VirtualBoard, open_board, virtual_storage

__all__ = [
    "Clock",
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
    "flash",
    "go_back",
    "open_board",
    "port_of_usb_serial",
    "refusals",
    "virtual_storage",
]
