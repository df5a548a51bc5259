"""What finishers found of their coats by touch, and what a material's time scale learns from it.

How far the coat's clock had run (``verdict_clocks``) is reckoned by the book: so no verdict depends
on what others taught, and taking one back leaves no trace of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.learning import (
    READY_BY,
    SAID,
    MarkScale,
    Observation,
    Posterior,
    Prior,
    mark_for,
    mark_scales,
    steps,
    too_many_holes,
    update,
)
from service.shop.materials import Material
from service.shop.said import say
from service.store import verdict_clocks
from service.store.catalogue import Catalogue
from service.store.db import Database
from service.store.errors import BadInput, NotFound
from service.store.fields import instant, one_of, text
from service.store.memo import kept
from service.store.pieces import Piece, card_of, load_piece
from service.store.reckoning import Reckoning
from service.store.tables import Coat, Instrument, Verdict

__all__ = ["Learning", "Told", "VerdictBook", "reckoning_of", "said_of", "verdicts_on"]


@dataclass(frozen=True)
class Told:
    """A standing verdict, and what was known after it.

    ``waited_h`` is the real time from coat to verdict, ``hours`` what the coat's clock made of it.
    ``left_out`` says why nothing is learned from it; empty where something is.
    """

    id: int
    coat_id: int
    instrument_id: int
    shop_number: str
    mark: str
    said: str
    ready: bool
    at: datetime
    hours: float
    waited_h: float
    gap_h: float
    who: str
    left_out: str
    after: Posterior


@dataclass(frozen=True)
class Learning:
    """A material's time scale in this shop: from where it began, each verdict, where it stands."""

    material: Material
    prior: Prior
    before: Posterior
    told: tuple[Told, ...]
    after: Posterior
    marks: tuple[MarkScale, ...]
    """What the ready times are reckoned with, soonest mark first."""


_Row = tuple[Verdict, Coat, Instrument]


class VerdictBook:
    """Takes verdicts in, and says what follows from those that stand."""

    def __init__(self, db: Database, clock: Clock, catalogue: Catalogue) -> None:
        self.db, self.clock, self.catalogue = db, clock, catalogue

    def record(
        self,
        instrument_id: int,
        said: str,
        *,
        mark: str | None = None,
        at: datetime | None = None,
        who: str = "",
        coat_id: int | None = None,
    ) -> Verdict:
        """Keep a verdict on a coat, by default the last that was on by then.

        Without ``mark`` it is about the mark that the piece waits for, or the nearest that the word
        can be about. Raises NotFound and BadInput.
        """
        one_of("said", said, READY_BY)
        now = self.clock.now()
        when = instant("at", at, now)
        with self.db.write() as session:
            piece = load_piece(session, instrument_id)
            coat = _coat(piece, coat_id, when)
            material = self.catalogue.material_of(coat.material_id, coat.material_version)
            if material is None:
                raise BadInput(
                    "coat",
                    say(
                        "nothing is known of its material {material_id!r}",
                        material_id=coat.material_id,
                    ),
                )
            hours, gap_h = verdict_clocks.clock_of(session, piece, self.catalogue, coat, when)
            if mark is None:
                waited = _waited(session, piece, self.catalogue, coat, when)
                mark = mark_for(said, hours, material.marks, waited)
            known = ", ".join(material.marks)
            if mark is None:
                raise BadInput(
                    "mark", say("say which: {name} has {known}", name=material.name, known=known)
                )
            if mark not in material.marks:
                raise BadInput(
                    "mark",
                    say(
                        "{name} has no mark {mark!r}, but {known}",
                        name=material.name,
                        mark=mark,
                        known=known,
                    ),
                )
            row = Verdict(
                coat_id=int(coat.id or 0),
                material_id=material.id,
                mark=mark,
                said=said,
                at=when,
                hours=hours,
                gap_h=gap_h,
                who=text("who", who, 80),
                made_at=now,
            )
            session.add(row)
            session.flush()
        return row

    def catch_up(self) -> int:
        """Reckon anew the clocks behind which something has changed; returns how many differ.

        A sensor that was out of reach sends later what it measured meanwhile; a correction, a coat
        or a move may be entered or taken back after the tap.
        """
        return verdict_clocks.catch_up(self.db, self.catalogue)

    def learning(self, material_id: str) -> Learning:
        """Say what a material's time scale has learned, verdict by verdict; raises NotFound."""
        material = self.catalogue.materials.get(material_id)
        if material is None:
            raise NotFound("material", say("there is no material {name!r}", name=material_id))
        prior = Prior.of(material)
        with self.db.read() as session:
            rows = _standing(session, material_id)
        counted = [row for row in rows if not _left_out(row, material)]
        observed = [_observation(row) for row in counted]
        ids = (verdict.id for verdict, _, _ in counted)
        after = dict(zip(ids, steps(prior, observed), strict=True))
        before = update(prior, ())
        told, latest = [], before
        for row in rows:
            latest = after.get(row[0].id, latest)
            told.append(_told(row, _left_out(row, material), latest))
        marks = mark_scales(prior, observed)
        return Learning(material, prior, before, tuple(told), latest, marks)


