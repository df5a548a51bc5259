"""Bosch BME280: temperature, humidity and pressure, compensated by the numbers it carries.

Source of registers, formulas and times: Bosch Sensortec, data sheet BME280, BST-BME280-DS002-15,
revision 1.6 (tables 16 and 18, sections 4.2.2, 5.4, 8.1 and 9.1). Start-up after a reset at most
2 ms (from memory). The chip sends no checksums: what matters is read twice and must be the same.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from sensors.node.bus import Bus
from sensors.node.chip import (
    ChecksumError,
    ImplausibleError,
    Measurement,
    Sleep,
    WrongChipError,
)

__all__ = [
    "ADDRESSES",
    "Bme280",
    "Calibration",
    "air_c_of",
    "calibration_of",
    "pressure_pa_of",
    "rh_pct_of",
    "t_fine_of",
]

ADDRESSES = (0x76, 0x77)

ID, RESET, CTRL_HUM, STATUS, CTRL_MEAS, CONFIG = 0xD0, 0xE0, 0xF2, 0xF3, 0xF4, 0xF5
CALIBRATION_1, CALIBRATION_2, CALIBRATION_SIZES = 0x88, 0xE1, (26, 7)
CHIP_ID, BMP280_ID, RESET_WORD = 0x60, 0x58, 0xB6
MEASURING_BIT, COPYING_BIT = 1 << 3, 1 << 0

ONCE = 0b001
"""Oversampling of one, the data sheet's advice for weather: least current, least warming."""
FORCED = 0b01
MEASURE = ONCE << 5 | ONCE << 2 | FORCED
SKIPPED_20, SKIPPED_16 = 0x80000, 0x8000
"""What the data registers hold where nothing was measured (sections 5.4.7 to 5.4.9)."""

START_S = 0.003
MEASURE_S = 0.010
"""1.25 + 2.3 + (2.3 + 0.575) + (2.3 + 0.575) = 9.3 ms at most (section 9.1)."""
AGAIN_S = 0.003
MOST_TRIES = 5


class Calibration(NamedTuple):
    """The trimming numbers of one piece, as table 16 names them after ``dig_``."""

    t1: int
    t2: int
    t3: int
    p1: int
    p2: int
    p3: int
    p4: int
    p5: int
    p6: int
    p7: int
    p8: int
    p9: int
    h1: int
    h2: int
    h3: int
    h4: int
    h5: int
    h6: int


def calibration_of(first: bytes, second: bytes) -> Calibration:
    """Take the trimming numbers apart (table 16).

    ``h4`` and ``h5`` are of 12 bits with a sign each, and share the byte at 0xE5.

    Parameters
    ----------
    first : bytes
        The 26 registers from 0x88 on.
    second : bytes
        The 7 registers from 0xE1 on.

    Raises
    ------
    ImplausibleError
        If a divisor is zero, as it is when a line is held low.
    """
    *to_p9, h1 = struct.unpack("<Hhh H8h x B", first)
    h2, h3, e4, e5, e6, h6 = struct.unpack("<hBbBbb", second)
    found = Calibration._make([*to_p9, h1, h2, h3, e4 << 4 | e5 & 0x0F, e6 << 4 | e5 >> 4, h6])
    if not (found.t1 and found.p1):
        raise ImplausibleError("its calibration reads as zeros")
    return found


def t_fine_of(raw: int, by: Calibration) -> float:
    """Temperature in 1/5120 K of a raw number of 20 bits, which the others are compensated with."""
    x = raw / 16_384 - by.t1 / 1024
    return x * by.t2 + (x / 8) ** 2 * by.t3


def air_c_of(t_fine: float) -> float:
    """Temperature in °C (section 8.1)."""
    return t_fine / 5120


def pressure_pa_of(raw: int, t_fine: float, by: Calibration) -> float:
    """Pressure in Pa of a raw number of 20 bits (section 8.1)."""
    u = t_fine / 2 - 64_000
    offset = (u * u * by.p6 / 2**15 + u * by.p5 * 2) / 4 + by.p4 * 2.0**16
    gain = (1 + (by.p3 * u * u / 2**19 + by.p2 * u) / 2**34) * by.p1
    p = (2**20 - raw - offset / 4096) * 6250 / gain
    return p + (by.p9 * p * p / 2**31 + by.p8 * p / 2**15 + by.p7) / 16


