"""Pieces that came in with cold or damp wood: kept, taken back, and what is reckoned of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.air import Air
from service.shop.said import say
from service.shop.warming import (
    Body,
    ColdWork,
    DampWood,
    bodies_of,
    cold_work,
    damp_wood,
)
from service.shop.wood_watch import plate_of
from service.store.db import Database
from service.store.errors import NotFound
from service.store.fields import instant, within
from service.store.memo import kept
from service.store.pieces import Piece, course_of, load_piece
from service.store.tables import ColdArrival

__all__ = [
    "USUAL_MARGIN_K",
    "Arrival",
    "ArrivalBook",
    "arrival_of",
    "arrivals_on",
    "bodies_on",
    "cold_on",
    "said_of",
]

USUAL_MARGIN_K = 3.0
"""Surface over dew point where no material is in question (ISO 8502-4)."""

DAMP_FOR = timedelta(days=60)
"""After that the wood has the moisture of the place, whatever it came from (assumed)."""


@dataclass(frozen=True)
class Arrival:
    """The newest arrival that stands, with what is reckoned of it now.

    ``cold`` is None once the work is as warm as the air, ``clear_at`` when its surface is
    ``margin_k`` over the dew point; ``damp`` is None where the humidity it came from is not known.
    """

    row: ColdArrival
    cold: ColdWork | None
    margin_k: float
    clear_at: datetime | None
    damp: DampWood | None


class ArrivalBook:
    """Takes arrivals in, and back."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def record(
        self,
        instrument_id: int,
        wood_c: float,
        *,
        at: datetime | None = None,
        wood_rh_pct: float | None = None,
    ) -> ColdArrival:
        """Keep that a piece came in with its wood at ``wood_c``, by default now.

        ``wood_rh_pct`` is the humidity of the air it came from. Raises NotFound and BadInput.
        """
        within("wood_c", wood_c, -30.0, 60.0, "°C")
        if wood_rh_pct is not None:
            within("wood_rh_pct", wood_rh_pct, 0.0, 100.0, "%")
        when = instant("at", at, self.clock.now())
        with self.db.write() as session:
            piece = load_piece(session, instrument_id)
            row = ColdArrival(
                instrument_id=piece.id, at=when, wood_c=wood_c, wood_rh_pct=wood_rh_pct
            )
            session.add(row)
            session.flush()
        return row

    def undo(self, instrument_id: int) -> None:
        """Take the newest arrival of a piece back; it stays in the record, marked."""
        with self.db.write() as session:
            piece = load_piece(session, instrument_id)
            rows = arrivals_on(session, piece.id)
            if not rows:
                raise NotFound("instrument", say("nothing says that this instrument came in cold"))
            rows[-1].undone_at = self.clock.now()
            session.add(rows[-1])


def arrivals_on(
    session: Session, instrument_id: int, *, undone: bool = False
) -> Sequence[ColdArrival]:
    """Read the arrivals of a piece, oldest first; with ``undone`` those taken back too."""

    def read() -> Sequence[ColdArrival]:
        query = select(ColdArrival).where(col(ColdArrival.instrument_id) == instrument_id)
        if not undone:
            query = query.where(col(ColdArrival.undone_at).is_(None))
        return session.exec(query.order_by(col(ColdArrival.at), col(ColdArrival.id))).all()

    return kept(session, ("arrivals", instrument_id, undone), read)


def said_of(row: ColdArrival) -> str:
    """Say an arrival in words."""
    damp = "" if row.wood_rh_pct is None else say(", from air of {rh:g} % RH", rh=row.wood_rh_pct)
    return say("came in with its wood at {wood_c:g} °C{damp}", wood_c=row.wood_c, damp=damp)


def bodies_on(piece: Piece, parts: Sequence[str] = ()) -> tuple[Body, ...]:
    """Return the parts of a piece as heat sees them; without ``parts`` all of it."""
    return bodies_of(piece.row.woods, piece.row.plate_mm, parts)


def cold_on(
    session: Session, piece: Piece, air: Air | None, now: datetime, parts: Sequence[str] = ()
) -> ColdWork | None:
    """Reckon a piece that came in cold; None where it did not, or is as warm as ``air`` again."""
    rows = arrivals_on(session, piece.id)
    if not rows or air is None or air.trouble is not None:
        return None
    return _cold(session, piece, rows[-1], air, now, parts)


def arrival_of(
    session: Session, piece: Piece, air: Air | None, now: datetime, margin_k: float
) -> Arrival | None:
    """Return the newest arrival of a piece with what is reckoned of it; None where there is none.

    ``air`` is that of the place it hangs in.
    """
    rows = arrivals_on(session, piece.id)
    if not rows:
        return None
    row = rows[-1]
    if air is None or air.trouble is not None:
        return Arrival(row, None, margin_k, None, None)
    cold = _cold(session, piece, row, air, now)
    clear_at = None
    if cold is not None and air.dew_point_c is not None:
        clear_at = cold.clear_at(air.dew_point_c, margin_k)
    damp = None
    if row.wood_rh_pct is not None and now - row.at < DAMP_FOR:
        damp = damp_wood(
            plate_of("", piece.row.woods, piece.row.plate_mm, coated=bool(piece.coats)),
            since=row.at,
            wood_c=row.wood_c,
            wood_rh_pct=row.wood_rh_pct,
            air_c=air.air_c,
            rh_pct=air.rh_pct,
        )
    return Arrival(row, cold, margin_k, clear_at, damp)


def _cold(
    session: Session,
    piece: Piece,
    row: ColdArrival,
    air: Air,
    now: datetime,
    parts: Sequence[str] = (),
) -> ColdWork | None:
    course = course_of(session, piece, row.at, now)
    return cold_work(
        bodies_on(piece, parts),
        since=row.at,
        wood_c=row.wood_c,
        now=now,
        time_s=course.time_s,
        air_c=course.air_c,
        air_now_c=air.air_c,
    )
