"""Between this computer and the mixer board: ports, sessions, flashing, the virtual board."""

from leanmix.board.flash import FlashResult, flash, go_back, refusals
from leanmix.board.messages import Counters, Flag, Identity, Live, Message, Mode, Result
from leanmix.board.port import PortInfo, SerialWire, Wire, find_ports, port_of_usb_serial
from leanmix.board.session import Clock, Progress, Session
from leanmix.board.virtual import MemoryWire, VirtualBoard, open_board, virtual_storage

__all__ = [
    "Clock",
    "Counters",
    "Flag",
    "FlashResult",
    "Identity",
    "Live",
    "MemoryWire",
    "Message",
    "Mode",
    "PortInfo",
    "Progress",
    "Result",
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