def reckoning_of(session: Session) -> Reckoning:
    """Read what every material's verdicts have to say for the ready times."""
    return kept(session, "reckoning", lambda: _reckoning(session))


def _reckoning(session: Session) -> Reckoning:
    observed: dict[str, list[Observation]] = defaultdict(list)
    not_yet: dict[int, dict[str, float]] = defaultdict(dict)
    for row in _standing(session):
        seen = _observation(row)
        if not _holes(row):
            observed[row[0].material_id].append(seen)
        if seen.ready:
            not_yet[seen.coat].pop(seen.mark, None)
        else:
            not_yet[seen.coat][seen.mark] = seen.hours
    return Reckoning({material: tuple(rows) for material, rows in observed.items()}, not_yet)


def said_of(verdict: Verdict) -> str:
    """Say a verdict in words, with the mark it is about."""
    return say("{said} ({mark})", said=SAID[verdict.said], mark=verdict.mark.replace("_", " "))


def verdicts_on(
    session: Session, coats: Iterable[Coat], *, undone: bool = False
) -> Sequence[Verdict]:
    """Read the verdicts on some coats, oldest first; with ``undone`` those taken back too."""
    query = select(Verdict).where(col(Verdict.coat_id).in_([coat.id for coat in coats]))
    if not undone:
        query = query.where(col(Verdict.undone_at).is_(None))
    return session.exec(query.order_by(col(Verdict.at), col(Verdict.id))).all()


def _standing(session: Session, material_id: str | None = None) -> Sequence[_Row]:
    """Read verdicts that stand on coats that stand, oldest first."""
    query = (
        select(Verdict, Coat, Instrument)
        .join(Coat, col(Coat.id) == col(Verdict.coat_id))
        .join(Instrument, col(Instrument.id) == col(Coat.instrument_id))
        .where(col(Verdict.undone_at).is_(None), col(Coat.undone_at).is_(None))
        .order_by(col(Verdict.at), col(Verdict.id))
    )
    if material_id is not None:
        query = query.where(col(Verdict.material_id) == material_id)
    return session.exec(query).all()


def _coat(piece: Piece, coat_id: int | None, when: datetime) -> Coat:
    if coat_id is None:
        on = [coat for coat in piece.coats if coat.at <= when]
        if not on:
            raise BadInput("coat", say("no coat was on by then"))
        return on[-1]
    found = next((coat for coat in piece.coats if coat.id == coat_id), None)
    if found is None:
        raise BadInput("coat", say("coat {coat_id} is not on this instrument", coat_id=coat_id))
    if found.at > when:
        raise BadInput("at", say("coat {coat_id} went on after that", coat_id=coat_id))
    return found


def _waited(
    session: Session, piece: Piece, catalogue: Catalogue, coat: Coat, when: datetime
) -> str | None:
    """Mark that the piece waits for, if it is one of this coat's."""
    card = card_of(session, piece, catalogue, when, reckoning_of(session))
    if card.last_coat_id != coat.id or card.act.wait is None:
        return None
    return card.act.wait.mark


def _observation(row: _Row) -> Observation:
    verdict, coat, _ = row
    return Observation(
        coat=verdict.coat_id,
        mark=verdict.mark,
        hours=verdict.hours,
        ready=READY_BY[verdict.said],
        piece=coat.instrument_id,
    )


def _holes(row: _Row) -> bool:
    verdict, coat, _ = row
    return too_many_holes(verdict.gap_h, _waited_h(verdict, coat))


def _waited_h(verdict: Verdict, coat: Coat) -> float:
    return (verdict.at - coat.at).total_seconds() / 3600.0


def _left_out(row: _Row, material: Material) -> str:
    if row[0].mark not in material.marks:
        return say("the material no longer has a mark {mark!r}", mark=row[0].mark)
    if _holes(row):
        return say("no readings for {hours:.1f} h of the wait", hours=row[0].gap_h)
    return ""


def _told(row: _Row, left_out: str, after: Posterior) -> Told:
    verdict, coat, instrument = row
    return Told(
        id=int(verdict.id or 0),
        coat_id=verdict.coat_id,
        instrument_id=coat.instrument_id,
        shop_number=instrument.shop_number,
        mark=verdict.mark,
        said=verdict.said,
        ready=READY_BY[verdict.said],
        at=verdict.at,
        hours=verdict.hours,
        waited_h=_waited_h(verdict, coat),
        gap_h=verdict.gap_h,
        who=verdict.who,
        left_out=left_out,
        after=after,
    )
