"""BME280: the worked example, two other computations of the same, and a bus that can fail."""

from __future__ import annotations

from typing import Any

import bme280 as reference
import bme280_integers
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from simulated_bus import (
    EXAMPLE,
    SetTime,
    SimulatedBme280,
    SimulatedBus,
    calibration_registers,
    raw_of,
)

from sensors.node.bme280 import (
    Bme280,
    Calibration,
    air_c_of,
    calibration_of,
    pressure_pa_of,
    rh_pct_of,
    t_fine_of,
)
from sensors.node.chip import (
    ChecksumError,
    ImplausibleError,
    NoAnswerError,
    WrongChipError,
)

ADC_T, ADC_P = 519_888, 415_148
AIR = (21.37, 63.2, 99_800.0)

HUMIDITY = st.tuples(
    st.integers(0, 255),
    st.integers(200, 500),
    st.integers(0, 127),  # the reference takes this one for signed; the data sheet does not
    st.integers(-2048, 2047),
    st.integers(-2048, 2047),
    st.integers(-128, 127),
)
RAW_AIR = st.integers(350_000, 700_000)
"""With the example's numbers from about -27 to 82 °C."""


def calibrated(humidity: tuple[int, ...]) -> Calibration:
    return Calibration(*EXAMPLE[:12], *humidity)


def registers_of(by: Calibration) -> tuple[bytes, bytes]:
    at = calibration_registers(by)
    first = bytes(at[r] for r in range(0x88, 0xA2))
    return first, bytes(at[r] for r in range(0xE1, 0xE8))


class ReferenceBus:
    """The registers as the reference library asks for them."""

    def __init__(self, by: Calibration) -> None:
        self._at = calibration_registers(by)

    def read_byte_data(self, _address: int, register: int) -> int:
        return self._at[register]

    def read_word_data(self, _address: int, register: int) -> int:
        return self._at[register] | self._at[register + 1] << 8


def reference_of(by: Calibration, adc_p: int, adc_t: int, adc_h: int) -> Any:
    numbers = (adc_p << 4).to_bytes(3, "big") + (adc_t << 4).to_bytes(3, "big")
    raw = reference.uncompensated_readings(numbers + adc_h.to_bytes(2, "big"))
    return reference.compensated_readings(raw, reference.load_calibration_params(ReferenceBus(by)))


class Once:
    """Flips one bit of the first or second answer of a length."""

    def __init__(self, which: int, count: int, bit: int) -> None:
        self._left, self._count, self._bit = which, count, bit

    def __call__(self, answer: bytes) -> bytes:
        if len(answer) != self._count:
            return answer
        self._left -= 1
        flip = 1 << self._bit if self._left == -1 else 0
        return (int.from_bytes(answer, "big") ^ flip).to_bytes(len(answer), "big")


