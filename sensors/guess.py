"""What the leaves of a payload may mean: by their names, their units and how large they are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from sensors.leaves import Leaf, number_in, tokens
from sensors.mapping import When
from sensors.units import UNITS, in_our_unit, unit_called

__all__ = ["Clocked", "Unit", "quantities_among", "quantity_called", "time_among", "unit_of"]

_NAMES = {
    "air_c": ("temperature", "temp", "t", "tmp", "airtemperature", "airtemp", "celsius",
              "fahrenheit", "ta"),
    "rh_pct": ("humidity", "hum", "h", "rh", "humi", "relativehumidity", "relhum"),
    "surface_c": ("surface", "surfacetemperature", "surfacetemp", "objecttemp"),
    "pressure_pa": ("pressure", "press", "p", "baro", "barometer", "airpressure"),
    "battery_pct": ("battery", "bat", "batt", "batterylevel", "batterypercent", "soc"),
}  # fmt: skip
_QUANTITY = {name: quantity for quantity, names in _NAMES.items() for name in names}

_SUFFIXES = {
    "c": "°C", "celsius": "°C", "degc": "°C", "f": "°F", "fahrenheit": "°F", "degf": "°F",
    "k": "K", "kelvin": "K", "pct": "%", "percent": "%", "pa": "Pa", "hpa": "hPa", "kpa": "kPa",
    "mbar": "mbar", "mmhg": "mmHg", "inhg": "inHg",
}  # fmt: skip

_OF_A_SURFACE = frozenset({"surface", "object", "wood", "contact", "panel"})
_NOT_MEASURED = frozenset({
    "set", "setpoint", "target", "min", "max", "low", "high", "avg", "mean", "average", "offset",
    "calibration", "config", "settings", "cpu", "chip", "board", "internal", "dew", "dewpoint",
    "feels", "heat", "index", "voltage", "volt", "volts", "mv", "soil", "water", "unit", "alarm",
    "absolute", "abs", "trend", "rate", "threshold",
})  # fmt: skip

_TIME_NAMES = frozenset({
    "time", "timestamp", "ts", "date", "datetime", "at", "when", "utc", "lastseen", "last_seen",
    "measuredat", "epoch", "created", "updated", "sampled",
})  # fmt: skip


@dataclass(frozen=True)
class Unit:
    """A unit, and what is to be asked about it."""

    unit: str
    question: str | None = None


@dataclass(frozen=True)
class Clocked:
    """Where a payload's time lies and how it is written, and what is to be asked about it."""

    when: When
    question: str | None = None


@lru_cache(4096)
def quantity_called(name: str) -> tuple[str, str | None] | None:
    """Return the quantity a name stands for, with the unit the name ends in."""
    words = tokens(name)
    if not words or _NOT_MEASURED & set(words):
        return None
    surface = bool(_OF_A_SURFACE & set(words))
    # The whole name first, then ever less of its beginning: bench_air_temp_c.
    for first in range(len(words)):
        found = _plainly("".join(words[first:]))
        if found is not None and not (first and len("".join(words[first:])) == 1):
            quantity, unit = found
            return ("surface_c" if surface and quantity == "air_c" else quantity), unit
    return None


def quantities_among(leaves: Iterable[Leaf]) -> tuple[dict[str, Leaf], list[str]]:
    """Tell which leaf holds which quantity, and what is not certain about it."""
    found: dict[str, Leaf] = {}
    more: dict[str, list[str]] = {}
    for leaf in sorted(leaves, key=lambda leaf: len(leaf.steps)):
        known = quantity_called(leaf.name)
        if known is None or number_in(leaf.value) is None or _NOT_MEASURED & set(leaf.around):
            continue
        quantity = known[0]
        if quantity == "air_c" and _OF_A_SURFACE & set(leaf.around):
            quantity = "surface_c"
        if quantity in found:
            more.setdefault(quantity, []).append(leaf.pointer)
        else:
            found[quantity] = leaf
    questions = [
        f"{_said(quantity)} is taken from {found[quantity].pointer}; there is also "
        f"{', '.join(pointers[:3])}. Is it the right one?"
        for quantity, pointers in more.items()
    ]
    questions += [
        f"{_said(quantity)} is found by its position in a list ({leaf.pointer}). Does the list "
        "always have the same order?"
        for quantity, leaf in found.items()
        if leaf.by_place
    ]
    return found, questions


def unit_of(
    quantity: str, values: Sequence[float], said: str | None = None, *, name: str = ""
) -> Unit | None:
    """Guess the unit of some values; None where they cannot be of this quantity.

    Parameters
    ----------
    said : str, optional
        The unit that stands beside them.
    name : str
        What the value is called; ``temp_f`` tells its unit.
    """
    known = quantity_called(name)
    named = unit_called(said) if said else None
    unit = named or (known[1] if known else None)
    if unit is not None and unit in UNITS[quantity]:
        if all(_possible(quantity, in_our_unit(quantity, value, unit)) for value in values):
            return Unit(unit)
        return None
    low, high = min(values), max(values)
    if quantity in {"air_c", "surface_c"}:
        return _temperature(quantity, low, high)
    if quantity == "pressure_pa":
        return _pressure(low, high)
    if low >= 0.0 and high <= 1.0 and any(value % 1.0 for value in values):
        return Unit(
            "fraction", f"{_said(quantity)} of {high:g} is taken as a fraction of 1. Is it?"
        )
    if quantity == "battery_pct" and low >= 1.5 and high <= 4.5 and any(v % 1.0 for v in values):
        return None  # volts; how full a cell is cannot be told from them
    return Unit("%") if low >= 0.0 and high <= 105.0 else None


