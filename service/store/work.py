"""What is done in the shop: each method is one use case and one transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import cast

from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.cards import NextAct
from service.shop.parts import PARTS, touches
from service.shop.said import say
from service.store import evidence, forecasts, verdict_marks
from service.store.answering import answer
from service.store.arrivals import ArrivalBook, arrivals_on
from service.store.arrivals import said_of as arrival_said
from service.store.catalogue import Catalogue
from service.store.cause_book import CauseBook
from service.store.comparing import Comparer
from service.store.db import Database
from service.store.desk import Desk
from service.store.errors import BadInput, Conflict, NotFound
from service.store.fields import instant, one_of, text, within
from service.store.flaw_book import FlawBook, flaws_on
from service.store.forecasts import NewForecast
from service.store.leaving import Leaving
from service.store.move_book import MoveBook
from service.store.pieces import Piece, card_of, load_piece, place_at, schedule_of
from service.store.place_book import PlaceBook
from service.store.recipes import RecipeBook
from service.store.tables import (
    Coat,
    ColdArrival,
    Flaw,
    Hanging,
    Instrument,
    Notice,
    Place,
    StepDone,
    Verdict,
)
from service.store.verdicts import VerdictBook, said_of, verdicts_on

__all__ = ["BUILDS", "USUAL_PASSES", "Work"]

Record = Coat | StepDone | Hanging | Verdict | ColdArrival | Flaw
RECORDS: dict[str, type[Record]] = {
    "coat": Coat,
    "step": StepDone,
    "hung": Hanging,
    "verdict": Verdict,
    "cold": ColdArrival,
    "flaw": Flaw,
}

PLAN_AHEAD = timedelta(days=30)
"""How far ahead a move may be planned."""

USUAL_PASSES = 2
"""A material's usual wet film is laid by two crossing passes (assumed)."""

BUILDS = {"light": 0.7, "usual": 1.0, "heavy": 1.4}
"""How heavy a coat went on, against the usual wet film (assumed)."""