class TestFormulas:
    def test_worked_example(self) -> None:
        # Bosch Sensortec, data sheet BMP280, example of the compensation (from memory): t_fine
        # 128422, 25.08 °C, 100653.27 Pa. Given to the last digit shown.
        fine = t_fine_of(ADC_T, EXAMPLE)
        assert fine == pytest.approx(128_422, abs=1)
        assert air_c_of(fine) == pytest.approx(25.08, abs=0.005)
        assert pressure_pa_of(ADC_P, fine, EXAMPLE) == pytest.approx(100_653.27, abs=0.05)

    @given(RAW_AIR)
    def test_temperature_as_in_integers(self, adc: int) -> None:
        in_integers = bme280_integers.hundredths_c(bme280_integers.t_fine(adc, EXAMPLE)) / 100
        # 0.01 K is the integers' step; half of it for rounding, and their cut raw number.
        assert air_c_of(t_fine_of(adc, EXAMPLE)) == pytest.approx(in_integers, abs=0.008)

    @given(RAW_AIR, st.integers(200_000, 700_000))
    def test_pressure_as_in_integers(self, adc_t: int, adc_p: int) -> None:
        fine = bme280_integers.t_fine(adc_t, EXAMPLE)
        in_integers = bme280_integers.pressure_q8(adc_p, fine, EXAMPLE) / 256
        assert pressure_pa_of(adc_p, fine, EXAMPLE) == pytest.approx(in_integers, abs=0.5)

    @given(HUMIDITY, RAW_AIR, st.integers(0, 65_535))
    def test_humidity_as_in_integers(
        self, numbers: tuple[int, ...], adc_t: int, adc_h: int
    ) -> None:
        by = calibrated(numbers)
        fine = bme280_integers.t_fine(adc_t, by)
        in_integers = bme280_integers.humidity_q10(adc_h, fine, by) / 1024
        # The integers drop fractions at every step: 32 bits hold no more. 0.05 % is far below the
        # chip's own 3 %.
        assert rh_pct_of(adc_h, fine, by) == pytest.approx(in_integers, abs=0.05)

    @pytest.mark.filterwarnings("ignore:datetime.datetime.utcnow:DeprecationWarning")
    @given(HUMIDITY, RAW_AIR, st.integers(0, 65_535), st.integers(200_000, 700_000))
    def test_all_as_a_library_has_it(
        self, numbers: tuple[int, ...], adc_t: int, adc_h: int, adc_p: int
    ) -> None:
        # RPi.bme280 0.2.4, also in floating point, and with its own way of reading the registers.
        by = calibration_of(*registers_of(calibrated(numbers)))
        other = reference_of(calibrated(numbers), adc_p, adc_t, adc_h)
        fine = t_fine_of(adc_t, by)
        assert air_c_of(fine) == pytest.approx(other.temperature, abs=1e-9)
        assert pressure_pa_of(adc_p, fine, by) == pytest.approx(100 * other.pressure, abs=1e-5)
        assert rh_pct_of(adc_h, fine, by) == pytest.approx(other.humidity, abs=1e-7)

    @given(st.floats(-20, 60), st.floats(5, 95))
    def test_there_and_back_within_a_step(self, air_c: float, rh_pct: float) -> None:
        adc_t = raw_of(air_c, lambda raw: air_c_of(t_fine_of(raw, EXAMPLE)), 2**20 - 1)
        fine = t_fine_of(adc_t, EXAMPLE)
        step_k = air_c_of(fine) - air_c_of(t_fine_of(adc_t - 1, EXAMPLE))
        assert 0 <= air_c_of(fine) - air_c <= step_k
        adc_h = raw_of(rh_pct, lambda raw: rh_pct_of(raw, fine, EXAMPLE), 65_535)
        step_pct = rh_pct_of(adc_h, fine, EXAMPLE) - rh_pct_of(adc_h - 1, fine, EXAMPLE)
        assert 0 <= rh_pct_of(adc_h, fine, EXAMPLE) - rh_pct <= step_pct


class TestCalibration:
    @given(HUMIDITY, st.integers(128, 255))
    def test_comes_back_from_the_registers_signs_and_nibbles_and_all(
        self, numbers: tuple[int, ...], h3: int
    ) -> None:
        by = calibrated((*numbers[:2], h3, *numbers[3:]))
        assert calibration_of(*registers_of(by)) == by

    @pytest.mark.parametrize(
        ("e4", "e5", "e6", "h4", "h5"),
        [
            # Table 16: 0xE4 is bits 11 to 4 of h4, 0xE5 has 3 to 0 of h4 low and of h5 high, 0xE6
            # is bits 11 to 4 of h5; both are signed.
            (0x13, 0x29, 0x03, 313, 50),
            (0x7F, 0x0F, 0x00, 2047, 0),
            (0x80, 0x00, 0x00, -2048, 0),
            (0xFF, 0xFF, 0xFF, -1, -1),
            (0x00, 0xF0, 0x7F, 0, 2047),
            (0xFE, 0x1C, 0x80, -20, -2047),
        ],
    )
    def test_nibbles(self, e4: int, e5: int, e6: int, h4: int, h5: int) -> None:
        first, second = registers_of(EXAMPLE)
        found = calibration_of(first, second[:3] + bytes([e4, e5, e6]) + second[6:])
        assert (found.h4, found.h5) == (h4, h5)

    def test_zeros_are_refused(self) -> None:
        with pytest.raises(ImplausibleError, match="zeros"):
            calibration_of(bytes(26), bytes(7))


