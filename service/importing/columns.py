"""Which column is what, in which unit: by its title, in the languages that loggers speak."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sensors.units import unit_called

__all__ = ["OWN", "QUANTITIES", "Column", "in_title", "recognised", "role_of"]

QUANTITIES = ("air_c", "rh_pct", "surface_c", "pressure_pa", "battery_pct")

OWN = {
    "at": "time", "received_at": "received", "sensor": "sensor",
    "raw_air_c": "air_c", "raw_rh_pct": "rh_pct", "raw_surface_c": "surface_c",
    "pressure_pa": "pressure_pa", "battery_pct": "battery_pct",
}  # fmt: skip
"""Titles of our own export: the values as they were sent, for those are what is kept."""

_WORDS: Mapping[str, tuple[str, ...]] = {
    "time": ("time", "date", "datetime", "timestamp", "zeit", "datum", "uhrzeit", "zeitpunkt",
             "zeitstempel", "fecha", "hora", "heure", "horodatage", "data", "ora", "tempo", "tijd",
             "at"),
    "air_c": ("temperature", "temp", "temperatur", "lufttemperatur", "temperatura", "temperatuur",
              "t", "celsius", "fahrenheit", "air"),
    "rh_pct": ("humidity", "rh", "hum", "feuchte", "luftfeuchte", "luftfeuchtigkeit",
               "feuchtigkeit", "humidite", "humedad", "umidita", "umidade", "vochtigheid", "hr",
               "rf", "rel"),
    "surface_c": ("surface", "oberflache", "superficie", "oppervlak"),
    "pressure_pa": ("pressure", "baro", "barometer", "luftdruck", "druck", "pression", "presion",
                    "pressione", "pressao", "luchtdruk"),
    "battery_pct": ("battery", "batt", "batterie", "bateria", "batteria", "batterij"),
}  # fmt: skip
"""Words of titles, without accents; common words of the languages, no maker's."""

_NOT_MEASURED = frozenset({
    "dew", "dewpoint", "taupunkt", "rosee", "rocio", "rugiada", "orvalho", "dauwpunt", "tau",
    "abs", "absolute", "absolut", "absolue", "absoluta", "assoluta", "max", "min", "mean",
    "average", "mittel", "alarm", "limit", "set", "setpoint", "soll", "vpd", "wet", "bulb", "heat",
    "index", "voltage", "spannung", "mixing", "enthalpy", "offset", "status", "event", "zone",
    "elapsed", "duration", "dauer", "g", "m3",
})  # fmt: skip
_SUFFIXES = {"_c": "°C", "_f": "°F", "_k": "K", "_pct": "%", "_pa": "Pa", "_hpa": "hPa"}
_TOKEN = re.compile(r"[^\W\d_]+(?:\d+(?![^\W_]))?")


@dataclass(frozen=True)
class Column:
    """A column that is used: its title, and the unit its values are in (None: not told)."""

    title: str
    unit: str | None


def role_of(title: str) -> str | None:
    """Return what a title means: a quantity, ``time``, ``received``, ``sensor``; None: nothing."""
    name = re.sub(r"\s*[\[(].*$", "", title).strip().casefold()
    if name in OWN:
        return OWN[name]
    words = {_plain(word) for word in _TOKEN.findall(name.replace("_", " "))}
    if words & _NOT_MEASURED:
        return None
    # A surface's temperature has both words, so the narrower meaning goes first.
    for role in ("surface_c", "battery_pct", "pressure_pa", "rh_pct", "air_c", "time"):
        if words & set(_WORDS[role]):
            return role
    # "Celsius(°C)" and "%RH": the unit is the whole title.
    return {"°C": "air_c", "°F": "air_c", "%": "rh_pct"}.get(in_title(title) or "")


def in_title(title: str) -> str | None:
    """Return the unit that a title names: ``Temp [degC]``, ``Temp, °F``, ``rh_pct``; or None."""
    lowered = title.strip().casefold()
    for suffix, unit in _SUFFIXES.items():
        if re.sub(r"\s*[\[(].*$", "", lowered).endswith(suffix):
            return unit
    pieces = re.findall(r"[\[(]([^\])]*)[\])]", title) + re.split(r"[,;\s\[\]()]+", title)
    for piece in pieces:
        found = unit_called(piece.strip().rstrip("."))
        if found is not None and (len(piece.strip()) > 1 or not piece.strip().isalpha()):
            return found
        if found is not None and piece.strip() in {"C", "F"}:
            return found
    return "%" if "%" in title else None


def recognised(titles: Sequence[str]) -> set[str]:
    """Return the meanings that are found among titles."""
    return {role for title in titles if title.strip() and (role := role_of(title)) is not None}


def _plain(word: str) -> str:
    split = unicodedata.normalize("NFKD", word.casefold())
    return "".join(c for c in split if not unicodedata.combining(c))
