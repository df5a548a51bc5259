"""What goes over the wire: topics, our JSON, and SenML (RFC 8428), encoded and decoded.

The decoder turns bytes into reports and raises :class:`PayloadError` naming the field for whatever
it cannot use. Whether a temperature is plausible is not its business.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, NoReturn

__all__ = [
    "MAX_PAYLOAD_BYTES",
    "TOPIC_FILTER",
    "PayloadError",
    "Report",
    "decode",
    "encode",
    "topic_of",
]

TOPIC_ROOT = "boothglass"
TOPIC_FILTER = f"{TOPIC_ROOT}/+/+"
OWN_PLACES = frozenset({"notices"})
"""Words in the place's position that the service itself publishes under."""

MAX_PAYLOAD_BYTES = 65_536
MAX_RECORDS = 1000
WORD = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
QUANTITIES = ("air_c", "rh_pct", "surface_c", "pressure_pa")
RELATIVE_BELOW_S = 2.0**28
"""SenML times below this count from now (RFC 8428, section 4.5.3)."""

SENML_NAMES = {
    "air": "air_c", "air_c": "air_c", "temperature": "air_c", "temp": "air_c",
    "humidity": "rh_pct", "rh": "rh_pct", "rh_pct": "rh_pct",
    "surface": "surface_c", "surface_c": "surface_c",
    "pressure": "pressure_pa", "pressure_pa": "pressure_pa",
}  # fmt: skip
SENML_UNITS: dict[str, dict[str, tuple[float, float]]] = {
    # unit -> (factor, offset) to ours; registered units of RFC 8428, section 12.1
    "air_c": {"Cel": (1.0, 0.0), "K": (1.0, -273.15)},
    "surface_c": {"Cel": (1.0, 0.0), "K": (1.0, -273.15)},
    "rh_pct": {"%RH": (1.0, 0.0), "/": (100.0, 0.0)},
    "pressure_pa": {"Pa": (1.0, 0.0)},
}


