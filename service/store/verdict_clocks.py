"""How far a coat's clock had run at each verdict: derived from the record, and reckoned anew.

It follows from the coat, the coats under it, where the piece hung, and the readings with their
corrections; by the book, so that no verdict depends on what others taught. Whatever changes one of
these marks the verdict (``verdict_marks``).
"""

from __future__ import annotations

import math
from datetime import datetime

from sqlmodel import Session, col, select

from service.store import horizon, verdict_marks
from service.store.catalogue import Catalogue
from service.store.db import Database
from service.store.pieces import Piece, load_piece, marks_of
from service.store.readings import sensors_of
from service.store.reckoning import BY_THE_BOOK
from service.store.tables import Coat, Unsettled, Verdict
from service.store.types import to_millis

__all__ = ["catch_up", "clock_of", "differences"]

AT_ONCE = 5
"""Clocks reckoned in one transaction, so that intake never waits long for its turn."""


def clock_of(
    session: Session, piece: Piece, catalogue: Catalogue, coat: Coat, when: datetime
) -> tuple[float, float]:
    """Reference hours of a coat by an instant, and hours of its wait without readings."""
    of_coat = piece.of(coat.parts)
    first = marks_of(session, of_coat, catalogue, when, coat, reckoning=BY_THE_BOOK)[0]
    if first.ready_at is None and first.elapsed_h == 0.0:  # no air at all
        return 0.0, (when - coat.at).total_seconds() / 3600.0
    return first.elapsed_h, first.gap_h


def catch_up(db: Database, catalogue: Catalogue) -> int:
    """Reckon what is marked; returns how many clocks came out different."""
    changed = 0
    with db.read() as session:
        waiting = bool(verdict_marks.due(session))
    while waiting:
        with db.write() as session:
            ids = verdict_marks.due(session)
            waiting = len(ids) > AT_ONCE
            changed += sum(_renew(session, catalogue, i) is not None for i in ids[:AT_ONCE])
            verdict_marks.clear(session, ids[:AT_ONCE])
    return changed


Change = tuple[Verdict, float, float]
"""A verdict and its hours as they were and as they are."""


def differences(db: Database, catalogue: Catalogue, *, check: bool) -> list[Change]:
    """Reckon every clock that is not marked anew, and return those that came out different.

    With ``check`` they are left as they are.
    """
    with db.read() as session:
        ids = session.exec(select(Verdict.id).where(col(Verdict.undone_at).is_(None))).all()
    found: list[Change] = []
    for first in range(0, len(ids), AT_ONCE):
        with db.read() if check else db.write() as session:
            unsettled = session.exec(select(Unsettled.hour)).all()
            marked = set(verdict_marks.due(session))
            marked |= verdict_marks.touching(session, [to_millis(hour) for hour in unsettled])
            for verdict_id in ids[first : first + AT_ONCE]:
                if verdict_id is None or verdict_id in marked:
                    continue
                change = _renew(session, catalogue, verdict_id, check=check)
                if change is not None:
                    found.append(change)
    return found


def _renew(
    session: Session, catalogue: Catalogue, verdict_id: int, *, check: bool = False
) -> Change | None:
    verdict = session.get(Verdict, verdict_id)
    coat = None if verdict is None else session.get(Coat, verdict.coat_id)
    if verdict is None or coat is None or verdict.undone_at or coat.undone_at:
        return None
    piece = load_piece(session, coat.instrument_id)
    if catalogue.material_of(coat.material_id, coat.material_version) is None:
        return None
    if _thinned(session, piece, coat, verdict.at):
        return None  # it was reckoned from readings that are no longer all there
    hours, gap_h = clock_of(session, piece, catalogue, coat, verdict.at)
    was = verdict.hours
    if math.isclose(was, hours, rel_tol=1e-9) and math.isclose(verdict.gap_h, gap_h, abs_tol=1e-9):
        return None
    if not check:
        verdict.hours, verdict.gap_h = hours, gap_h
        session.add(verdict)
    return verdict, was, hours


def _thinned(session: Session, piece: Piece, coat: Coat, until: datetime) -> bool:
    begun, ended = to_millis(coat.at - verdict_marks.REACH), to_millis(until)
    places = {hanging.place_id for hanging in piece.hangings}
    return any(
        horizon.thinned(session, sensors_of(session, place), begun, ended + 1) for place in places
    )