def time_among(leaves: Iterable[Leaf], received_at: datetime, zone: str | None) -> Clocked | None:
    """Find the instant of a reading among the leaves.

    Parameters
    ----------
    received_at : datetime
        When the payload came: its own time should be about that.
    zone : str, optional
        The shop's zone, for times that name none.
    """
    for leaf in sorted(leaves, key=lambda leaf: len(leaf.steps)):
        if not _TIME_NAMES & {"".join(tokens(leaf.name)), *tokens(leaf.name)}:
            continue
        found = _instant(leaf, received_at, zone)
        if found is not None:
            return found
    return None


def _instant(leaf: Leaf, received_at: datetime, zone: str | None) -> Clocked | None:
    pointer = leaf.pointer
    number = number_in(leaf.value)
    if number is not None:
        if 1e9 <= number[0] < 1e10:
            return _near(When(pointer=pointer, form="epoch_s"), number[0], received_at)
        if 1e12 <= number[0] < 1e13:
            return _near(When(pointer=pointer, form="epoch_ms"), number[0] / 1000.0, received_at)
        return None
    if not isinstance(leaf.value, str) or len(leaf.value) < 16:
        return None
    try:
        at = datetime.fromisoformat(leaf.value)
    except ValueError:
        return None
    if at.tzinfo is not None:
        return _near(When(pointer=pointer, form="iso"), at.timestamp(), received_at)
    return _naive(pointer, at, received_at, zone)


def _naive(pointer: str, at: datetime, received_at: datetime, zone: str | None) -> Clocked:
    for name in dict.fromkeys(("UTC", zone or "UTC")):
        if abs(at.replace(tzinfo=ZoneInfo(name)) - received_at) < timedelta(minutes=10):
            return Clocked(
                When(pointer=pointer, form="iso", zone=name),
                f"The time at {pointer} names no zone; it fits {name}. Is it that, in summer too?",
            )
    return Clocked(
        When(pointer=pointer, form="iso", zone=zone or "UTC"),
        f"The time at {pointer} names no zone and fits neither UTC nor the shop's. Which is it?",
    )


def _near(when: When, seconds: float, received_at: datetime) -> Clocked:
    apart = abs(datetime.fromtimestamp(seconds, UTC) - received_at)
    if apart < timedelta(hours=1):
        return Clocked(when)
    return Clocked(
        when,
        f"The time at {when.pointer} is {apart.total_seconds() / 3600:.0f} h off. Is the sensor's "
        "clock wrong?",
    )


def _plainly(text: str) -> tuple[str, str | None] | None:
    if text in _QUANTITY:
        own = {"celsius": "°C", "fahrenheit": "°F"}.get(text)
        return _QUANTITY[text], own
    for suffix, unit in _SUFFIXES.items():
        quantity = _QUANTITY.get(text.removesuffix(suffix)) if text.endswith(suffix) else None
        if quantity is not None and unit in UNITS[quantity]:
            return quantity, unit
    return None


def _temperature(quantity: str, low: float, high: float) -> Unit | None:
    if low >= 230.0 and high <= 340.0:
        return Unit("K", f"{_said(quantity)} of {high:g} is taken as K. Is it?")
    if low >= -40.0 and high <= 50.0:
        warm = f"{_said(quantity)} of {high:g} is taken as °C. Or is it °F?"
        return Unit("°C", warm if high > 35.0 else None)
    if low >= -40.0 and high <= 140.0:
        return Unit("°F", f"{_said(quantity)} of {high:g} is taken as °F. Is it?")
    return None


_PRESSURES: Mapping[str, tuple[float, float]] = {
    # unit: what the air of a shop may have; inside a range there is no other unit to take it for
    "Pa": (50_000.0, 110_000.0), "hPa": (800.0, 1100.0), "mmHg": (500.0, 800.0),
    "kPa": (50.0, 110.0), "inHg": (15.0, 33.0),
}  # fmt: skip


def _pressure(low: float, high: float) -> Unit | None:
    for unit, (least, most) in _PRESSURES.items():
        if least <= low and high < most:
            asked = f"Pressure of {high:g} is taken as {unit}. Is it?"
            return Unit(unit, None if unit in {"Pa", "hPa"} else asked)
    return None


def _possible(quantity: str, value: float) -> bool:
    low, high = {
        "air_c": (-40.0, 60.0), "surface_c": (-40.0, 80.0), "rh_pct": (0.0, 105.0),
        "pressure_pa": (50_000.0, 110_000.0), "battery_pct": (0.0, 110.0),
    }[quantity]  # fmt: skip
    return low <= value <= high


def _said(quantity: str) -> str:
    return {
        "air_c": "Air temperature", "rh_pct": "Humidity", "surface_c": "Surface temperature",
        "pressure_pa": "Pressure", "battery_pct": "Battery",
    }[quantity]  # fmt: skip
