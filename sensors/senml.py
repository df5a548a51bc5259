"""SenML (RFC 8428) in JSON: an array of records, turned into reports.

The last part of a name, after ``:``, ``/`` or ``.``, tells the quantity: ``air``, ``temperature``
or ``temp``; ``humidity`` or ``rh``; ``surface``; ``pressure``; ``battery``; and our own field
names. Records of one instant make one report; records of other names are passed over. Times below
2**28 s count from the time of receipt.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sensors.wire import PayloadError, Report, from_epoch, number, report, shown

__all__ = ["from_senml"]

MAX_RECORDS = 1000
RELATIVE_BELOW_S = 2.0**28
"""SenML times below this count from now (RFC 8428, section 4.5.3)."""

NAMES = {
    "air": "air_c", "air_c": "air_c", "temperature": "air_c", "temp": "air_c",
    "humidity": "rh_pct", "rh": "rh_pct", "rh_pct": "rh_pct",
    "surface": "surface_c", "surface_c": "surface_c",
    "pressure": "pressure_pa", "pressure_pa": "pressure_pa",
    "battery": "battery_pct", "battery_pct": "battery_pct",
}  # fmt: skip
VERSION = 10
"""The version of RFC 8428, section 4.4; a later one may mean something else by the same labels."""

UNITS: dict[str, dict[str, tuple[float, float]]] = {
    # unit -> (factor, offset) to ours; registered units of RFC 8428, section 12.1
    "air_c": {"Cel": (1.0, 0.0), "K": (1.0, -273.15)},
    "surface_c": {"Cel": (1.0, 0.0), "K": (1.0, -273.15)},
    "rh_pct": {"%RH": (1.0, 0.0), "/": (100.0, 0.0)},
    "pressure_pa": {"Pa": (1.0, 0.0), "hPa": (100.0, 0.0)},  # hPa: RFC 8798
    "battery_pct": {"%EL": (1.0, 0.0), "/": (100.0, 0.0)},
}


def from_senml(
    place: str, sensor: str, records: Sequence[Any], received_at: datetime
) -> list[Report]:
    """Turn a pack of records into reports, oldest first; raises PayloadError naming the field."""
    if len(records) > MAX_RECORDS:
        raise PayloadError("payload", f"{len(records)} SenML records; {MAX_RECORDS} at most")
    base: dict[str, Any] = {"bn": "", "bt": 0.0, "bu": None, "bv": 0.0}
    by_instant: dict[tuple[datetime, bool], dict[str, float | None]] = {}
    for record in records:
        _check_record(record)
        base |= {key: record[key] for key in base if key in record}
        found = _value(record, base)
        if found is None:
            continue
        field, value = found
        values = by_instant.setdefault(_instant(record, base, received_at), {})
        if field in values:
            raise PayloadError(field, "is given twice for one instant")
        values[field] = value
    if not by_instant:
        raise PayloadError("payload", "holds no SenML record of air, humidity, surface or pressure")
    return [
        report(place, sensor, at, values, timed=timed)
        for (at, timed), values in sorted(by_instant.items(), key=lambda item: item[0])
    ]


def _check_record(record: Any) -> None:
    if not isinstance(record, dict):
        raise PayloadError("payload", "a SenML record is not an object")
    version = record.get("bver", VERSION)
    if isinstance(version, bool) or not isinstance(version, int) or version > VERSION:
        raise PayloadError("bver", f"{shown(version)}; {VERSION} is the latest known here")
    # RFC 8428, section 4.4: whoever does not understand such a label must not use the pack.
    unknown = next((key for key in record if key.endswith("_")), None)
    if unknown is not None:
        raise PayloadError(shown(unknown)[1:-1], "must be understood, and is not known here")


def _instant(
    record: Mapping[str, Any], base: Mapping[str, Any], received_at: datetime
) -> tuple[datetime, bool]:
    """Return a record's instant, and whether the sender named it (RFC 8428, section 4.5.3)."""
    seconds = (number("bt", base["bt"]) or 0.0) + (number("t", record.get("t")) or 0.0)
    if seconds >= RELATIVE_BELOW_S:
        return from_epoch(seconds), True
    return from_epoch(received_at.timestamp() + seconds), False


def _value(record: Mapping[str, Any], base: Mapping[str, Any]) -> tuple[str, float] | None:
    name = record.get("n", "")
    if not isinstance(name, str) or not isinstance(base["bn"], str):
        raise PayloadError("n", "a SenML name is not text")
    # Names are often a whole path, such as urn:dev:...:temperature.
    field = NAMES.get(re.split(r"[:/.]", base["bn"] + name)[-1].lower())
    if field is None or ("v" not in record and not base["bv"]):
        return None
    value = (number("bv", base["bv"]) or 0.0) + (number(field, record.get("v")) or 0.0)
    unit = record.get("u", base["bu"])
    known = UNITS[field]
    if unit is None:
        unit = next(iter(known))
    if not isinstance(unit, str) or unit not in known:
        raise PayloadError(field, f"unit {shown(unit)} is none of {', '.join(known)}")
    factor, shift = known[unit]
    value = value * factor + shift
    if not math.isfinite(value):
        raise PayloadError(field, "is not a finite number")
    return field, value
