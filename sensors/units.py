"""Units that sensors report in, turned into ours, and numbers written as text.

Factors are exact by definition, but for the two columns of mercury, which are those of NIST SP 811
(2008), appendix B.8, "conventional".
"""

from __future__ import annotations

import re
from typing import Any

from sensors.wire import PayloadError, number, shown

__all__ = ["QUANTITIES", "UNITS", "figure", "in_our_unit", "unit_called"]

_TEMPERATURE = {"°C": (0.0, 1.0), "°F": (32.0, 5.0 / 9.0), "K": (273.15, 1.0)}
_SHARE = {"%": (0.0, 1.0), "fraction": (0.0, 100.0)}

UNITS: dict[str, dict[str, tuple[float, float]]] = {
    # quantity -> unit -> (zero, factor): ours = (value - zero) * factor
    "air_c": _TEMPERATURE,
    "rh_pct": _SHARE,
    "surface_c": _TEMPERATURE,
    "pressure_pa": {
        "Pa": (0.0, 1.0),
        "hPa": (0.0, 100.0),
        "kPa": (0.0, 1000.0),
        "mbar": (0.0, 100.0),
        "mmHg": (0.0, 133.3224),
        "inHg": (0.0, 3386.389),
    },
    "battery_pct": _SHARE,
}
"""Quantities a sensor may report, each with the units it may come in."""

QUANTITIES = tuple(UNITS)

_SPELLINGS = {
    "c": "°C", "°c": "°C", "degc": "°C", "deg c": "°C", "celsius": "°C", "cel": "°C", "℃": "°C",
    "f": "°F", "°f": "°F", "degf": "°F", "deg f": "°F", "fahrenheit": "°F", "℉": "°F",
    "k": "K", "kelvin": "K",
    "%": "%", "%rh": "%", "% rh": "%", "pct": "%", "percent": "%", "%el": "%",
    "fraction": "fraction", "/": "fraction",
    "pa": "Pa", "hpa": "hPa", "kpa": "kPa", "mbar": "mbar", "mb": "mbar",
    "mmhg": "mmHg", "torr": "mmHg", "inhg": "inHg",
}  # fmt: skip

LONGEST_FIGURE = 64
_FIGURE = re.compile(r"([+-]?[0-9]{1,20}(?:\.[0-9]{1,20})?(?:[eE][+-]?[0-9]{1,3})?)\s*(\D.*)?")


def unit_called(text: str) -> str | None:
    """Return the unit by one of its usual spellings; None for any other text."""
    return _SPELLINGS.get(text.strip().casefold())


def in_our_unit(field: str, value: float, unit: str) -> float:
    """Turn a value in a unit of :data:`UNITS` into the quantity's own: °C, %, Pa."""
    zero, factor = UNITS[field][unit]
    return (value - zero) * factor


def figure(field: str, value: Any, unit: str, *, text: bool) -> float | None:
    """Read one value in its unit, and turn it into ours.

    Parameters
    ----------
    field : str
        The quantity.
    value : object
        What the payload holds; None stays None.
    unit : str
        The unit it is said to be in.
    text : bool
        Whether numbers may be written as text, with or without their unit: ``"21.3 °C"``.

    Raises
    ------
    PayloadError
        Naming ``field``, where there is no finite number or another unit stands beside it.
    """
    if text and isinstance(value, str):
        value = _from_text(field, value, unit)
    found = number(field, value)
    if found is None:
        return None
    return number(field, in_our_unit(field, found, unit))


def _from_text(field: str, text: str, unit: str) -> float:
    trimmed = text.strip()
    match = _FIGURE.fullmatch(trimmed) if len(trimmed) <= LONGEST_FIGURE else None
    if match is None:
        raise PayloadError(field, f"{shown(text)} is not a number")
    beside = match[2]
    if beside is not None and unit_called(beside) != unit:
        raise PayloadError(field, f"{shown(text)} is not in {unit}")
    return float(match[1])