class Work:
    """Writes to the shop's record; every method commits once or not at all."""

    def __init__(self, db: Database, clock: Clock, catalogue: Catalogue, desk: Desk) -> None:
        self.db, self.clock, self.catalogue, self.desk = db, clock, catalogue, desk
        self.places = PlaceBook(db, clock)
        self.recipes = RecipeBook(db, clock, catalogue)
        self.verdicts = VerdictBook(db, clock, catalogue)
        self.arrivals = ArrivalBook(db, clock)
        self.moves = MoveBook(db, clock)
        self.leaving = Leaving(db, clock)
        self.flaws = FlawBook(db, clock, catalogue, desk.facts.pressure_pa)
        self.causes = CauseBook(db, clock)
        self.comparer = Comparer(db, clock, catalogue, self.flaws.gathering)

    # -- forecasts -------------------------------------------------------------------------

    def keep_forecast(self, given: NewForecast) -> tuple[datetime, int]:
        """Keep a forecast of the air outdoors: when issued, and how many hours of it were new.

        Raises BadInput.
        """
        now = self.clock.now()
        with self.db.write() as session:
            return given.issued_at or now, forecasts.keep(session, given, now)

    # -- places and instruments ------------------------------------------------------------

    def add_place(
        self,
        place_id: str,
        name: str | None = None,
        kind: str = "booth",
        volume_m3: float | None = None,
        air_changes_h: float | None = None,
    ) -> Place:
        """Make a place; raises BadInput or Conflict."""
        return self.places.add(place_id, name, kind, volume_m3, air_changes_h)

    def add_instrument(
        self,
        *,
        shop_number: str,
        kind: str,
        schedule_id: str,
        woods: str = "",
        plate_mm: float = 3.0,
        place_id: str | None = None,
        at: datetime | None = None,
        parts: Sequence[str] = (),
        gone_at: datetime | None = None,
    ) -> Instrument:
        """Take a piece of work in, and hang it where ``place_id`` is given.

        ``parts`` are those that will be masked and coated by themselves; none: coated as one. With
        ``gone_at`` it is one that has left the shop again, entered afterwards.
        """
        if schedule_id not in self.catalogue.schedules:
            known = ", ".join(sorted(self.catalogue.schedules))
            raise BadInput(
                "schedule",
                say(
                    "unknown schedule {schedule_id!r}; known: {known}",
                    schedule_id=schedule_id,
                    known=known,
                ),
            )
        within("plate_mm", plate_mm, 1.0, 100.0, "mm")
        number = text("shop_number", shop_number, 32, required=True)
        when = self._when("at", at)
        gone = None if gone_at is None else self._when("gone_at", gone_at)
        if gone is not None and gone < when:
            raise BadInput("gone_at", "lies before it came")
        with self.db.write() as session:
            taken = session.exec(
                select(Instrument.id).where(col(Instrument.shop_number) == number)
            ).first()
            if taken is not None:
                raise Conflict("shop_number", say("shop number {number} is taken", number=number))
            row = Instrument(
                shop_number=number,
                kind=text("kind", kind, 80, required=True),
                woods=text("woods", woods, 120),
                plate_mm=plate_mm,
                schedule_id=schedule_id,
                schedule_version=self.catalogue.current.get(("schedule", schedule_id)),
                parts=_parts(parts, PARTS),
                made_at=when,
                closed_at=gone,
            )
            session.add(row)
            session.flush()
            if place_id is not None:
                _hang(session, int(row.id or 0), place_id, when)
        return row

    def hang(self, instrument_id: int, place_id: str, at: datetime | None = None) -> Hanging:
        """Move an instrument to a place; from an instant ahead on the move is planned.

        A planned move counts as made when its time has come, and can be taken back before and
        after. Raises NotFound, BadInput, and Conflict where it hangs nowhere yet.
        """
        now = self.clock.now()
        when = instant("at", at, now, ahead=PLAN_AHEAD)
        with self.db.write() as session:
            piece = load_piece(session, instrument_id)
            if when > now and not piece.hangings:
                raise Conflict("at", say("hang it somewhere first: it hangs nowhere until then"))
            row = _hang(session, instrument_id, place_id, when)
            row.planned_at = when if when > now else None
            session.add(row)
        return row

    # -- coats and steps -------------------------------------------------------------------

    def record_coat(
        self,
        instrument_id: int,
        *,
        material_id: str | None = None,
        wet_um: float | None = None,
        passes: int | None = None,
        retarder_pct: float = 0.0,
        place_id: str | None = None,
        at: datetime | None = None,
        who: str = "",
        note: str = "",
        parts: Sequence[str] = (),
        build: str = "",
        distance_cm: float | None = None,
        batch: str = "",
    ) -> Coat:
        """Record a coat as it was done.

        Without ``material_id`` it is the open step's. The thickness is ``wet_um``, or the
        material's usual film scaled by ``passes`` and by how heavy it went on. A ``place_id`` other
        than where the piece hangs moves it there. Without ``parts`` it went on those that were due.
        """
        when = self._when("at", at)
        if passes is not None and not 1 <= passes <= 20:
            raise BadInput("passes", say("{passes} is outside 1 to 20", passes=passes))
        if build:
            one_of("build", build, BUILDS)
        if distance_cm is not None:
            within("distance_cm", distance_cm, 5.0, 100.0, "cm")
        with self.db.write() as session:
            piece = load_piece(session, instrument_id)
            went_on, act = self._open(session, piece, parts, when)
            material = self.desk.material(self._material_id(material_id, act))
            if wet_um is None:
                heavier = (passes or USUAL_PASSES) / USUAL_PASSES * BUILDS[build or "usual"]
                wet_um = material.usual_wet_um * heavier
            coating = self.desk.coating(material, wet_um, retarder_pct, piece.row.plate_mm)
            where = self._place_for(session, piece, place_id, when)
            row = Coat(
                instrument_id=piece.id,
                step_key=self._step_for(piece, act, material.id),
                material_id=material.id,
                at=when,
                wet_um=coating.wet_um,
                passes=passes,
                retarder_pct=retarder_pct,
                place_id=where,
                who=text("who", who, 80),
                note=text("note", note, 2000),
                air=evidence.air_at(
                    session, where, when, material, coating, self.desk.facts.pressure_pa
                ),
                made_at=self.clock.now(),
                material_version=self.catalogue.current.get(("material", material.id)),
                parts=went_on,
                build=build,
                distance_cm=distance_cm,
                batch=text("batch", batch, 80),
            )
            session.add(row)
            session.flush()
            verdict_marks.mark_piece(session, piece.id)
        return row

    def finish_step(
        self,
        instrument_id: int,
        step_key: str | None = None,
        at: datetime | None = None,
        who: str = "",
        note: str = "",
        parts: Sequence[str] = (),
        removed_um: float | None = None,
    ) -> StepDone:
        """Record a step as finished; without ``step_key`` it is the open one.

        Without ``parts`` it was done on those that were due. ``removed_um`` is the film that was
        taken off, where the finisher knows.
        """
        when = self._when("at", at)
        if removed_um is not None:
            within("removed_um", removed_um, 0.0, 1000.0, "µm")
        with self.db.write() as session:
            piece = load_piece(session, instrument_id)
            done_on, act = self._open(session, piece, parts, when)
            key = step_key or act.step_key
            schedule = schedule_of(piece, self.catalogue)
            if key is None:
                raise Conflict("step", say("the schedule is through: no step is open"))
            if schedule is None or schedule.step(key) is None:
                raise BadInput(
                    "step",
                    say(
                        "schedule {schedule_id} has no step {key!r}",
                        schedule_id=piece.row.schedule_id,
                        key=key,
                    ),
                )
            if any(s.step_key == key and touches(s.parts, done_on) for s in piece.steps):
                raise Conflict("step", say("{key} is already recorded as finished", key=key))
            row = StepDone(
                instrument_id=piece.id,
                step_key=key,
                at=when,
                who=text("who", who, 80),
                note=text("note", note, 2000),
                made_at=self.clock.now(),
                parts=done_on,
                removed_um=removed_um,
            )
            session.add(row)
            session.flush()
        return row

    def undo(self, kind: str, row_id: int) -> None:
        """Take something recorded back by kind and number; it stays in the record, marked.

        ``moved`` takes back only that a planned move was made: it is planned again.
        """
        if kind == "moved":
            self.moves.withdraw(row_id)
            return
        one_of("kind", kind, (*RECORDS, "moved"))
        with self.db.write() as session:
            row = cast("Record | None", session.get(RECORDS[kind], row_id))
            if row is None:
                raise NotFound(kind, say("there is no {kind} {row_id}", kind=kind, row_id=row_id))
            if row.undone_at is not None:
                raise Conflict(
                    kind, say("{kind} {row_id} is already undone", kind=kind, row_id=row_id)
                )
            row.undone_at = self.clock.now()
            session.add(row)
            if isinstance(row, Coat | Hanging):
                verdict_marks.mark_piece(session, row.instrument_id)

    def undo_last(self, instrument_id: int) -> str:
        """Take back the last thing recorded on an instrument and say what it was."""
        with self.db.write() as session:
            piece = load_piece(session, instrument_id)
            # The first hanging is how the piece came in, not an act to take back.
            acts: list[tuple[datetime, int, str, Record]] = [
                *((c.made_at, int(c.id or 0), f"{c.step_key}: coat", c) for c in piece.coats),
                *((s.made_at, int(s.id or 0), f"{s.step_key}: done", s) for s in piece.steps),
                *(
                    (h.from_at, int(h.id or 0), f"hung in {h.place_id}", h)
                    for h in piece.hangings[1:]
                    if h.from_at <= self.clock.now()  # a plan is no act
                ),
                *(
                    (v.made_at, int(v.id or 0), said_of(v), v)
                    for v in verdicts_on(session, piece.coats)
                ),
                *(
                    (a.at, int(a.id or 0), arrival_said(a), a)
                    for a in arrivals_on(session, piece.id)
                ),
                *(
                    (f.made_at, int(f.id or 0), f"flaw: {f.kind}", f)
                    for f in flaws_on(session, [piece.id])
                ),
            ]
            if not acts:
                raise Conflict("instrument", say("nothing is left to undo"))
            _, _, said, row = max(acts, key=lambda act: act[:2])
            row.undone_at = self.clock.now()
            session.add(row)
            verdict_marks.mark_piece(session, piece.id)
            return said

    # -- notices ---------------------------------------------------------------------------

    def see_notice(self, notice_id: int) -> None:
        """Mark a notice as seen, so that nobody else is asked; twice changes nothing."""
        with self.db.write() as session:
            if session.get(Notice, notice_id) is None:
                raise NotFound("notice", say("there is no notice {notice_id}", notice_id=notice_id))
            answer(session, [notice_id], self.clock.now())

    # -- what the use cases share ----------------------------------------------------------

    def _when(self, field: str, at: datetime | None) -> datetime:
        return instant(field, at, self.clock.now())

    def _open(
        self, session: Session, piece: Piece, parts: Sequence[str], when: datetime
    ) -> tuple[list[str], NextAct]:
        """Return the parts that something is recorded on, and what is open on them."""
        named = _parts(parts, piece.row.parts or PARTS)
        reckoning = self.desk.reckoning(session)
        card = card_of(session, piece, self.catalogue, when, reckoning)
        if not card.parts:
            return named, card.act
        if not named:
            return [part.part for part in card.parts if part.due], card.act
        row = piece.row.model_copy(update={"parts": named})
        named_only = replace(piece, row=row)
        return named, card_of(session, named_only, self.catalogue, when, reckoning).act

    def _material_id(self, given: str | None, act: NextAct) -> str:
        if given is not None:
            return given
        if act.material_id is None:
            raise BadInput(
                "material",
                say("the open step ({step_name}) takes no coat: name one", step_name=act.step_name),
            )
        return act.material_id

    def _step_for(self, piece: Piece, act: NextAct, material_id: str) -> str:
        """Put a coat under the open step if it is that step's material, else where it fits."""
        if act.material_id == material_id and act.step_key is not None:
            return act.step_key
        schedule = schedule_of(piece, self.catalogue)
        steps = [] if schedule is None else [s for s in schedule.steps if s.material]
        fitting = [s.key for s in steps if s.material == material_id]
        return fitting[-1] if fitting else (act.step_key or "extra")

    def _place_for(
        self, session: Session, piece: Piece, place_id: str | None, when: datetime
    ) -> str:
        here = place_at(piece, when)
        if place_id is None:
            if here is None:
                raise BadInput("place", say("say where: the instrument hangs in no place yet"))
            return here
        if place_id != here:
            _hang(session, piece.id, place_id, when)
        return place_id


def _parts(named: Sequence[str], known: Sequence[str]) -> list[str]:
    """Return parts in the order they are known in, each once."""
    for part in named:
        one_of("parts", part, known)
    return [part for part in known if part in named]


def _hang(session: Session, instrument_id: int, place_id: str, when: datetime) -> Hanging:
    if session.get(Place, place_id) is None:
        raise BadInput("place", say("there is no place {name!r}", name=place_id))
    row = Hanging(instrument_id=instrument_id, place_id=place_id, from_at=when)
    session.add(row)
    session.flush()
    verdict_marks.mark_piece(session, instrument_id)
    return row