class PayloadError(ValueError):
    """A payload or topic that cannot be used; ``field`` names what is wrong with it."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field = field
        self.reason = reason


@dataclass(frozen=True)
class Report:
    """One report of one sensor as it was sent; ``at`` is aware and in UTC."""

    place: str
    sensor: str
    at: datetime
    air_c: float
    rh_pct: float
    surface_c: float | None = None
    pressure_pa: float | None = None


def topic_of(place: str, sensor: str) -> str:
    """Return the topic a sensor publishes to; raises PayloadError for words that cannot be."""
    for field, word in (("place", place), ("sensor", sensor)):
        if not WORD.fullmatch(word) or (field == "place" and word in OWN_PLACES):
            raise PayloadError(field, f"{word!r} is not small letters, digits, - and _")
    return f"{TOPIC_ROOT}/{place}/{sensor}"


def encode(
    *,
    air_c: float,
    rh_pct: float,
    at: datetime | None = None,
    surface_c: float | None = None,
    pressure_pa: float | None = None,
) -> bytes:
    """Return one report in our JSON; values are rounded to what a sensor can mean.

    Raises
    ------
    PayloadError
        For a naive ``at`` or a value that is not finite.
    """
    body: dict[str, Any] = {}
    if at is not None:
        if at.tzinfo is None:
            raise PayloadError("at", "needs a time zone")
        body["at"] = at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    given = {"air_c": air_c, "rh_pct": rh_pct, "surface_c": surface_c, "pressure_pa": pressure_pa}
    for field, value in given.items():
        if value is None:
            continue
        if not math.isfinite(value):
            raise PayloadError(field, f"{value} is not a finite number")
        body[field] = round(float(value), 1 if field == "pressure_pa" else 3)
    return json.dumps(body, separators=(",", ":")).encode()


def decode(topic: str, payload: bytes, received_at: datetime) -> list[Report]:
    """Turn one message into reports: an object is our JSON, an array is SenML.

    Parameters
    ----------
    topic : str
        ``boothglass/<place>/<sensor>``; words of small letters, digits, ``-`` and ``_``.
    payload : bytes
        At most 64 KiB.
    received_at : datetime
        When it arrived; taken for ``at`` where the sender has no clock.

    Raises
    ------
    PayloadError
        Naming ``topic``, ``payload`` or the field, and what is wrong.
    """
    place, sensor = _address(topic)
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise PayloadError("payload", f"{len(payload)} bytes; {MAX_PAYLOAD_BYTES} at most")
    if not payload.strip():
        raise PayloadError("payload", "is empty")
    body = _parsed(payload)
    if isinstance(body, dict):
        return [_from_object(place, sensor, body, received_at)]
    if isinstance(body, list):
        return _from_senml(place, sensor, body, received_at)
    raise PayloadError("payload", "is neither a JSON object nor a SenML array")


def _address(topic: str) -> tuple[str, str]:
    parts = topic.split("/")
    if len(parts) != 3 or parts[0] != TOPIC_ROOT:
        raise PayloadError("topic", f"is not {TOPIC_ROOT}/<place>/<sensor>")
    _, place, sensor = parts
    topic_of(place, sensor)
    return place, sensor


def _parsed(payload: bytes) -> Any:
    def constant(word: str) -> NoReturn:
        raise PayloadError("payload", f"{word} is not a number JSON knows")

    try:
        return json.loads(payload.decode("utf-8"), parse_constant=constant)
    except UnicodeDecodeError as error:
        raise PayloadError("payload", f"is not UTF-8 text (byte {error.start})") from error
    except RecursionError as error:
        raise PayloadError("payload", "is nested too deeply") from error
    except PayloadError:
        raise
    except ValueError as error:
        raise PayloadError("payload", f"is not JSON: {error}") from error


def _from_object(place: str, sensor: str, body: Mapping[str, Any], received_at: datetime) -> Report:
    values = {field: _number(field, body.get(field)) for field in QUANTITIES}
    at = _instant(body["at"]) if body.get("at") is not None else received_at
    return _report(place, sensor, at, values)


def _report(place: str, sensor: str, at: datetime, values: Mapping[str, float | None]) -> Report:
    air_c, rh_pct = values.get("air_c"), values.get("rh_pct")
    if air_c is None:
        raise PayloadError("air_c", "is missing")
    if rh_pct is None:
        raise PayloadError("rh_pct", "is missing")
    return Report(
        place, sensor, at, air_c, rh_pct, values.get("surface_c"), values.get("pressure_pa")
    )


def _number(field: str, value: Any) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PayloadError(field, f"{_shown(value)} is not a number")
    try:
        number = float(value)
    except OverflowError as error:
        raise PayloadError(field, "is too large") from error
    if not math.isfinite(number):
        raise PayloadError(field, f"{number} is not a finite number")
    return number


def _instant(value: Any) -> datetime:
    if isinstance(value, str):
        try:
            at = datetime.fromisoformat(value)
        except ValueError as error:
            raise PayloadError("at", f"{_shown(value)} is not an ISO 8601 time") from error
        if at.tzinfo is None:
            raise PayloadError("at", "has no time zone; add Z or an offset such as +01:00")
        try:
            return at.astimezone(UTC)
        except OverflowError as error:
            raise PayloadError("at", f"{_shown(value)} is out of range") from error
    seconds = _number("at", value)
    return _from_epoch(0.0 if seconds is None else seconds)


def _from_epoch(seconds: float) -> datetime:
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    except OverflowError as error:
        raise PayloadError("at", f"{seconds:g} is out of range for epoch seconds") from error


def _from_senml(
    place: str, sensor: str, records: Sequence[Any], received_at: datetime
) -> list[Report]:
    if len(records) > MAX_RECORDS:
        raise PayloadError("payload", f"{len(records)} SenML records; {MAX_RECORDS} at most")
    base: dict[str, Any] = {"bn": "", "bt": 0.0, "bu": None, "bv": 0.0}
    by_instant: dict[datetime, dict[str, float | None]] = {}
    for record in records:
        if not isinstance(record, dict):
            raise PayloadError("payload", "a SenML record is not an object")
        base |= {key: record[key] for key in base if key in record}
        found = _senml_value(record, base)
        if found is None:
            continue
        field, value = found
        offset = (_number("bt", base["bt"]) or 0.0) + (_number("t", record.get("t")) or 0.0)
        at = (
            _from_epoch(received_at.timestamp() + offset)
            if offset < RELATIVE_BELOW_S
            else _from_epoch(offset)
        )
        by_instant.setdefault(at, {})[field] = value
    if not by_instant:
        raise PayloadError("payload", "holds no SenML record of air, humidity, surface or pressure")
    return [_report(place, sensor, at, by_instant[at]) for at in sorted(by_instant)]


def _senml_value(record: Mapping[str, Any], base: Mapping[str, Any]) -> tuple[str, float] | None:
    name = record.get("n", "")
    if not isinstance(name, str) or not isinstance(base["bn"], str):
        raise PayloadError("n", "a SenML name is not text")
    # Names are often a whole path, such as urn:dev:...:temperature.
    field = SENML_NAMES.get(re.split(r"[:/.]", base["bn"] + name)[-1].lower())
    if field is None or ("v" not in record and not base["bv"]):
        return None
    value = (_number("bv", base["bv"]) or 0.0) + (_number(field, record.get("v")) or 0.0)
    unit = record.get("u", base["bu"])
    known = SENML_UNITS[field]
    if unit is None:
        unit = next(iter(known))
    if not isinstance(unit, str) or unit not in known:
        raise PayloadError(field, f"unit {_shown(unit)} is none of {', '.join(known)}")
    factor, shift = known[unit]
    return field, value * factor + shift


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