def rh_pct_of(raw: int, t_fine: float, by: Calibration) -> float:
    """Relative humidity in % of a raw number of 16 bits, cropped to 0 to 100 (section 8.1)."""
    v = t_fine - 76_800
    above = raw - (by.h4 * 64 + by.h5 / 2**14 * v)
    h = above * by.h2 / 2**16 * (1 + by.h6 / 2**26 * v * (1 + by.h3 / 2**26 * v))
    return min(max(h * (1 - by.h1 * h / 2**19), 0.0), 100.0)


class Bme280:
    """One chip at its address."""

    name = "bme280"

    def __init__(self, bus: Bus, address: int, sleep: Sleep) -> None:
        self._bus, self._address, self._sleep = bus, address, sleep
        self._calibration: Calibration | None = None

    def identify(self) -> str:
        """Return the chip's id; raises WrongChipError for another one."""
        (found,) = self._registers(ID, 1)
        if found == BMP280_ID:
            raise WrongChipError("this is a BMP280, which measures no humidity")
        if found != CHIP_ID:
            raise WrongChipError(f"its id is 0x{found:02x}, that of a BME280 is 0x60")
        return f"id 0x{found:02x}"

    def begin(self) -> None:
        """Reset, and read the trimming numbers."""
        self.identify()
        self._set(RESET, RESET_WORD)
        self._sleep(START_S)
        self._wait_for(COPYING_BIT, "does not come up after a reset")
        first, second = (
            self._twice(start, count)
            for start, count in zip((CALIBRATION_1, CALIBRATION_2), CALIBRATION_SIZES, strict=True)
        )
        self._calibration = calibration_of(first, second)
        self._set(CONFIG, 0)  # no filter: a step in the air is a step in the reading

    def measure(self) -> Measurement:
        """Measure once in forced mode, about 12 ms; the chip sleeps otherwise.

        Raises
        ------
        ImplausibleError
            Also when the chip was reset in between, or has measured nothing.
        """
        if self._calibration is None:
            self.begin()
        by = self._calibration
        if by is None:
            raise ImplausibleError("its calibration could not be read")
        self._set(CTRL_HUM, ONCE)  # holds from the next write to CTRL_MEAS on
        self._set(CTRL_MEAS, MEASURE)
        self._sleep(MEASURE_S)
        self._wait_for(MEASURING_BIT, "does not finish its measurement")
        block = self._twice(CTRL_HUM, 13)
        if (block[0], block[2]) != (ONCE, MEASURE & ~FORCED):
            self._calibration = None
            raise ImplausibleError("its settings are gone: it was reset, or the bus is held")
        raw_pressure = int.from_bytes(block[5:8], "big") >> 4
        raw_air = int.from_bytes(block[8:11], "big") >> 4
        raw_rh = int.from_bytes(block[11:13], "big")
        if SKIPPED_20 in (raw_pressure, raw_air) or raw_rh == SKIPPED_16:
            raise ImplausibleError("it has measured nothing")
        t_fine = t_fine_of(raw_air, by)
        return Measurement(
            air_c=air_c_of(t_fine),
            rh_pct=rh_pct_of(raw_rh, t_fine, by),
            raw=(raw_air, raw_rh, raw_pressure),
            pressure_pa=pressure_pa_of(raw_pressure, t_fine, by),
        )

    def heat(self) -> None:
        """Do nothing: this chip has no heater."""

    def _wait_for(self, bit: int, otherwise: str) -> None:
        for _ in range(MOST_TRIES):
            (status,) = self._registers(STATUS, 1)
            if not status & bit:
                return
            self._sleep(AGAIN_S)
        raise ImplausibleError(f"the chip {otherwise}")

    def _twice(self, start: int, count: int) -> bytes:
        found, again = self._registers(start, count), self._registers(start, count)
        if found != again:
            raise ChecksumError(f"registers from 0x{start:02x} on came differently when read again")
        return found

    def _registers(self, start: int, count: int) -> bytes:
        return self._bus.write_read(self._address, bytes([start]), count)

    def _set(self, register: int, value: int) -> None:
        self._bus.write(self._address, bytes([register, value]))
