"""Serial ports: listing, opening, reading, and every lower error turned into ours at one place."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol

import serial
from serial.tools import list_ports

from leanmix.errors import PortError

try:
    import termios

    _LOWER: tuple[type[Exception], ...] = (serial.SerialException, OSError, termios.error)
except ImportError:  # no termios on Windows
    _LOWER = (serial.SerialException, OSError)

__all__ = ["BAUD", "PortInfo", "SerialWire", "Wire", "find_ports", "port_of_usb_serial"]

BAUD = 115200
WRITE_TIMEOUT_S = 2.0


class Wire(Protocol):
    """Bytes to and from a board."""

    def read(self, timeout_s: float) -> bytes:
        """Bytes that have come, waiting at most `timeout_s` for the first; empty where none came."""

    def write(self, data: bytes) -> None:
        """Send all of `data`."""

    def close(self) -> None:
        """Let go of the port; harmless twice."""


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this computer.

    Parameters
    ----------
    port : str
        Name to open.
    what : str
        Description by the system.
    usb_serial : str
        USB serial number by which the same adapter is found again; empty where it has none.
    """

    port: str
    what: str
    usb_serial: str


def find_ports() -> tuple[PortInfo, ...]:
    """The computer's serial ports, USB ones first."""
    with _mapped("the list of ports"):
        found = [PortInfo(p.device, _what(p.description), p.serial_number or "") for p in list_ports.comports()]
    return tuple(sorted(found, key=lambda p: (not p.usb_serial, p.port)))


def _what(description: str | None) -> str:
    # what the serial library says where it knows nothing
    return "a port without a name" if description in (None, "", "n/a") else str(description)


def port_of_usb_serial(usb_serial: str) -> str | None:
    """Where the adapter with this USB serial number is now, or None."""
    return next((p.port for p in find_ports() if usb_serial and p.usb_serial == usb_serial), None)


class SerialWire:
    """An open serial port, 115200 8N1, held exclusively.

    Parameters
    ----------
    port : str
        Device name, or a URL that pyserial understands.

    Raises
    ------
    PortError
        When it cannot be opened, with the reason and what to do.

    Notes
    -----
    Opening may reset the board through DTR; both lines are set low first, and the session treats every
    opening as a possible power cut.
    """

    def __init__(self, port: str) -> None:
        self._name = port
        with _mapped(port):
            try:
                self._serial = serial.serial_for_url(
                    port, baudrate=BAUD, do_not_open=True, timeout=0.02, exclusive=_exclusive()
                )
            except ValueError as error:
                raise PortError(
                    f"{port}: is not a port name ({error}).", "See the ports with: leanmix board list"
                ) from error
            self._serial.dtr = False
            self._serial.rts = False
            try:
                self._serial.open()
            except ValueError as error:
                raise PortError(f"{port}: cannot be set to {BAUD} baud ({error}).", "Choose another port.") from error
            self._serial.write_timeout = WRITE_TIMEOUT_S

    def read(self, timeout_s: float) -> bytes:
        """See `Wire.read`."""
        with _mapped(self._name):
            self._serial.timeout = max(0.0, timeout_s)
            waiting = self._serial.in_waiting
            return bytes(self._serial.read(waiting or 1))

    def write(self, data: bytes) -> None:
        """See `Wire.write`."""
        with _mapped(self._name):
            self._serial.write(data)

    def close(self) -> None:
        """See `Wire.close`; a port that is gone already is as good as closed."""
        try:
            self._serial.close()
        except _LOWER:
            return


def _exclusive() -> bool | None:
    return True if os.name == "posix" else None  # Windows ports are exclusive anyway


@contextmanager
def _mapped(port: str) -> Iterator[None]:
    try:
        yield
    except _LOWER as error:
        raise _port_error(port, error) from error


def _port_error(port: str, error: Exception) -> PortError:
    code = getattr(error, "errno", None) or (error.args[0] if error.args and isinstance(error.args[0], int) else None)
    text = str(error).lower()
    if isinstance(error, serial.SerialTimeoutException):
        return PortError(f"{port}: takes no data.", "The board or adapter hangs: unplug it and plug it in again.")
    if code == errno.EACCES or "permission denied" in text or "access is denied" in text:
        return PortError(
            f"{port}: this user may not open it.",
            "On Linux join the group that owns it, usually: sudo usermod -aG dialout $USER, then log in again.",
        )
    if code == errno.ENOENT or "no such file" in text or "could not find" in text:
        return PortError(f"{port}: there is no such port.", "Plug the board in, then see: leanmix board list")
    if code in (errno.EBUSY, errno.EAGAIN) or "busy" in text or "exclusively lock" in text:
        return PortError(f"{port}: another program holds it.", "Close that program, or choose another port.")
    if code in (errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF) or "disconnected" in text or "readiness" in text:
        return PortError(
            f"{port}: the board or its adapter was unplugged.",
            "Plug it in again and repeat; the board keeps its last whole table.",
        )
    return PortError(f"{port}: cannot be used ({error}).", "Choose another port.")
