"""The I²C bus of a Linux board, by its device file ``/dev/i2c-N``."""

from __future__ import annotations

import errno
from typing import Protocol

from sensors.node.chip import BusError, NoAnswerError

__all__ = ["Bus", "LinuxBus"]

NO_ANSWER = frozenset({errno.ENXIO, errno.EREMOTEIO})
"""What the kernel says for a missing acknowledgement; adapters differ (Linux, fault-codes)."""


class Bus(Protocol):
    """Transfers to one 7-bit address; all raise BusError or NoAnswerError."""

    def write(self, address: int, data: bytes) -> None:
        """Send bytes, then a stop."""

    def read(self, address: int, count: int) -> bytes:
        """Read bytes, then a stop."""

    def write_read(self, address: int, data: bytes, count: int) -> bytes:
        """Send bytes, a repeated start, read bytes, then a stop."""

    def close(self) -> None:
        """Let go of the bus."""


class LinuxBus:
    """A bus of the kernel's ``i2c-dev``.

    Parameters
    ----------
    number : int
        N of ``/dev/i2c-N``; the pins of a Raspberry Pi are 1.

    Raises
    ------
    BusError
        If smbus2 is not installed, or the device file is not there or not ours to use.
    """

    def __init__(self, number: int) -> None:
        try:
            import smbus2
        except ImportError as error:
            raise BusError("smbus2 is not installed: pip install smbus2") from error
        self._message = smbus2.i2c_msg
        self._path = f"/dev/i2c-{number}"
        try:
            self._bus = smbus2.SMBus(number)
        except PermissionError as error:
            raise BusError(f"{self._path}: not allowed; is this user in the group i2c?") from error
        except OSError as error:
            raise BusError(
                f"{self._path}: {error.strerror or error}; is I²C switched on for this board?"
            ) from error

    def write(self, address: int, data: bytes) -> None:
        """Send bytes, then a stop."""
        self._transfer(address, data, 0)

    def read(self, address: int, count: int) -> bytes:
        """Read bytes, then a stop."""
        return self._transfer(address, b"", count)

    def write_read(self, address: int, data: bytes, count: int) -> bytes:
        """Send bytes, a repeated start, read bytes, then a stop."""
        return self._transfer(address, data, count)

    def close(self) -> None:
        """Let go of the device file."""
        self._bus.close()

    def _transfer(self, address: int, data: bytes, count: int) -> bytes:
        messages = [self._message.write(address, list(data))] if data else []
        if count:
            messages.append(self._message.read(address, count))
        try:
            self._bus.i2c_rdwr(*messages)
        except OSError as error:
            if error.errno in NO_ANSWER:
                raise NoAnswerError(f"no answer at 0x{address:02x} on {self._path}") from error
            raise BusError(f"{self._path}: {error.strerror or error}") from error
        return bytes(messages[-1]) if count else b""
