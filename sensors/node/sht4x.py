"""Sensirion SHT40, SHT41, SHT43 and SHT45.

Source of commands and formulas: Sensirion, data sheet SHT4x (quick start and sections 4.5 to 4.8).
Times: measurement with high precision at most 8.3 ms; heater 1 s, at most 1.1 s, 200 mW; soft
reset at most 1 ms (from memory, as is the limit of one tenth of the time for the heater).
"""

from __future__ import annotations

from sensors.node.bus import Bus
from sensors.node.chip import Measurement, NoAnswerError, Sleep
from sensors.node.sensirion import (
    FULL_SCALE,
    air_c_of,
    refuse_sign_of_damage,
    words_of,
)

__all__ = ["ADDRESSES", "Sht4x", "rh_pct_of"]

ADDRESSES = (0x44, 0x45, 0x46)

MEASURE_HIGH = b"\xfd"
SERIAL_NUMBER = b"\x89"
SOFT_RESET = b"\x94"
HEAT_200_MW_1_S = b"\x39"

MEASURE_S = 0.010
AGAIN_S = 0.005
COMMAND_S = 0.010
HEAT_S = 1.1


def rh_pct_of(raw: int) -> float:
    """Relative humidity in % of a raw word, 0 to 65535, cropped to 0 to 100 (section 4.6).

    The scale reaches from -6 to 119 %: readings beyond the ends are the chip's own error there.
    """
    return min(max(-6.0 + 125.0 * raw / FULL_SCALE, 0.0), 100.0)


class Sht4x:
    """One chip at its address."""

    name = "sht4x"

    def __init__(self, bus: Bus, address: int, sleep: Sleep) -> None:
        self._bus, self._address, self._sleep = bus, address, sleep

    def identify(self) -> str:
        """Return the serial number."""
        high, low = self._asked(SERIAL_NUMBER, MEASURE_S)
        return f"serial number {high << 16 | low:08x}"

    def begin(self) -> None:
        """Reset; that ends a measurement or a heater pulse under way, too."""
        try:
            self._bus.write(self._address, SOFT_RESET)
        except NoAnswerError:  # in the midst of a heater pulse, which ends by itself
            self._sleep(HEAT_S)
            self._bus.write(self._address, SOFT_RESET)
        self._sleep(COMMAND_S)

    def measure(self) -> Measurement:
        """Measure once with high precision, about 10 ms."""
        return self._measured(MEASURE_HIGH, MEASURE_S)

    def heat(self) -> Measurement:
        """Heat with 200 mW for a second; the chip measures, and switches off by itself."""
        return self._measured(HEAT_200_MW_1_S, HEAT_S)

    def _measured(self, command: bytes, wait_s: float) -> Measurement:
        raw = self._asked(command, wait_s)
        refuse_sign_of_damage(raw)
        return Measurement(air_c_of(raw[0]), rh_pct_of(raw[1]), raw)

    def _asked(self, command: bytes, wait_s: float) -> tuple[int, ...]:
        self._bus.write(self._address, command)
        self._sleep(wait_s)
        try:
            answer = self._bus.read(self._address, 6)
        except NoAnswerError:  # a slow piece; the data sheet lets it refuse until it is done
            self._sleep(AGAIN_S)
            answer = self._bus.read(self._address, 6)
        return words_of(answer)
