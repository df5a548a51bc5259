"""Flaws: logged, put right, taken back, looked for; and the evidence behind each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.evidence.digest import Digest
from service.shop.evidence.model import AirAt, Evidence
from service.shop.evidence.rows import Rows
from service.shop.evidence.then import Difference, differences, plain
from service.shop.flaws import SEVERITY_MAX, SEVERITY_MIN
from service.shop.said import say
from service.store.catalogue import Catalogue
from service.store.db import Database
from service.store.errors import BadInput, NotFound
from service.store.fields import instant, one_of, text
from service.store.flaw_digest import digest_behind
from service.store.flaw_evidence import Gathering, coats_under
from service.store.flaw_film import film_reckoner
from service.store.pieces import Piece, load_piece
from service.store.tables import Flaw
from service.store.types import from_millis, to_millis

__all__ = ["UNCHANGED", "Behind", "FlawBook", "FlawQuery", "Unchanged", "flaws_on"]


class Unchanged:
    """Stands for a field that is left as it is, where None means something."""


UNCHANGED = Unchanged()


@dataclass(frozen=True)
class Behind:
    """The evidence behind a flaw now, what is different from when it was logged, and its digest."""

    evidence: Evidence
    changed: tuple[Difference, ...]
    digest: Digest
    digest_then: str | None
    """Digest when it was logged; None where none was kept."""


@dataclass(frozen=True)
class FlawQuery:
    """What flaws are looked for by; None: any.

    Attributes
    ----------
    month
        Of the day on which it was seen, in the shop's zone: first instant, and that of the next.
    batch, material
        Of a coat under it (of the coat named, where one is).
    rh_from_pct, rh_to_pct, air_from_c, air_to_c
        Air in which such a coat went on, both ends included, as the record has it now.
    """

    instrument_id: int | None = None
    kind: str | None = None
    batch: str | None = None
    material_id: str | None = None
    month: tuple[datetime, datetime] | None = None
    rh_from_pct: float | None = None
    rh_to_pct: float | None = None
    air_from_c: float | None = None
    air_to_c: float | None = None

    @property
    def asks_of_coats(self) -> bool:
        """Whether coats must be looked at."""
        return self.batch is not None or self.material_id is not None or self.asks_of_air

    @property
    def asks_of_air(self) -> bool:
        """Whether their air must be looked at."""
        ends = (self.rh_from_pct, self.rh_to_pct, self.air_from_c, self.air_to_c)
        return any(end is not None for end in ends)


class FlawBook:
    """Takes flaws in; every method commits once or not at all."""

    def __init__(
        self, db: Database, clock: Clock, catalogue: Catalogue, pressure_pa: float
    ) -> None:
        self.db, self.clock, self.catalogue = db, clock, catalogue
        self._pressure_pa = pressure_pa
        self._reckon_films = film_reckoner()

    # -- writing ---------------------------------------------------------------------------

    def log(
        self,
        instrument_id: int,
        *,
        kind: str,
        part: str = "",
        severity: int = 2,
        seen_at: datetime | None = None,
        note: str = "",
        coat_id: int | None = None,
        who: str = "",
    ) -> Flaw:
        """Log a flaw, and keep with it what the record shows behind it now.

        Without ``coat_id`` a kind that lies in the newest coat is put down to that; others to none.
        Raises BadInput and NotFound.
        """
        one_of("kind", kind, self.catalogue.flaw_kinds)
        now = _kept(self.clock.now())
        when = _kept(instant("seen_at", seen_at, now))
        with self.db.write() as session:
            piece = load_piece(session, instrument_id)
            row = Flaw(
                instrument_id=piece.id,
                kind=kind,
                part=text("part", part, 32),
                severity=_severity(severity),
                seen_at=when,
                note=text("note", note, 2000),
                who=text("who", who, 80),
                coat_id=_coat(piece, coat_id),
                made_at=now,
            )
            if coat_id is None and self.catalogue.flaw_kinds[kind].newest_coat:
                under = coats_under(piece, row)
                row.coat_id = under[-1].id if under else None
            session.add(row)
            session.flush()
            row.evidence = self._to_keep(session, row)
            session.add(row)
        return row

    def change(
        self,
        flaw_id: int,
        *,
        kind: str | None = None,
        part: str | None = None,
        severity: int | None = None,
        seen_at: datetime | None = None,
        note: str | None = None,
        who: str | None = None,
        coat_id: int | Unchanged | None = UNCHANGED,
    ) -> Flaw:
        """Put details of a flaw right; what is not given stays. What was kept with it stays too.

        Raises BadInput and NotFound.
        """
        with self.db.write() as session:
            row = _row(session, flaw_id)
            if kind is not None:
                row.kind = one_of("kind", kind, self.catalogue.flaw_kinds)
            if part is not None:
                row.part = text("part", part, 32)
            if severity is not None:
                row.severity = _severity(severity)
            if seen_at is not None:
                row.seen_at = _kept(instant("seen_at", seen_at, self.clock.now()))
            if note is not None:
                row.note = text("note", note, 2000)
            if who is not None:
                row.who = text("who", who, 80)
            if not isinstance(coat_id, Unchanged):
                row.coat_id = _coat(load_piece(session, row.instrument_id), coat_id)
            session.add(row)
        return row

    # -- reading ---------------------------------------------------------------------------

    def flaw(self, flaw_id: int) -> Flaw:
        """One flaw; raises NotFound."""
        with self.db.read() as session:
            return _row(session, flaw_id)

    def find(self, query: FlawQuery) -> list[Flaw]:
        """Flaws that stand and fit, newest first."""
        asked = (
            select(Flaw)
            .where(col(Flaw.undone_at).is_(None))
            .order_by(col(Flaw.seen_at).desc(), col(Flaw.id).desc())
        )
        if query.instrument_id is not None:
            asked = asked.where(col(Flaw.instrument_id) == query.instrument_id)
        if query.kind is not None:
            asked = asked.where(col(Flaw.kind) == query.kind)
        if query.month is not None:
            begins, ends = query.month
            asked = asked.where(col(Flaw.seen_at) >= begins, col(Flaw.seen_at) < ends)
        with self.db.read() as session:
            rows = session.exec(asked).all()
            if not query.asks_of_coats:
                return list(rows)
            return [row for row in rows if self._fits(session, row, query)]

    def _fits(self, session: Session, row: Flaw, query: FlawQuery) -> bool:
        gathering = self.gathering(session, row)
        coats = [c for c in gathering.coats if c.id == row.coat_id] or gathering.coats
        return any(
            query.batch in {None, coat.batch}
            and query.material_id in {None, coat.material_id}
            and (not query.asks_of_air or _air_fits(gathering.air_of(coat), query))
            for coat in coats
        )

    def evidence(self, flaw_id: int) -> Evidence:
        """What the record shows behind a flaw now; raises NotFound."""
        with self.db.read() as session:
            return self.gathering(session, _row(session, flaw_id)).evidence()

    def behind(self, flaw_id: int) -> Behind:
        """Evidence of a flaw now, what has changed since it was logged, and its digest."""
        with self.db.read() as session:
            row = _row(session, flaw_id)
            evidence = self.gathering(session, row).evidence()
            return Behind(
                evidence,
                differences(row.evidence, evidence),
                digest_behind(session, row),
                row.evidence.get("digest"),
            )

    def course(self, flaw_id: int, from_at: datetime, until_at: datetime, points: int) -> Rows:
        """Air that the piece hung in between two instants, for a figure.

        In rows of a usual length, at most about ``points`` of them. Raises NotFound.
        """
        with self.db.read() as session:
            return self.gathering(session, _row(session, flaw_id)).course(from_at, until_at, points)

    def digest(self, flaw_id: int) -> Digest:
        """Digest of the readings and coats that a flaw's evidence rests on; raises NotFound."""
        with self.db.read() as session:
            return digest_behind(session, _row(session, flaw_id))

    # -- what they share -------------------------------------------------------------------

    def gathering(self, session: Session, row: Flaw) -> Gathering:
        """Return what gathers the evidence behind a flaw, kept or only asked about."""
        return Gathering(session, self.catalogue, row, self._reckon_films, self._pressure_pa)

    def _to_keep(self, session: Session, row: Flaw) -> dict[str, Any]:
        """Evidence as it is kept with a flaw: without the points of curves."""
        found: dict[str, Any] = plain(self.gathering(session, row).evidence())
        if found["wood"] is not None:
            found["wood"]["points"] = []
        return found | {"digest": digest_behind(session, row).sha256}


