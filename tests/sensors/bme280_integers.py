"""The data sheet's integer form of the BME280's compensation: another computation of the same.

Source: Bosch Sensortec, data sheet BME280, BST-BME280-DS002-15, revision 1.6, section 4.2.3.
Python's ``>>`` on negative numbers is the arithmetic shift that the data sheet counts on.
"""

from __future__ import annotations

from sensors.node.bme280 import Calibration


def t_fine(adc: int, by: Calibration) -> int:
    first = (((adc >> 3) - (by.t1 << 1)) * by.t2) >> 11
    second = (((((adc >> 4) - by.t1) ** 2) >> 12) * by.t3) >> 14
    return first + second


def hundredths_c(fine: int) -> int:
    """In 0.01 °C."""
    return (fine * 5 + 128) >> 8


def pressure_q8(adc: int, fine: int, by: Calibration) -> int:
    """In 1/256 Pa."""
    a = fine - 128_000
    b = a * a * by.p6 + ((a * by.p5) << 17) + (by.p4 << 35)
    a = ((a * a * by.p3) >> 8) + ((a * by.p2) << 12)
    a = (((1 << 47) + a) * by.p1) >> 33
    p = ((((1_048_576 - adc) << 31) - b) * 3125) // a
    a = (by.p9 * (p >> 13) * (p >> 13)) >> 25
    b = (by.p8 * p) >> 19
    return ((p + a + b) >> 8) + (by.p7 << 4)


def humidity_q10(adc: int, fine: int, by: Calibration) -> int:
    """In 1/1024 %."""
    v = fine - 76_800
    offset = ((adc << 14) - (by.h4 << 20) - by.h5 * v + 16_384) >> 15
    slope = ((v * by.h6) >> 10) * (((v * by.h3) >> 11) + 32_768)
    v = offset * ((((slope >> 10) + 2_097_152) * by.h2 + 8192) >> 14)
    v -= ((((v >> 15) ** 2) >> 7) * by.h1) >> 4
    return min(max(v, 0), 419_430_400) >> 12
