"""What goes over the wire: topics, our JSON, and SenML (RFC 8428), encoded and decoded.

The decoder turns bytes into reports and raises :class:`PayloadError` naming the field for whatever
it cannot use. Whether a temperature is plausible is not its business.

Topic: ``boothglass/<place>/<sensor>``, each word 1 to 64 letters, digits, ``-`` and ``_``,
beginning with a letter or digit. Capital letters are taken as small ones, so that ``Booth`` and
``booth`` are one place. ``notices``, ``people`` and words that begin with ``$`` are the service's
own.

Our JSON is an object: ``air_c`` and ``rh_pct`` are needed; ``surface_c``, ``pressure_pa``,
``battery_pct`` and ``at`` (ISO 8601 with a zone, or seconds since 1970) are welcome, null counts as
absent, other keys are passed over. A key given twice is refused: nobody knows which value is meant.
Without ``at`` the time of receipt is taken.

SenML is an array: see :mod:`sensors.senml`.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from sensors.senml import from_senml
from sensors.wire import PayloadError, Report, instant, number, parsed, report, shown

__all__ = [
    "MAX_PAYLOAD_BYTES",
    "SHOPS",
    "TOPIC_FILTER",
    "TOPIC_ROOT",
    "PayloadError",
    "Report",
    "decode",
    "encode",
    "is_own",
    "shop_root",
    "topic_of",
]

TOPIC_ROOT = "boothglass"
TOPIC_FILTER = f"{TOPIC_ROOT}/+/+"
SHOPS = "shops"
"""Root of the topics of many shops on one broker: ``shops/<shop>/boothglass/<place>/<sensor>``."""
OWN_PLACES = frozenset({"notices", "people"})
"""Words in the place's position that the service itself publishes under, besides ``$...``."""

MAX_PAYLOAD_BYTES = 65_536
WORD = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")
DECIMALS = {"pressure_pa": 1, "battery_pct": 0}
QUANTITIES = ("air_c", "rh_pct", "surface_c", "pressure_pa", "battery_pct")


def is_own(topic: str) -> bool:
    """Whether a topic is one under our root that the service itself publishes to."""
    parts = topic.split("/")
    if len(parts) < 2 or parts[0] != TOPIC_ROOT:
        return False
    return parts[1] in OWN_PLACES or parts[1].startswith("$")


def shop_root(shop: str) -> str:
    """Return what a shop's topics begin with: nothing, where it is the only one."""
    return f"{SHOPS}/{shop}/" if shop else ""


def topic_of(place: str, sensor: str) -> str:
    """Return the topic a sensor publishes to; raises PayloadError for words that cannot be."""
    for field, word in (("place", place), ("sensor", sensor)):
        if not WORD.fullmatch(word) or (field == "place" and word in OWN_PLACES):
            raise PayloadError(
                field, f"{shown(word)} is not 1 to 64 small letters, digits, - and _, or is ours"
            )
    return f"{TOPIC_ROOT}/{place}/{sensor}"


def encode(
    *,
    air_c: float,
    rh_pct: float,
    at: datetime | None = None,
    surface_c: float | None = None,
    pressure_pa: float | None = None,
    battery_pct: float | None = None,
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
    given = {
        "air_c": air_c,
        "rh_pct": rh_pct,
        "surface_c": surface_c,
        "pressure_pa": pressure_pa,
        "battery_pct": battery_pct,
    }
    for field, value in given.items():
        if value is None:
            continue
        if not math.isfinite(value):
            raise PayloadError(field, f"{value} is not a finite number")
        body[field] = round(float(value), DECIMALS.get(field, 3))
    return json.dumps(body, separators=(",", ":")).encode()


def decode(topic: str, payload: bytes, received_at: datetime) -> list[Report]:
    """Turn one message into reports: an object is our JSON, an array is SenML.

    Parameters
    ----------
    topic : str
        ``boothglass/<place>/<sensor>``.
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
    body = parsed(payload)
    if isinstance(body, dict):
        return [_from_object(place, sensor, body, received_at)]
    if isinstance(body, list):
        return from_senml(place, sensor, body, received_at)
    raise PayloadError("payload", "is neither a JSON object nor a SenML array")


@lru_cache(1024)
def _address(topic: str) -> tuple[str, str]:
    parts = topic.split("/")
    if len(parts) != 3 or parts[0] != TOPIC_ROOT:
        raise PayloadError("topic", f"is not {TOPIC_ROOT}/<place>/<sensor>")
    if not topic.isascii():
        raise PayloadError("topic", f"{shown(topic)} has other letters than a to z")
    place, sensor = parts[1].lower(), parts[2].lower()
    topic_of(place, sensor)
    return place, sensor


def _from_object(place: str, sensor: str, body: Mapping[str, Any], received_at: datetime) -> Report:
    values = {field: number(field, body[field]) for field in QUANTITIES if field in body}
    if body.get("at") is None:
        return report(place, sensor, received_at, values, timed=False)
    return report(place, sensor, instant(body["at"]), values, timed=True)
