"""What every payload format shares: the report, the error, and how single values are read."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

__all__ = ["PayloadError", "Report", "from_epoch", "instant", "number", "parsed", "report", "shown"]


class PayloadError(ValueError):
    """A payload or topic that cannot be used; ``field`` names what is wrong with it."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field = field
        self.reason = reason


class Report(NamedTuple):
    """One report of one sensor as it was sent; ``at`` is aware and in UTC.

    ``timed`` says whether the sender named the instant; otherwise ``at`` rests on the receipt.
    """

    place: str
    sensor: str
    at: datetime
    air_c: float
    rh_pct: float
    surface_c: float | None = None
    pressure_pa: float | None = None
    timed: bool = True
    battery_pct: float | None = None


def report(
    place: str,
    sensor: str,
    at: datetime,
    values: Mapping[str, float | None],
    *,
    timed: bool,
) -> Report:
    """Make a report of the values of one instant; PayloadError where air or humidity is missing."""
    air_c, rh_pct = values.get("air_c"), values.get("rh_pct")
    if air_c is None:
        raise PayloadError("air_c", "is missing")
    if rh_pct is None:
        raise PayloadError("rh_pct", "is missing")
    return Report(
        place,
        sensor,
        at,
        air_c,
        rh_pct,
        values.get("surface_c"),
        values.get("pressure_pa"),
        timed,
        values.get("battery_pct"),
    )


def parsed(payload: bytes) -> Any:
    """Read JSON text; PayloadError naming ``payload``, or the key that is given twice."""
    try:
        text = payload.decode("utf-8")
        body = json.loads(text)
        if isinstance(body, dict) and len(body) == text.count(",") + 1:
            # As many keys as its commas allow: no room for one given twice, here or deeper.
            return body
        return _CAREFUL.decode(text)
    except UnicodeDecodeError as error:
        raise PayloadError("payload", f"is not UTF-8 text (byte {error.start})") from error
    except RecursionError as error:
        raise PayloadError("payload", "is nested too deeply") from error
    except PayloadError:
        raise
    except ValueError as error:
        raise PayloadError("payload", f"is not JSON: {error}") from error


def _without_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    body = dict(pairs)
    if len(body) < len(pairs):
        twice = Counter(key for key, _ in pairs).most_common(1)[0][0]
        if not twice:
            raise PayloadError("payload", "has an empty key twice")
        raise PayloadError(shown(twice)[1:-1], "is given twice")
    return body


_CAREFUL = json.JSONDecoder(object_pairs_hook=_without_doubles)


def number(field: str, value: Any) -> float | None:
    """Read a finite JSON number; None stays None, and true, false and text are no numbers."""
    if value is None or (type(value) is float and math.isfinite(value)):
        return value
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PayloadError(field, f"{shown(value)} is not a number")
    try:
        found = float(value)
    except OverflowError as error:
        raise PayloadError(field, "is too large") from error
    if not math.isfinite(found):
        raise PayloadError(field, f"{found} is not a finite number")
    return found


def instant(value: Any) -> datetime:
    """Read ISO 8601 text with a zone, or seconds since 1970, as an aware instant in UTC."""
    if isinstance(value, str):
        try:
            at = datetime.fromisoformat(value)
        except ValueError as error:
            raise PayloadError("at", f"{shown(value)} is not an ISO 8601 time") from error
        if at.tzinfo is None:
            raise PayloadError("at", "has no time zone; add Z or an offset such as +01:00")
        try:
            return at if at.tzinfo is UTC else at.astimezone(UTC)
        except OverflowError as error:
            raise PayloadError("at", f"{shown(value)} is out of range") from error
    seconds = number("at", value)
    return from_epoch(0.0 if seconds is None else seconds)


def from_epoch(seconds: float) -> datetime:
    """Return the instant of seconds since 1970; PayloadError naming ``at`` where there is none."""
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    except OverflowError as error:
        raise PayloadError(
            "at", f"{seconds:g} is out of range for seconds since 1970 (are they milliseconds?)"
        ) from error


def shown(value: Any) -> str:
    """Return a short printable form; a structure is named, not walked through."""
    if isinstance(value, list | dict):
        return f"a JSON {'array' if isinstance(value, list) else 'object'}"
    if isinstance(value, str):
        value = value[:80]
    elif isinstance(value, int) and abs(value) >= 10**18:
        return "so large an integer"
    text = ascii(value)
    return text if len(text) <= 60 else text[:57] + "..."