def flaws_on(session: Session, instrument_ids: Sequence[int]) -> Sequence[Flaw]:
    """Return the flaws of pieces that stand."""
    return session.exec(
        select(Flaw).where(
            col(Flaw.instrument_id).in_(instrument_ids), col(Flaw.undone_at).is_(None)
        )
    ).all()


def _air_fits(air: AirAt | None, query: FlawQuery) -> bool:
    if air is None:
        return False
    for value, low, high in (
        (air.rh_pct, query.rh_from_pct, query.rh_to_pct),
        (air.air_c, query.air_from_c, query.air_to_c),
    ):
        if (low is not None and value < low) or (high is not None and value > high):
            return False
    return True


def _kept(at: datetime) -> datetime:
    """Return an instant as the store keeps it, so that it is the same when it is read again."""
    return from_millis(to_millis(at))


def _row(session: Session, flaw_id: int) -> Flaw:
    row = session.get(Flaw, flaw_id)
    if row is None:
        raise NotFound("flaw", say("there is no flaw {flaw_id}", flaw_id=flaw_id))
    return row


def _coat(piece: Piece, coat_id: int | None) -> int | None:
    if coat_id is not None and coat_id not in {c.id for c in piece.coats}:
        raise BadInput("coat", say("coat {coat_id} is not on this instrument", coat_id=coat_id))
    return coat_id


def _severity(severity: int) -> int:
    if not SEVERITY_MIN <= severity <= SEVERITY_MAX:
        raise BadInput(
            "severity",
            say(
                "{severity} is outside {severity_min} (slight) to {severity_max} (strip it)",
                severity=severity,
                severity_min=SEVERITY_MIN,
                severity_max=SEVERITY_MAX,
            ),
        )
    return severity
