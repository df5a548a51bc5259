"""The digest behind a flaw, reckoned from the record."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlmodel import Session

from service.shop.evidence.digest import CoatLine, Digest, FlawLine, ReadingLine, digest_of
from service.shop.said import say
from service.store import raw
from service.store.db import Database
from service.store.errors import NotFound
from service.store.flaw_evidence import coats_under, spans_around
from service.store.history import names
from service.store.pieces import load_piece
from service.store.tables import CLIMATE_SCALE, Coat, Flaw
from service.store.types import to_millis

__all__ = ["digest_behind", "read_digest"]


def read_digest(db: Database, flaw_id: int) -> Digest:
    """Reckon a flaw's digest from a record; raises NotFound."""
    with db.read() as session:
        row = session.get(Flaw, flaw_id)
        if row is None:
            raise NotFound("flaw", say("there is no flaw {flaw_id}", flaw_id=flaw_id))
        return digest_behind(session, row)


def digest_behind(session: Session, row: Flaw) -> Digest:
    """Return the digest of a flaw's coats and of the readings around them as they were sent."""
    piece = load_piece(session, row.instrument_id)
    coats = coats_under(piece, row)
    readings: set[ReadingLine] = set()
    known: dict[str, Mapping[int, str]] = {}
    for place, start, end in _merged(spans_around(piece, coats, row.seen_at)):
        sensors = known.setdefault(place, names(session, place))
        readings |= set(_lines(session, place, sensors, start, end))
    flaw = FlawLine(piece.row.shop_number, row.part, row.seen_at)
    return digest_of(flaw, [_line(coat) for coat in coats], readings)


def _merged(
    spans: Sequence[tuple[str, datetime, datetime]],
) -> list[tuple[str, datetime, datetime]]:
    """Put spans of one place that meet together, so that nothing is read twice."""
    merged: list[tuple[str, datetime, datetime]] = []
    for place, start, end in sorted(spans):
        if merged and merged[-1][0] == place and start <= merged[-1][2]:
            merged[-1] = (place, merged[-1][1], max(end, merged[-1][2]))
        else:
            merged.append((place, start, end))
    return merged


def _lines(
    session: Session, place: str, sensors: Mapping[int, str], start: datetime, end: datetime
) -> Sequence[ReadingLine]:
    found = raw.read(session, list(sensors), to_millis(start), to_millis(end))

    def parts(value: float) -> int:
        return round(value * CLIMATE_SCALE)

    columns = zip(
        found.at_ms.tolist(),
        found.sensor_id.tolist(),
        found.sent["air_c"].tolist(),
        found.sent["rh_pct"].tolist(),
        found.sent["surface_c"].tolist(),
        strict=True,
    )
    return [
        ReadingLine(
            at, place, sensors[sensor], parts(air), parts(rh),
            None if math.isnan(surface) else parts(surface),
        )
        for at, sensor, air, rh, surface in columns
    ]  # fmt: skip


def _line(coat: Coat) -> CoatLine:
    return CoatLine(
        id=int(coat.id or 0),
        at=coat.at,
        place_id=coat.place_id,
        material_id=coat.material_id,
        material_version=coat.material_version,
        batch=coat.batch,
        wet_um=coat.wet_um,
        retarder_pct=coat.retarder_pct,
        parts=tuple(coat.parts),
        who=coat.who,
    )