class TestOnTheBus:
    def chip(self) -> tuple[SetTime, SimulatedBme280, SimulatedBus, Bme280]:
        time = SetTime()
        there = SimulatedBme280(time, lambda: AIR)
        bus = SimulatedBus({0x76: there})
        return time, there, bus, Bme280(bus, 0x76, time.sleep)

    def test_measures_the_air(self) -> None:
        time, _, _, chip = self.chip()
        chip.begin()
        begun_s = time.now_s()
        made = chip.measure()
        assert made.air_c == pytest.approx(AIR[0], abs=0.002)  # integers against floats
        # Three steps of noise (0.009 % each), and the drift between integers and floats.
        assert made.rh_pct == pytest.approx(AIR[1], abs=0.08)
        assert made.pressure_pa == pytest.approx(AIR[2], abs=0.5)
        assert time.now_s() - begun_s < 0.03

    def test_a_slow_piece_is_waited_for_and_a_dead_one_is_not(self) -> None:
        _, there, _, chip = self.chip()
        chip.begin()
        there.slow_s = 0.008
        assert chip.measure().air_c == pytest.approx(AIR[0], abs=0.002)
        there.slow_s = 1.0
        with pytest.raises(ImplausibleError, match="does not finish"):
            chip.measure()

    def test_lost_power_in_between_is_no_reading_and_mends_itself(self) -> None:
        time, there, bus, _ = self.chip()

        def sleep(seconds: float) -> None:
            time.sleep(seconds)
            if seconds == 0.010:  # while it measures
                there.brown_out()

        chip = Bme280(bus, 0x76, sleep)
        with pytest.raises(ImplausibleError, match="it was reset"):
            chip.measure()
        again = Bme280(bus, 0x76, time.sleep)
        assert again.measure().rh_pct == pytest.approx(AIR[1], abs=0.08)

    def test_another_chip_is_told_by_its_name(self) -> None:
        _, there, _, chip = self.chip()
        there.registers[0xD0] = 0x58
        with pytest.raises(WrongChipError, match="BMP280, which measures no humidity"):
            chip.begin()
        there.registers[0xD0] = 0x61
        with pytest.raises(WrongChipError, match="0x61"):
            chip.begin()

    @pytest.mark.parametrize("held", [0x00, 0xFF])
    def test_a_line_that_is_held_is_no_reading(self, held: int) -> None:
        _, _, bus, chip = self.chip()
        chip.begin()
        bus.garble = lambda answer: bytes([held]) * len(answer)
        with pytest.raises(ImplausibleError):
            chip.measure()

    @pytest.mark.parametrize("which", [0, 1])
    def test_every_flipped_bit_of_a_reading_is_seen_by_reading_twice(self, which: int) -> None:
        # There is no checksum: the same bit flipped in both readings would pass.
        _, _, bus, chip = self.chip()
        chip.begin()
        for bit in range(13 * 8):
            bus.garble = Once(which, 13, bit)
            with pytest.raises(ChecksumError, match="differently when read again"):
                chip.measure()

    @pytest.mark.parametrize("count", [26, 7])
    def test_every_flipped_bit_of_the_calibration_is_seen(self, count: int) -> None:
        _, _, bus, chip = self.chip()
        for bit in range(count * 8):
            bus.garble = Once(bit % 2, count, bit)
            with pytest.raises(ChecksumError, match="differently when read again"):
                chip.begin()

    def test_nobody_there(self) -> None:
        _, _, bus, chip = self.chip()
        bus.chips = {}
        with pytest.raises(NoAnswerError):
            chip.begin()

    @given(st.floats(-20, 60), st.floats(5, 95), st.floats(80_000, 105_000), HUMIDITY)
    def test_any_air_and_any_piece(
        self, air_c: float, rh_pct: float, pressure_pa: float, numbers: tuple[int, ...]
    ) -> None:
        by = calibrated(numbers)
        fine = air_c * 5120
        # Only pieces whose scale reaches the air in question, as sound ones do.
        assume(rh_pct_of(300, fine, by) < rh_pct - 1)
        assume(rh_pct_of(65_000, fine, by) > rh_pct + 1)
        rising = [rh_pct_of(raw, fine, by) for raw in range(0, 65_536, 512)]
        assume(rising == sorted(rising))
        time = SetTime()
        there = SimulatedBme280(time, lambda: (air_c, rh_pct, pressure_pa), by, noise=0)
        made = Bme280(SimulatedBus({0x77: there}), 0x77, time.sleep).measure()
        assert made.air_c == pytest.approx(air_c, abs=0.005)
        assert made.rh_pct == pytest.approx(rh_pct, abs=0.06)
        assert made.pressure_pa == pytest.approx(pressure_pa, abs=0.6)
