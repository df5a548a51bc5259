"""A digest of what evidence rests on, so that it can be checked against the record later.

The text is lines of UTF-8, each ended by a line feed: the form's name, the flaw, each coat under it
and each reading of the spans around the coats as it was sent, in this order. Corrections and flags
are no part of it: they are laid over readings, and may be reckoned anew.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

__all__ = ["FORM", "CoatLine", "Digest", "FlawLine", "ReadingLine", "digest_of", "text_of"]

FORM = "boothglass evidence 1"


@dataclass(frozen=True)
class FlawLine:
    """Which flaw: ``part`` is "" for the whole piece."""

    shop_number: str
    part: str
    seen_at: datetime


@dataclass(frozen=True)
class CoatLine:
    """A coat as it was recorded."""

    id: int
    at: datetime
    place_id: str
    material_id: str
    material_version: int | None
    batch: str
    wet_um: float
    retarder_pct: float
    parts: tuple[str, ...]
    who: str


@dataclass(frozen=True, order=True)
class ReadingLine:
    """A reading as it was sent: values in ten thousandths of °C and % RH, None: not sent."""

    at_ms: int
    place_id: str
    sensor: str
    air: int
    rh: int
    surface: int | None


@dataclass(frozen=True)
class Digest:
    """SHA-256 of the text in hexadecimal, and of how much it is."""

    sha256: str
    coats: int
    readings: int


def digest_of(flaw: FlawLine, coats: Sequence[CoatLine], readings: Iterable[ReadingLine]) -> Digest:
    """Return the digest; the order in which coats and readings are given does not matter."""
    once = sorted(set(readings), key=_order)
    text = text_of(flaw, coats, once)
    return Digest(hashlib.sha256(text.encode("utf-8")).hexdigest(), len(coats), len(once))


def text_of(flaw: FlawLine, coats: Sequence[CoatLine], readings: Iterable[ReadingLine]) -> str:
    """Return the text that is digested."""
    lines = [FORM, _line("flaw", flaw.shop_number, flaw.part, _instant(flaw.seen_at))]
    lines += [
        _line(
            "coat", coat.id, _instant(coat.at), coat.place_id, coat.material_id,
            coat.material_version, coat.batch, repr(coat.wet_um), repr(coat.retarder_pct),
            "+".join(coat.parts), coat.who,
        )
        for coat in sorted(coats, key=lambda coat: (coat.at, coat.id))
    ]  # fmt: skip
    lines += [
        _line("reading", r.at_ms, r.place_id, r.sensor, r.air, r.rh, r.surface)
        for r in sorted(readings, key=_order)
    ]
    return "".join(f"{line}\n" for line in lines)


def _order(reading: ReadingLine) -> tuple[int, str, str]:
    return reading.at_ms, reading.place_id, reading.sensor


def _line(*fields: object) -> str:
    """Join fields by tabs; nothing inside a field can pass for one."""
    return "\t".join("-" if field is None else _plain(str(field)) for field in fields)


def _plain(field: str) -> str:
    return "\\-" if field == "-" else field.translate(_ESCAPES)


_ESCAPES = str.maketrans({"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r"})


def _instant(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds")
