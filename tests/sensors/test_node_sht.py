"""SHT3x and SHT4x: against their data sheets, and on a bus that can fail."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_bus import (
    SetTime,
    SimulatedBus,
    SimulatedSht3x,
    SimulatedSht4x,
    crc,
    flipping,
    framed,
    word_of,
)

from sensors.node import sht3x, sht4x
from sensors.node.chip import (
    BusError,
    ChecksumError,
    HeaterOnError,
    ImplausibleError,
    NoAnswerError,
)
from sensors.node.sensirion import air_c_of, checksum, words_of
from sensors.node.sht3x import Sht3x
from sensors.node.sht4x import Sht4x

WORD = st.integers(0, 65_535)

AIR = (21.37, 63.2, 101_325.0)
NOISE_K = 3 * 175 / 65_535
"""The simulated noise of three steps, and half a step of rounding on top."""
NOISE_PCT = 3.5 * 125 / 65_535


class TestChecksum:
    def test_check_value_of_the_data_sheet(self) -> None:
        # Sensirion, data sheet SHT3x-DIS, May 2018, version 5, table 20.
        assert checksum(b"\xbe\xef") == 0x92

    def test_check_value_of_the_catalogue(self) -> None:
        # CRC-8/NRSC-5 has the same polynomial and first value; its check value is that of the
        # catalogue of parametrised CRC algorithms (from memory).
        assert checksum(b"123456789") == 0xF7

    @given(WORD)
    def test_is_the_remainder_of_a_long_division(self, word: int) -> None:
        assert checksum(word.to_bytes(2, "big")) == crc(word)

    @given(WORD, WORD)
    def test_words_come_back(self, one: int, two: int) -> None:
        assert words_of(framed(one, two)) == (one, two)

    @given(WORD, st.integers(1, 3), st.integers(0, 2**32))
    def test_up_to_three_flipped_bits_in_a_word_never_pass(
        self, word: int, bits: int, seed: int
    ) -> None:
        # Three bits at most in 24: this polynomial has a Hamming distance of 4 at that length
        # (Koopman's tables, from memory).
        with pytest.raises(ChecksumError):
            words_of(flipping(bits, seed)(framed(word)))

    @pytest.mark.parametrize("held", [b"\x00" * 6, b"\xff" * 6])
    def test_a_line_that_is_held_never_passes(self, held: bytes) -> None:
        with pytest.raises(ChecksumError, match="word 1 came as"):
            words_of(held)

    @pytest.mark.parametrize("cut", [b"", b"\x12", framed(7)[:2], framed(7, 8)[:5]])
    def test_a_cut_answer_never_passes(self, cut: bytes) -> None:
        with pytest.raises(ChecksumError):
            words_of(cut)


class TestScales:
    """Section 4.13 of the SHT3x data sheet; quick start and section 4.6 of that of the SHT4x."""

    @pytest.mark.parametrize(
        ("raw", "air_c", "rh3_pct", "rh4_pct"),
        [
            (0, -45.0, 0.0, 0.0),  # -6 % is cropped
            (65_535, 130.0, 100.0, 100.0),  # 119 % is cropped
            (13_107, -10.0, 20.0, 19.0),  # a fifth of the scale
            (26_214, 25.0, 40.0, 44.0),
            (52_428, 95.0, 80.0, 94.0),
        ],
    )
    def test_fifths_of_the_scale(
        self, raw: int, air_c: float, rh3_pct: float, rh4_pct: float
    ) -> None:
        # Exact in decimal; the tolerance is that of binary fractions.
        assert air_c_of(raw) == pytest.approx(air_c, abs=1e-9)
        assert sht3x.rh_pct_of(raw) == pytest.approx(rh3_pct, abs=1e-9)
        assert sht4x.rh_pct_of(raw) == pytest.approx(rh4_pct, abs=1e-9)

    @given(WORD)
    def test_as_the_integer_forms_have_it(self, raw: int) -> None:
        # The forms that C drivers use, in thousandths: 21875/2^13 and 12500/2^13 or 15625/2^13 of
        # the raw word (from memory). They divide by 65536: off by at most 175/65536, and cut.
        assert air_c_of(raw) == pytest.approx(((21_875 * raw) >> 13) / 1000 - 45, abs=0.0038)
        assert sht3x.rh_pct_of(raw) == pytest.approx(((12_500 * raw) >> 13) / 1000, abs=0.0026)
        cropped = min(max(((15_625 * raw) >> 13) / 1000 - 6, 0), 100)
        assert sht4x.rh_pct_of(raw) == pytest.approx(cropped, abs=0.003)

    @given(st.floats(-40, 125))
    def test_temperature_there_and_back_within_a_step(self, air_c: float) -> None:
        assert abs(air_c_of(word_of(air_c, -45, 175)) - air_c) <= 0.5 * 175 / 65_535 + 1e-9

    @given(st.floats(0, 100))
    def test_humidity_there_and_back_within_a_step(self, rh_pct: float) -> None:
        assert abs(sht3x.rh_pct_of(word_of(rh_pct, 0, 100)) - rh_pct) <= 0.5 * 100 / 65_535 + 1e-9
        assert abs(sht4x.rh_pct_of(word_of(rh_pct, -6, 125)) - rh_pct) <= 0.5 * 125 / 65_535 + 1e-9


class TestSht3x:
    def chip(self) -> tuple[SetTime, SimulatedSht3x, SimulatedBus, Sht3x]:
        time = SetTime()
        there = SimulatedSht3x(time, lambda: AIR)
        bus = SimulatedBus({0x44: there})
        return time, there, bus, Sht3x(bus, 0x44, time.sleep)

    def test_measures_the_air(self) -> None:
        time, _, _, chip = self.chip()
        chip.begin()
        begun_s = time.now_s()
        made = chip.measure()
        assert made.air_c == pytest.approx(AIR[0], abs=NOISE_K)
        assert made.rh_pct == pytest.approx(AIR[1], abs=NOISE_PCT)
        assert made.pressure_pa is None
        assert time.now_s() - begun_s < 0.05

    def test_a_slow_piece_is_waited_for_and_a_dead_one_is_not(self) -> None:
        _, there, _, chip = self.chip()
        there.slow_s = 0.006
        assert chip.measure().air_c == pytest.approx(AIR[0], abs=NOISE_K)
        there.slow_s = 1.0
        with pytest.raises(NoAnswerError):
            chip.measure()

    def test_status_tells_what_it_is(self) -> None:
        # 0x8010 after power-up: alert pending and reset detected (data sheet, table 18).
        assert self.chip()[3].identify() == "status register 0x8010"

    def test_a_heater_that_is_on_is_no_reading(self) -> None:
        _, there, _, chip = self.chip()
        there.write(bytes.fromhex("306d"))
        with pytest.raises(HeaterOnError):
            chip.measure()

    def test_beginning_switches_a_heater_off_and_says_so(self) -> None:
        _, there, _, chip = self.chip()
        there.write(bytes.fromhex("306d"))
        with pytest.raises(HeaterOnError, match="it is off now"):
            chip.begin()
        assert not there.heater
        chip.begin()

    def test_heating_warms_and_ends(self) -> None:
        _, there, _, chip = self.chip()
        warm = chip.heat()
        assert warm.air_c == pytest.approx(AIR[0] + 3, abs=0.05)  # the simulated 3 K
        assert not there.heater

    def test_heating_ends_also_when_reading_fails(self) -> None:
        time, there, bus, _ = self.chip()

        def sleep(seconds: float) -> None:
            time.sleep(seconds)
            if seconds > 1:  # in the midst of the pulse
                bus.nacks = 1

        with pytest.raises(NoAnswerError):
            Sht3x(bus, 0x44, sleep).heat()
        assert not there.heater

    def test_a_command_that_was_not_understood_is_no_reading(self) -> None:
        _, there, _, chip = self.chip()
        there.write(b"\x12\x34")
        with pytest.raises(ImplausibleError, match="did not understand"):
            chip.measure()

    @pytest.mark.parametrize("bits", [1, 2, 3])
    def test_flipped_bits_are_never_a_reading(self, bits: int) -> None:
        _, _, bus, chip = self.chip()
        refused = 0
        for seed in range(200):
            bus.garble = flipping(bits, seed)
            try:
                made = chip.measure()
            except (ChecksumError, HeaterOnError, ImplausibleError):
                refused += 1
            else:
                pytest.fail(f"passed: {made}")
        assert refused == 200


class TestSht4x:
    def chip(self) -> tuple[SetTime, SimulatedSht4x, SimulatedBus, Sht4x]:
        time = SetTime()
        there = SimulatedSht4x(time, lambda: AIR)
        bus = SimulatedBus({0x44: there})
        return time, there, bus, Sht4x(bus, 0x44, time.sleep)

    def test_measures_the_air(self) -> None:
        time, _, _, chip = self.chip()
        chip.begin()
        begun_s = time.now_s()
        made = chip.measure()
        assert made.air_c == pytest.approx(AIR[0], abs=NOISE_K)
        assert made.rh_pct == pytest.approx(AIR[1], abs=NOISE_PCT)
        assert time.now_s() - begun_s < 0.02

    def test_too_early_is_not_answered(self) -> None:
        # The simulated chip keeps to the data sheet's longest time: a driver that does not wait
        # would be refused.
        time, _, bus, _ = self.chip()
        with pytest.raises(NoAnswerError):
            Sht4x(bus, 0x44, lambda s: time.sleep(s / 4)).measure()

    def test_serial_number(self) -> None:
        assert self.chip()[3].identify() == "serial number 0f1e2d3c"

    def test_heating_measures_warm_and_ends_by_itself(self) -> None:
        time, there, _, chip = self.chip()
        warm = chip.heat()
        assert there.pulses == 1
        assert warm.air_c > AIR[0] + 30
        assert warm.rh_pct < 10
        time.sleep(60)
        assert chip.measure().air_c == pytest.approx(AIR[0], abs=0.02)

    def test_beginning_in_a_pulse_waits_for_its_end(self) -> None:
        _, there, _, chip = self.chip()
        there.write(b"\x39")
        chip.begin()
        assert chip.identify().startswith("serial")

    def test_condensing_air_is_cropped_to_a_hundred(self) -> None:
        time = SetTime()
        there = SimulatedSht4x(time, lambda: (15.0, 104.0, 101_325.0))
        made = Sht4x(SimulatedBus({0x44: there}), 0x44, time.sleep).measure()
        assert made.rh_pct == 100.0

    def test_the_sign_of_a_damaged_element_is_no_reading(self) -> None:
        _, there, _, chip = self.chip()
        there.stuck = (0x8000, 0x8000)
        with pytest.raises(ImplausibleError, match="damaged"):
            chip.measure()

    @pytest.mark.parametrize("bits", [1, 2, 3])
    def test_flipped_bits_are_never_a_reading(self, bits: int) -> None:
        _, _, bus, chip = self.chip()
        for seed in range(200):
            bus.garble = flipping(bits, seed)
            with pytest.raises(ChecksumError):
                chip.measure()

    def test_nobody_there_and_a_bus_that_is_held_are_told_apart(self) -> None:
        _, _, bus, chip = self.chip()
        bus.broken = True
        with pytest.raises(BusError):
            chip.measure()
        bus.broken, bus.chips = False, {}
        with pytest.raises(NoAnswerError, match="0x44"):
            chip.measure()
