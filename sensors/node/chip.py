"""What every chip does: identify itself, begin, measure; and how each of these can fail."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

__all__ = [
    "BusError",
    "ChecksumError",
    "Chip",
    "HeaterOnError",
    "ImplausibleError",
    "Measurement",
    "NoAnswerError",
    "ReadError",
    "Sleep",
    "WrongChipError",
]

Sleep = Callable[[float], None]


class ReadError(RuntimeError):
    """A chip could not be read; nothing that came of it is a measurement."""


class BusError(ReadError):
    """The bus itself failed: it is not there, is held low, or lost arbitration."""


class NoAnswerError(ReadError):
    """Nobody acknowledged (NACK): no chip at that address, or it is still at work."""


class ChecksumError(ReadError):
    """The bytes that came do not fit their checksum, or came differently the second time."""


class WrongChipError(ReadError):
    """Somebody answers at that address, but it is another chip."""


class ImplausibleError(ReadError):
    """The chip answers in good form with what it cannot have measured."""


class HeaterOnError(ReadError):
    """The heater was found on: the chip is warmer than the air, and for a while yet."""


@dataclass(frozen=True)
class Measurement:
    """One measurement of a chip.

    ``raw`` are the chip's own numbers, from which the others follow: what does not move there is
    stuck, however finely the rest is rounded.
    """

    air_c: float
    rh_pct: float
    raw: tuple[int, ...]
    pressure_pa: float | None = None


class Chip(Protocol):
    """A chip at an address of a bus."""

    @property
    def name(self) -> str:
        """How the settings call this kind."""

    def identify(self) -> str:
        """Return what tells this piece from others; raises ReadError if it is not this kind."""

    def begin(self) -> None:
        """Bring the chip into a known state: reset, heater off; raises ReadError."""

    def measure(self) -> Measurement:
        """Measure once; raises ReadError."""

    def heat(self) -> Measurement | None:
        """Give one heater pulse; what it measured at its end, or None where no heater is."""
