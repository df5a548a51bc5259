"""Corrections of sensors: kept, undone, and read as they stand."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlmodel import Session, col, select

from service.shop.correction import Corrections, Standing
from service.store.marks import mark_from
from service.store.tables import Correction, Sensor

__all__ = ["all_of", "keep", "standing", "undo"]


def standing(session: Session, sensor_ids: Iterable[int]) -> dict[int, Corrections]:
    """Return the corrections that stand, by sensor; a sensor without any has an empty set."""
    wanted = list(sensor_ids)
    rows = session.exec(
        select(Correction)
        .where(col(Correction.sensor_id).in_(wanted), col(Correction.undone_at).is_(None))
        .order_by(col(Correction.from_at), col(Correction.id))
    ).all()
    return {
        sensor_id: Corrections.of(
            Standing(row.quantity, row.from_at.timestamp(), row.slope, row.offset, row.sd)
            for row in rows
            if row.sensor_id == sensor_id
        )
        for sensor_id in wanted
    }


def all_of(session: Session, sensor_id: int) -> list[Correction]:
    """Return every correction of a sensor, newest first, undone ones too."""
    rows = session.exec(
        select(Correction)
        .where(col(Correction.sensor_id) == sensor_id)
        .order_by(col(Correction.from_at).desc(), col(Correction.id).desc())
    )
    return list(rows.all())


def keep(session: Session, correction: Correction) -> Correction:
    """Keep a correction; flags from its beginning on are reckoned anew."""
    session.add(correction)
    session.flush()
    _mark(session, correction)
    return correction


def undo(session: Session, correction: Correction, at: datetime) -> None:
    """Undo a correction: it stays on record and no longer counts."""
    correction.undone_at = at
    session.add(correction)
    _mark(session, correction)


def _mark(session: Session, correction: Correction) -> None:
    sensor = session.get_one(Sensor, correction.sensor_id)
    mark_from(session, sensor.place_id, correction.from_at)
