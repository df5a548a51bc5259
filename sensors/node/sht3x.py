"""Sensirion SHT30, SHT31 and SHT35.

Source of commands and formulas: Sensirion, data sheet SHT3x-DIS, May 2018, version 5 (sections 4.3
to 4.13). Times: measurement at most 15 ms in that version (from memory; later ones say 15.5 ms),
soft reset at most 1.5 ms (from memory).
"""

from __future__ import annotations

from sensors.node.bus import Bus
from sensors.node.chip import (
    HeaterOnError,
    ImplausibleError,
    Measurement,
    NoAnswerError,
    Sleep,
)
from sensors.node.sensirion import (
    FULL_SCALE,
    air_c_of,
    refuse_sign_of_damage,
    words_of,
)

__all__ = ["ADDRESSES", "Sht3x", "rh_pct_of"]

ADDRESSES = (0x44, 0x45)

MEASURE_HIGH = bytes.fromhex("2400")
"""Single shot, high repeatability, no clock stretching."""
READ_STATUS = bytes.fromhex("f32d")
HEATER_ON = bytes.fromhex("306d")
HEATER_OFF = bytes.fromhex("3066")
SOFT_RESET = bytes.fromhex("30a2")
BREAK = bytes.fromhex("3093")

HEATER_BIT = 1 << 13
COMMAND_FAILED_BIT = 1 << 1

MEASURE_S = 0.016
AGAIN_S = 0.005
COMMAND_S = 0.002
HEAT_S = 5.0
"""Long against the chip's own warming, short against the interval of the readings (assumed)."""


def rh_pct_of(raw: int) -> float:
    """Relative humidity in % of a raw word, 0 to 65535 (section 4.13)."""
    return 100.0 * raw / FULL_SCALE


class Sht3x:
    """One chip at its address."""

    name = "sht3x"

    def __init__(self, bus: Bus, address: int, sleep: Sleep) -> None:
        self._bus, self._address, self._sleep = bus, address, sleep

    def identify(self) -> str:
        """Return the status register, which no other chip here answers with a checksum."""
        return f"status register 0x{self._status():04x}"

    def begin(self) -> None:
        """End what may be under way, and reset: no measurement, heater off.

        Raises
        ------
        HeaterOnError
            If the heater was on until now.
        """
        try:
            self._command(BREAK)
        except NoAnswerError:  # at work; it will be done before the reset is asked for
            self._sleep(MEASURE_S)
        was_heating = self._status() & HEATER_BIT
        self._command(SOFT_RESET)
        self._refuse_heater()
        if was_heating:
            raise HeaterOnError("the heater was on; it is off now")

    def measure(self) -> Measurement:
        """Measure once with high repeatability, about 20 ms.

        Raises
        ------
        HeaterOnError
            What was measured is not the air.
        """
        self._bus.write(self._address, MEASURE_HIGH)
        self._sleep(MEASURE_S)
        try:
            answer = self._bus.read(self._address, 6)
        except NoAnswerError:  # a slow piece; the data sheet lets it refuse until it is done
            self._sleep(AGAIN_S)
            answer = self._bus.read(self._address, 6)
        raw = words_of(answer)
        refuse_sign_of_damage(raw)
        self._refuse_heater()
        return Measurement(air_c_of(raw[0]), rh_pct_of(raw[1]), raw)

    def heat(self) -> Measurement:
        """Heat for five seconds, and measure at the end; the heater is off afterwards.

        The data sheet means this heater for a plausibility check: it warms by a few kelvin only.
        """
        self._command(HEATER_ON)
        try:
            self._sleep(HEAT_S)
            if not self._status() & HEATER_BIT:
                raise ImplausibleError("the heater does not switch on")
            self._bus.write(self._address, MEASURE_HIGH)
            self._sleep(MEASURE_S + AGAIN_S)
            raw = words_of(self._bus.read(self._address, 6))
        finally:
            self._command(HEATER_OFF)
        self._refuse_heater()
        return Measurement(air_c_of(raw[0]), rh_pct_of(raw[1]), raw)

    def _refuse_heater(self) -> None:
        status = self._status()
        if status & HEATER_BIT:
            raise HeaterOnError("the heater is on, which nobody asked for")
        if status & COMMAND_FAILED_BIT:
            raise ImplausibleError("the chip did not understand its last command")

    def _status(self) -> int:
        self._bus.write(self._address, READ_STATUS)
        (status,) = words_of(self._bus.read(self._address, 3))
        return status

    def _command(self, command: bytes) -> None:
        self._bus.write(self._address, command)
        self._sleep(COMMAND_S)
