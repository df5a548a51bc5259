"""The book of notices: what is due is written once, and what is written gets published."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from sqlmodel import Session, col, func, select

from service.clock import Clock
from service.shop.cards import InstrumentCard
from service.shop.notices import (
    Draft,
    WetCoat,
    check_due_notice,
    closing_notice,
    move_notice,
    opening_notice,
    ready_notice,
    silent_notice,
    stop_notice,
    wood_notices,
)
from service.store import marks
from service.store.catalogue import Catalogue
from service.store.db import Database
from service.store.desk import Desk
from service.store.pieces import Piece, all_pieces, card_of, place_at
from service.store.tables import Notice, Place
from service.store.wood import EVERY

__all__ = ["NoticeBook"]

SAME_WINDOW = timedelta(hours=4)
"""A spray window told so lately is the same one still."""


class NoticeBook:
    """Looks at the shop and writes what is due.

    The unique key of a notice is its memory: a restart between looking and writing, or two
    lookers at once, still leave one notice for one occasion.
    """

    def __init__(self, db: Database, clock: Clock, catalogue: Catalogue, desk: Desk) -> None:
        self.db, self.clock, self.catalogue, self.desk = db, clock, catalogue, desk
        self._listening_since = clock.now()
        self._wood_at: datetime | None = None

    def look(self) -> list[Notice]:
        """Write every notice that is due and new; return the new ones."""
        with self.db.read() as session:
            drafts = self._due(session)
            known = set(
                session.exec(
                    select(Notice.key).where(col(Notice.key).in_([d.key for d in drafts]))
                ).all()
            )
        fresh = [draft for draft in drafts if draft.key not in known]
        if not fresh:
            return []
        with self.db.write() as session:
            now = self.clock.now()
            fresh = [draft for draft in fresh if not self._told_meanwhile(session, draft, now)]
            return _write(session, fresh, now)

    def unpublished(self, limit: int = 100) -> list[Notice]:
        """Notices that have not gone out yet, oldest first."""
        with self.db.read() as session:
            return list(
                session.exec(
                    select(Notice)
                    .where(col(Notice.published_at).is_(None))
                    .order_by(col(Notice.id))
                    .limit(limit)
                ).all()
            )

    def mark_published(self, notice_id: int) -> None:
        """Remember that a notice has gone out."""
        with self.db.write() as session:
            row = session.get(Notice, notice_id)
            if row is not None and row.published_at is None:
                row.published_at = self.clock.now()
                session.add(row)

    def _due(self, session: Session) -> list[Draft]:
        now = self.clock.now()
        stale = self.desk.facts.stale_after_s
        pieces = all_pieces(session)
        reckoning = self.desk.reckoning(session)
        cards = [card_of(session, piece, self.catalogue, now, reckoning) for piece in pieces]
        found = [ready_notice(card) for card in cards]
        found += [
            silent_notice(
                sensor, now=now, listening_since=self._listening_since, stale_after_s=stale
            )
            for sensor in self.desk.sensor_states(session)
        ]
        found += [closing_notice(card, now) for card in cards]
        found += [_move(session, card) for card in cards]
        found += [check_due_notice(s, now=now) for s in self.desk.check_states(session)]
        found += [stop_notice(wet) for wet in self._wet(pieces, cards, now)]
        found += self._openings(session, cards, now)
        found += self._wood(session, pieces, now)
        return [draft for draft in found if draft is not None]

    def _openings(
        self, session: Session, cards: Sequence[InstrumentCard], now: datetime
    ) -> list[Draft | None]:
        """Windows about to open for what the pieces need next, where they hang."""
        wanted = {
            (card.place_id, card.act.material_id)
            for card in cards
            if card.act.coat_number is not None
        }
        found: list[Draft | None] = []
        for place_id, material_id in sorted((p, m) for p, m in wanted if p and m):
            material = self.catalogue.materials.get(material_id)
            place = session.get(Place, place_id)
            if material is None or material.blend is None or place is None:
                continue
            check = self.desk.spray_check(place_id, material_id)
            if check.answer != "wait" or self._opened_lately(session, place_id, material_id, now):
                continue
            window = self.desk.windows(place_id, check).next
            found.append(opening_notice(place_id, place.name, material, window, now))
        return found

    def _told_meanwhile(self, session: Session, draft: Draft, now: datetime) -> bool:
        """Whether another looker has told of the same, though its key names another instant."""
        if draft.kind != "window-opening":
            return False
        material = str(draft.data["material"])
        return self._opened_lately(session, str(draft.place_id), material, now)

    def _opened_lately(
        self, session: Session, place_id: str, material_id: str, now: datetime
    ) -> bool:
        """Whether this window was told already: its beginning shifts a little with each reading."""
        told = session.exec(
            select(Notice.data)
            .where(col(Notice.kind) == "window-opening", col(Notice.place_id) == place_id)
            .where(col(Notice.at) > now - SAME_WINDOW)
        ).all()
        return any(data.get("material") == material_id for data in told)

    def _wood(self, session: Session, pieces: Sequence[Piece], now: datetime) -> list[Draft]:
        """Look after wood now and then: it is slow, and two weeks of air are read for it."""
        if self._wood_at is not None and now - self._wood_at < EVERY:
            return []
        self._wood_at = now
        found = []
        for place in self.desk.keeping_places(session, pieces):
            watched = self.desk.wood_in(session, place.id, pieces)
            told = session.exec(
                select(func.max(Notice.at))
                .where(col(Notice.place_id) == place.id)
                .where(col(Notice.kind) == f"wood-{watched.state}")
            ).one()
            # A late reading may shift when the air left the band; it is the same occasion still.
            if told is not None and watched.since is not None and watched.since <= told:
                watched = replace(watched, state="inside")
            found += wood_notices(place.id, place.name, watched, now)
        return found

    def _wet(
        self, pieces: Sequence[Piece], cards: Sequence[InstrumentCard], now: datetime
    ) -> list[WetCoat]:
        """Coats that have not reached their first mark, with the check of their place now."""
        wet = []
        for piece, card in zip(pieces, cards, strict=True):
            coat = piece.last_coat
            material = (
                self.catalogue.material_of(coat.material_id, coat.material_version)
                if coat
                else None
            )
            if coat is None or material is None or material.blend is None:
                continue
            place = place_at(piece, now)
            if not card.marks or card.marks[0].reached or place is None:
                continue
            check = self.desk.spray_check(
                place,
                coat.material_id,
                wet_um=coat.wet_um,
                retarder_pct=coat.retarder_pct,
                plate_mm=piece.row.plate_mm,
            )
            wet.append(
                WetCoat(
                    coat_id=int(coat.id or 0),
                    instrument_id=piece.id,
                    shop_number=piece.row.shop_number,
                    place_id=place,
                    at=coat.at,
                    check=check,
                )
            )
        return wet


def _move(session: Session, card: InstrumentCard) -> Draft | None:
    place = None if card.due_move is None else session.get(Place, card.due_move.place_id)
    return None if place is None else move_notice(card, place.name)


def _write(session: Session, drafts: Sequence[Draft], now: datetime) -> list[Notice]:
    insert = marks.insert(session)
    written: list[Notice] = []
    for draft in drafts:
        # A second looker may have written the same key since: then it is theirs.
        row_id = session.exec(
            insert(Notice)
            .values(
                key=draft.key,
                kind=draft.kind,
                at=now,
                text=draft.text,
                place_id=draft.place_id,
                instrument_id=draft.instrument_id,
                coat_id=draft.coat_id,
                data=draft.data,
            )
            .on_conflict_do_nothing()
            .returning(col(Notice.id))
        ).first()
        if row_id is not None:
            row = session.get(Notice, row_id[0])
            if row is not None:
                written.append(row)
    return written
