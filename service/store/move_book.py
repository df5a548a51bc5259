"""Moves that were planned: that one was made, and that it was not after all."""

from __future__ import annotations

from datetime import datetime

from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.notices import move_key
from service.shop.said import say
from service.store import verdict_marks
from service.store.answering import answer
from service.store.db import Database
from service.store.errors import Conflict, NotFound
from service.store.fields import instant
from service.store.moves_due import planned_of
from service.store.pieces import load_piece
from service.store.tables import Hanging, Notice

__all__ = ["MoveBook"]


class MoveBook:
    """Writes down that a planned move was made; each method is one transaction."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def made(
        self, hanging_id: int, at: datetime | None = None, *, instrument_id: int | None = None
    ) -> Hanging:
        """Say that a planned move was made, at ``at`` (now, where nothing is said).

        From then on the piece hangs there, whatever was planned; whoever was told of the move has
        seen to it. Again changes nothing. With ``instrument_id`` it must be one of that piece.

        Raises
        ------
        NotFound, BadInput, Conflict
            Naming ``move`` where it is none that was planned, was taken back, or the piece was hung
            elsewhere meanwhile.
        """
        now = self.clock.now()
        when = instant("at", at, now)
        with self.db.write() as session:
            row = _planned(session, hanging_id)
            if instrument_id not in {None, row.instrument_id}:
                raise NotFound(
                    "move", say("move {hanging_id} is one of another piece", hanging_id=hanging_id)
                )
            if row.undone_at is not None:
                raise Conflict("move", say("that move was taken back"))
            if row.moved_at is not None:
                return row
            first, last = sorted((row.from_at, when))
            others = load_piece(session, row.instrument_id).hangings
            if any(h.id != row.id and first <= h.from_at <= last for h in others):
                raise Conflict("move", say("it was hung elsewhere meanwhile: look where it hangs"))
            key = move_key(planned_of(row))
            told = session.exec(select(Notice).where(col(Notice.key) == key)).all()
            answer(session, [int(notice.id or 0) for notice in told], now)
            row.from_at, row.moved_at = when, now
            session.add(row)
            verdict_marks.mark_piece(session, row.instrument_id)
        return row

    def withdraw(self, hanging_id: int) -> None:
        """Take back that a move was made: it is planned as it was.

        Raises NotFound, and Conflict where nobody has said so.
        """
        with self.db.write() as session:
            row = _planned(session, hanging_id)
            if row.moved_at is None or row.planned_at is None:
                raise Conflict(
                    "moved",
                    say("nobody has said that move {hanging_id} was made", hanging_id=hanging_id),
                )
            row.from_at, row.moved_at = row.planned_at, None
            session.add(row)
            verdict_marks.mark_piece(session, row.instrument_id)


def _planned(session: Session, hanging_id: int) -> Hanging:
    row = session.get(Hanging, hanging_id)
    if row is None or row.planned_at is None:
        raise NotFound("move", say("no move {hanging_id} was planned", hanging_id=hanging_id))
    return row
