"""Instruments that leave the shop, and those that come back into it."""

from __future__ import annotations

from datetime import datetime

from sqlmodel import col, select

from service.clock import Clock
from service.shop.said import say
from service.store.db import Database
from service.store.errors import Conflict
from service.store.pieces import instrument_row
from service.store.tables import Instrument

__all__ = ["Leaving"]


class Leaving:
    """Who has left: their record stays, nothing is reckoned or told of them any more."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def left_at(self, instrument_id: int) -> datetime | None:
        """When an instrument left; None while it is here. Raises NotFound."""
        with self.db.read() as session:
            return instrument_row(session, instrument_id).closed_at

    def gone(self) -> list[Instrument]:
        """Instruments that have left, the latest first."""
        with self.db.read() as session:
            return list(
                session.exec(
                    select(Instrument)
                    .where(col(Instrument.closed_at).is_not(None))
                    .order_by(col(Instrument.closed_at).desc(), col(Instrument.id).desc())
                ).all()
            )

    def leave(self, instrument_id: int) -> datetime:
        """Let an instrument go; its shop number stays taken. Raises NotFound or Conflict."""
        now = self.clock.now()
        with self.db.write() as session:
            row = instrument_row(session, instrument_id)
            if row.closed_at is not None:
                raise Conflict("instrument", say("it has left the shop already"))
            row.closed_at = now
            session.add(row)
        return now

    def come_back(self, instrument_id: int) -> None:
        """Take an instrument back in as it was. Raises NotFound or Conflict."""
        with self.db.write() as session:
            row = instrument_row(session, instrument_id)
            if row.closed_at is None:
                raise Conflict("instrument", say("it has not left the shop"))
            row.closed_at = None
            session.add(row)
