"""A bus and three chips that behave as their data sheets say, and faults at will.

Nothing of the drivers is used here: checksums, scales and registers are computed anew.
"""

from __future__ import annotations

import random
import struct
import time
from collections.abc import Callable
from typing import Protocol

import bme280_integers

from sensors.node.bme280 import Calibration
from sensors.node.chip import BusError, NoAnswerError

Air = Callable[[], tuple[float, float, float]]
"""What is round the chip now: °C, % relative humidity, Pa."""


class Time(Protocol):
    def now_s(self) -> float: ...

    def sleep(self, seconds: float) -> None: ...


class SetTime:
    """Time that passes only where somebody sleeps."""

    def __init__(self) -> None:
        self._now_s = 100.0

    def now_s(self) -> float:
        return self._now_s

    def sleep(self, seconds: float) -> None:
        self._now_s += seconds


class RealTime:
    def now_s(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


class NotAcknowledgedError(Exception):
    """A chip leaves the line alone."""


class SimulatedChip(Protocol):
    def write(self, data: bytes) -> None: ...

    def read(self, count: int) -> bytes: ...


class SimulatedBus:
    """Chips by address; ``nacks`` transfers go unanswered, ``broken`` is a bus that is held."""

    def __init__(self, chips: dict[int, SimulatedChip]) -> None:
        self.chips = chips
        self.broken = False
        self.nacks = 0
        self.garble: Callable[[bytes], bytes] = bytes
        self.transfers = 0
        self.closed = 0

    def write(self, address: int, data: bytes) -> None:
        chip = self._reached(address)
        try:
            chip.write(data)
        except NotAcknowledgedError:
            raise NoAnswerError(f"no answer at 0x{address:02x}") from None

    def read(self, address: int, count: int) -> bytes:
        chip = self._reached(address)
        try:
            answer = chip.read(count)
        except NotAcknowledgedError:
            raise NoAnswerError(f"no answer at 0x{address:02x}") from None
        assert len(answer) == count
        return self.garble(answer)

    def write_read(self, address: int, data: bytes, count: int) -> bytes:
        self.write(address, data)
        return self.read(address, count)

    def close(self) -> None:
        self.closed += 1

    def _reached(self, address: int) -> SimulatedChip:
        self.transfers += 1
        if self.broken:
            raise BusError("the bus is held")
        if self.nacks > 0:
            self.nacks -= 1
            raise NoAnswerError(f"no answer at 0x{address:02x}")
        if address not in self.chips:
            raise NoAnswerError(f"no answer at 0x{address:02x}")
        return self.chips[address]


def flipping(bits: int, seed: int) -> Callable[[bytes], bytes]:
    """Garble an answer by so many flipped bits."""
    draw = random.Random(seed)

    def garbled(answer: bytes) -> bytes:
        number = int.from_bytes(answer, "big")
        for bit in draw.sample(range(8 * len(answer)), bits):
            number ^= 1 << bit
        return number.to_bytes(len(answer), "big")

    return garbled


def crc(word: int) -> int:
    """Remainder of the word, first value 0xFF taken in, by x^8 + x^5 + x^4 + 1: long division."""
    rest = (word ^ 0xFF00) << 8
    for shift in range(15, -1, -1):
        if rest >> (shift + 8) & 1:
            rest ^= 0x131 << shift
    return rest


def framed(*words: int) -> bytes:
    return b"".join(struct.pack(">HB", word, crc(word)) for word in words)


def word_of(value: float, low: float, span: float) -> int:
    return min(max(round((value - low) / span * 65_535), 0), 65_535)


class Warmth:
    """How much warmer a chip is than the air: it decays by a time constant of 6 s."""

    def __init__(self, clock: Time) -> None:
        self._clock = clock
        self._from_s, self._excess_k = clock.now_s(), 0.0

    def set(self, excess_k: float) -> None:
        self._from_s, self._excess_k = self._clock.now_s(), excess_k

    def now_k(self) -> float:
        return self._excess_k * 2.718281828 ** (-(self._clock.now_s() - self._from_s) / 6.0)


class _Sht:
    rh_low, rh_span = 0.0, 100.0

    def __init__(self, clock: Time, air: Air, seed: int = 1, noise: int = 6) -> None:
        self.clock, self.air = clock, air
        self.warmth = Warmth(clock)
        self.stuck: tuple[int, int] | None = None
        self.slow_s = 0.0
        self._noise, self._draw = noise, random.Random(seed)
        self._busy_until_s = clock.now_s()
        self._answer: bytes | None = None

    def read(self, count: int) -> bytes:
        if self._busy() or self._answer is None:
            raise NotAcknowledgedError
        answer, self._answer = self._answer, None
        return answer[:count]

    def _busy(self) -> bool:
        return self.clock.now_s() < self._busy_until_s

    def _occupy(self, seconds: float) -> None:
        self._busy_until_s = self.clock.now_s() + seconds

    def _measured(self) -> bytes:
        if self.stuck is not None:
            return framed(*self.stuck)
        air_c, rh_pct, _ = self.air()
        excess_k = self.warmth.now_k()
        # Warmer by a kelvin, drier by about a seventeenth: near enough for a test of heating.
        rh_pct *= 0.94**excess_k
        words = word_of(air_c + excess_k, -45, 175), word_of(rh_pct, self.rh_low, self.rh_span)
        half = self._noise // 2
        return framed(*(min(max(w + self._draw.randint(-half, half), 0), 65_535) for w in words))


class SimulatedSht3x(_Sht):
    """SHT3x: 16-bit commands, a status register, a heater that stays on until told."""

    heater = False
    status = 0x8010  # as after power-up (table 18)

    def write(self, data: bytes) -> None:
        if self._busy():
            raise NotAcknowledgedError
        self._answer = None
        match data.hex():
            case "2400":
                self._warmed()
                self._answer = self._measured()
                self._occupy(0.0125 + self.slow_s)
            case "f32d":
                self._answer = framed(self.status | self.heater << 13)
            case "306d":
                self.heater = True
            case "3066":
                self._warmed()
                self.heater = False
            case "30a2":
                self._warmed()
                self.heater, self.status = False, 0x8010
                self._occupy(0.0015)
            case "3093":
                pass
            case _:
                self.status |= 1 << 1

    def _warmed(self) -> None:
        if self.heater:
            self.warmth.set(3.0)


class SimulatedSht4x(_Sht):
    """SHT4x: commands of one byte, a serial number, heater pulses that end by themselves."""

    rh_low, rh_span = -6.0, 125.0
    serial = 0x0F1E2D3C
    pulses = 0
    hung = False

    def write(self, data: bytes) -> None:
        if data == b"\x94":
            self.hung = False
        if self._busy() or self.hung:
            raise NotAcknowledgedError
        self._answer = None
        match data.hex():
            case "fd":
                self._answer = self._measured()
                self._occupy(0.0083 + self.slow_s)
            case "89":
                self._answer = framed(self.serial >> 16, self.serial & 0xFFFF)
                self._occupy(0.001)
            case "94":
                self._occupy(0.001)
            case "39":
                self.pulses += 1
                self.warmth.set(40.0)
                self._answer = self._measured()
                self._occupy(1.05)
            case _:
                raise NotAcknowledgedError


EXAMPLE = Calibration(
    # Temperature and pressure: the worked example of the BMP280 data sheet.
    *(27_504, 26_435, -1000),
    *(36_477, -10_685, 3024, 2855, 140, -7, 15_500, -14_600, 6000),
    # Humidity: figures of the size that sound pieces carry (from memory).
    *(75, 370, 0, 313, 50, 30),
)


def calibration_registers(by: Calibration) -> dict[int, int]:
    """The trimming numbers as they lie in the chip (table 16)."""
    first = struct.pack("<Hhh H8h", *by[:12])
    registers = {0x88 + i: byte for i, byte in enumerate(first)}
    registers |= {0xA0: 0, 0xA1: by.h1}
    registers |= {0xE1 + i: byte for i, byte in enumerate(struct.pack("<hB", by.h2, by.h3))}
    h4, h5 = by.h4 & 0xFFF, by.h5 & 0xFFF
    registers |= {0xE4: h4 >> 4, 0xE5: h4 & 0xF | (h5 & 0xF) << 4, 0xE6: h5 >> 4}
    return registers | {0xE7: by.h6 & 0xFF}


def raw_of(wanted: float, of_raw: Callable[[int], float], most: int) -> int:
    """The raw number whose value is nearest, of a function that rises or falls throughout."""
    rises = of_raw(most) > of_raw(0)
    low, high = 0, most
    while low < high:
        middle = (low + high) // 2
        if (of_raw(middle) < wanted) == rises:
            low = middle + 1
        else:
            high = middle
    return low


class SimulatedBme280:
    """BME280: registers with a pointer that moves on, forced mode, no checksums."""

    def __init__(
        self, clock: Time, air: Air, by: Calibration = EXAMPLE, seed: int = 1, noise: int = 3
    ) -> None:
        self.clock, self.air, self.by = clock, air, by
        self.slow_s = 0.0
        self.id = 0x60
        self._noise, self._draw = noise, random.Random(seed)
        self._pointer = 0
        self._reset()

    def write(self, data: bytes) -> None:
        self._settle()
        if len(data) == 1:
            self._pointer = data[0]
            return
        assert len(data) % 2 == 0
        for register, value in zip(data[::2], data[1::2], strict=True):
            self._set(register, value)

    def read(self, count: int) -> bytes:
        self._settle()
        answer = bytes(self.registers.get(self._pointer + i, 0) for i in range(count))
        self._pointer += count
        return answer

    def brown_out(self) -> None:
        """Lose power for an instant."""
        self._reset()

    def _reset(self) -> None:
        self.registers = calibration_registers(self.by) | {0xD0: self.id, 0xF3: 0x01}
        self.registers |= {
            0xF7 + i: byte for i, byte in enumerate(bytes.fromhex("8000008000008000"))
        }
        self._osrs_h = 0
        self._copied_at_s = self.clock.now_s() + 0.002
        self._ready_at_s: float | None = None

    def _set(self, register: int, value: int) -> None:
        if register == 0xE0 and value == 0xB6:
            self._reset()
        elif register in (0xF2, 0xF4, 0xF5):
            self.registers[register] = value
            if register == 0xF4:
                self._osrs_h = self.registers.get(0xF2, 0) & 7
                if value & 3 in (1, 2):
                    self.registers[0xF3] |= 1 << 3
                    self._ready_at_s = self.clock.now_s() + 0.0093 + self.slow_s

    def _settle(self) -> None:
        if self.clock.now_s() >= self._copied_at_s:
            self.registers[0xF3] &= ~1
        if self._ready_at_s is not None and self.clock.now_s() >= self._ready_at_s:
            self._ready_at_s = None
            self.registers[0xF3] &= ~(1 << 3)
            self.registers[0xF4] &= ~3
            raw = self._measured()
            block = (raw[0] << 4).to_bytes(3, "big") + (raw[1] << 4).to_bytes(3, "big")
            block += raw[2].to_bytes(2, "big")
            self.registers |= {0xF7 + i: byte for i, byte in enumerate(block)}

    def _measured(self) -> tuple[int, int, int]:
        air_c, rh_pct, pressure_pa = self.air()
        by, most = self.by, 2**20 - 1
        air = raw_of(air_c * 5120, lambda raw: bme280_integers.t_fine(raw, by), most)
        fine = bme280_integers.t_fine(air, by)
        pressure = raw_of(
            pressure_pa * 256, lambda raw: bme280_integers.pressure_q8(raw, fine, by), most
        )
        humidity = 0x8000
        if self._osrs_h:
            humidity = raw_of(
                rh_pct * 1024, lambda raw: bme280_integers.humidity_q10(raw, fine, by), 65_535
            )
            humidity += self._draw.randint(-self._noise, self._noise)
        return pressure, air, humidity
