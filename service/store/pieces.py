"""Instruments as they stand: their coats, steps and hangings, and the air they hung in."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial

import numpy as np
from sqlmodel import Session, col, select

from service.science import drying
from service.shop.ahead import Ahead
from service.shop.cards import InstrumentCard, PartCard, PlannedMove
from service.shop.clock_run import ClockRun
from service.shop.film_left import Applied, FilmLeft, Handwork, film_left
from service.shop.moves import Moved, held
from service.shop.parts import WHOLE, PartState, due, overall, touches
from service.shop.projection import (
    NOTHING_SAID,
    AirCourse,
    Hole,
    ReadyTime,
    clock_at,
    holes_in,
    ready_times,
)
from service.shop.said import say
from service.shop.schedule import CoatDone, Schedule, Step, StepMark, position
from service.store import readings
from service.store.catalogue import Catalogue
from service.store.errors import NotFound
from service.store.means import Span
from service.store.memo import kept
from service.store.moves_due import due_move
from service.store.outlooks import PATHS
from service.store.reckoning import Reckoning
from service.store.tables import Coat, Hanging, Instrument, StepDone

__all__ = [
    "Piece",
    "all_pieces",
    "card_of",
    "course_of",
    "film_on",
    "load_piece",
    "marks_of",
    "place_at",
    "schedule_of",
    "states_of",
    "stays_of",
]

LOOK_BACK = timedelta(hours=1)
"""Readings from before a coat that may bridge its first minutes."""

SOFT_FOR = timedelta(days=7)
"""Coats older than this no longer soften under a new one enough to count (assumed)."""


@dataclass(frozen=True)
class Piece:
    """An instrument with everything recorded on it that stands, oldest first.

    Hangings that lie ahead are moves that are planned.
    """

    row: Instrument
    coats: tuple[Coat, ...]
    steps: tuple[StepDone, ...]
    hangings: tuple[Hanging, ...]

    @property
    def id(self) -> int:
        """The instrument's id."""
        return int(self.row.id or 0)

    @property
    def parts(self) -> tuple[str, ...]:
        """Its parts that are coated by themselves; the whole where it is coated as one."""
        return tuple(self.row.parts) or (WHOLE,)

    def of(self, parts: Sequence[str]) -> Piece:
        """Return the piece with only what was recorded on some of its parts."""
        return replace(
            self,
            coats=tuple(c for c in self.coats if touches(c.parts, parts)),
            steps=tuple(s for s in self.steps if touches(s.parts, parts)),
        )

    @property
    def last_coat(self) -> Coat | None:
        """The newest coat."""
        return self.coats[-1] if self.coats else None


def load_piece(session: Session, instrument_id: int) -> Piece:
    """Read one instrument with what stands on it; raises NotFound."""
    return kept(session, ("piece", instrument_id), lambda: _load_piece(session, instrument_id))


def _load_piece(session: Session, instrument_id: int) -> Piece:
    return _with_records(session, [instrument_row(session, instrument_id)])[0]


def instrument_row(session: Session, instrument_id: int) -> Instrument:
    """Read an instrument's own row; raises NotFound."""
    row = session.get(Instrument, instrument_id)
    if row is None:
        raise NotFound(
            "instrument", say("there is no instrument {instrument_id}", instrument_id=instrument_id)
        )
    return row


def all_pieces(session: Session) -> list[Piece]:
    """Read every instrument that is under way."""
    return list(kept(session, "pieces", lambda: _all_pieces(session)))


def _all_pieces(session: Session) -> list[Piece]:
    rows = session.exec(select(Instrument).where(col(Instrument.closed_at).is_(None))).all()
    return _with_records(session, rows)


def _with_records(session: Session, rows: Sequence[Instrument]) -> list[Piece]:
    ids = [row.id for row in rows]
    coats = session.exec(
        select(Coat)
        .where(col(Coat.instrument_id).in_(ids), col(Coat.undone_at).is_(None))
        .order_by(col(Coat.at), col(Coat.id))
    ).all()
    steps = session.exec(
        select(StepDone)
        .where(col(StepDone.instrument_id).in_(ids), col(StepDone.undone_at).is_(None))
        .order_by(col(StepDone.at), col(StepDone.id))
    ).all()
    hangings = session.exec(
        select(Hanging)
        .where(col(Hanging.instrument_id).in_(ids), col(Hanging.undone_at).is_(None))
        .order_by(col(Hanging.from_at), col(Hanging.id))
    ).all()
    return [
        Piece(
            row,
            tuple(c for c in coats if c.instrument_id == row.id),
            tuple(s for s in steps if s.instrument_id == row.id),
            tuple(h for h in hangings if h.instrument_id == row.id),
        )
        for row in rows
    ]


def schedule_of(piece: Piece, catalogue: Catalogue) -> Schedule | None:
    """Return the schedule that a piece follows, as it was when it began on it."""
    return catalogue.schedule_of(piece.row.schedule_id, piece.row.schedule_version)


def place_at(piece: Piece, at: datetime) -> str | None:
    """Return where the piece hung at an instant; before its first hanging, its first place."""
    place = piece.hangings[0].place_id if piece.hangings else None
    for hanging in piece.hangings:
        if hanging.from_at <= at:
            place = hanging.place_id
    return place


def course_of(session: Session, piece: Piece, from_at: datetime, until_at: datetime) -> AirCourse:
    """Read the air a piece hung in, place by place, with an hour before it to bridge from."""
    spans = []
    for index, (place_id, start, end) in enumerate(stays_of(piece, from_at, until_at)):
        begin = start - LOOK_BACK if index == 0 else start
        span = readings.series_span(session, place_id, begin, end, _step_s(end - begin))
        spans.append((place_id, span))
    # Pieces that were coated and moved together hung in the same air.
    return kept(session, ("course", *spans), lambda: _course(session, spans))


def _course(session: Session, spans: Sequence[tuple[str, Span]]) -> AirCourse:
    if not spans:
        empty = np.empty(0)
        return AirCourse(empty, empty, empty)
    parts = [readings.series_of(session, place_id, span) for place_id, span in spans]
    # A piece moved on the minute of a reading has two readings for that instant: the first stands.
    time_s, first = np.unique(np.concatenate([p.time_s for p in parts]), return_index=True)
    return AirCourse(
        time_s,
        np.concatenate([p.air_c for p in parts])[first],
        np.concatenate([p.rh_pct for p in parts])[first],
    )


def stays_of(
    piece: Piece, from_at: datetime, until_at: datetime
) -> list[tuple[str, datetime, datetime]]:
    """Return the places a piece hung in from one instant to another: place, since, until."""
    first = place_at(piece, from_at)
    if first is None:
        return []
    cuts = [(from_at, first)]
    cuts += [(h.from_at, h.place_id) for h in piece.hangings if from_at < h.from_at < until_at]
    ends = [cut[0] for cut in cuts[1:]] + [until_at]
    return [(place, start, end) for (start, place), end in zip(cuts, ends, strict=True)]


def _step_s(span: timedelta) -> float | None:
    """Thin long spans: the clock is smooth over minutes, and a phone is waiting."""
    if span <= timedelta(hours=12):
        return None
    return 60.0 if span <= timedelta(days=3) else 600.0


def coats_done(piece: Piece) -> list[CoatDone]:
    """Return the piece's coats as the schedule sees them."""
    return [
        CoatDone(int(c.id or 0), c.step_key, c.material_id, c.at, c.wet_um) for c in piece.coats
    ]


def marks_of(
    session: Session,
    piece: Piece,
    catalogue: Catalogue,
    now: datetime,
    coat: Coat | None = None,
    *,
    reckoning: Reckoning,
) -> tuple[ReadyTime, ...]:
    """Reckon the marks of a coat (by default the last) as they stand at ``now``."""
    coat = coat or piece.last_coat
    if coat is None:
        return ()
    material = catalogue.material_of(coat.material_id, coat.material_version)
    if material is None:
        return ()
    under = [c for c in piece.coats if coat.at - SOFT_FOR <= c.at < coat.at]
    first = min([c.at for c in under], default=coat.at)
    course = course_of(session, piece, first, now)
    film_um = drying.effective_film(
        coat.wet_um, _soft_under(session, under, coat, catalogue, course)
    )
    ahead, told = _ahead(session, piece, course, now, reckoning)
    holes = tuple(_bridged(session, piece, holes_in(course, coat.at, now), reckoning))

    def keep(until_s: float, run: Callable[[], ClockRun]) -> ClockRun:
        if told is None:
            return run()
        # Course, courses ahead and holes are told apart as the objects they are: each is handed
        # out again for as long as it holds, and not changed.
        key = ("run", course, coat.at, material.drying, film_um, until_s, told, holes)
        return kept(session, key, run)

    return ready_times(
        material,
        coat_at=coat.at,
        film_um=film_um,
        air=course,
        now=now,
        scales=reckoning.scales_for(material, int(coat.id or 0)),
        ahead=ahead,
        holes=holes,
        not_yet=reckoning.not_yet.get(int(coat.id or 0), NOTHING_SAID),
        keep=keep,
    )


def _ahead(
    session: Session, piece: Piece, course: AirCourse, now: datetime, reckoning: Reckoning
) -> tuple[Ahead | Moved | None, Hashable]:
    """Courses of the air where it hangs, and from each planned move on of where it will.

    With them comes what tells them from others; None: they are made anew at each look.
    """
    place_id = place_at(piece, now)
    here = None if place_id is None else reckoning.outlook_of(session, place_id)
    first = None if here is None else here.ahead
    moves = [h for h in piece.hangings if h.from_at > now]
    if not moves or course.time_s.size == 0:
        return first, first
    lasting = first is not None
    if first is None:
        first = held(course.air_c[-1], course.rh_pct[-1], course.time_s[-1], PATHS)
    later = []
    for move in moves:
        there = reckoning.outlook_of(session, move.place_id)
        lasting &= there is not None
        courses = _held(session, move.place_id, now) if there is None else there.ahead
        later.append((move.from_at.timestamp(), courses))
    return Moved(first, tuple(later)), (first, *later) if lasting else None


def _held(session: Session, place_id: str, now: datetime) -> Ahead | None:
    """Hold the air of a place's last day; None where nothing was read."""
    day = readings.series(session, place_id, now - timedelta(days=1), now, 3600.0)
    if day.time_s.size == 0:
        return None
    air_c, rh_pct = float(np.mean(day.air_c)), float(np.mean(day.rh_pct))
    return held(air_c, rh_pct, day.time_s[-1], PATHS)


def _bridged(
    session: Session,
    piece: Piece,
    holes: Sequence[tuple[float, float]],
    reckoning: Reckoning,
) -> list[Hole]:
    """Bridge holes in the record of one place; one that spans a move stays open."""
    found = []
    for start_s, end_s in holes:
        places = {place_at(piece, datetime.fromtimestamp(at, UTC)) for at in (start_s, end_s)}
        place = places.pop()
        known = None if places or place is None else reckoning.outlook_of(session, place)
        bridge = None if known is None else known.hole(start_s, end_s)
        if bridge is not None:
            found.append(bridge)
    return found


def _soft_under(
    session: Session, under: Sequence[Coat], coat: Coat, catalogue: Catalogue, course: AirCourse
) -> list[tuple[float, float]]:
    """Film [µm] and clock of each coat under one, newest first."""
    # By the book whatever was learned: a clock's hours are what verdicts are learned from, so they
    # must not depend on them.
    soft = []
    for earlier in reversed(under):
        material = catalogue.material_of(earlier.material_id, earlier.material_version)
        if material is None:
            continue
        on = earlier.at, earlier.wet_um
        key = ("clock", course, *on, coat.at, material.drying, *material.marks.values())
        run = partial(clock_at, material, "recoat", *on, course, coat.at)
        soft.append((earlier.wet_um, kept(session, key, run)))
    return soft


def card_of(
    session: Session,
    piece: Piece,
    catalogue: Catalogue,
    now: datetime,
    reckoning: Reckoning,
) -> InstrumentCard:
    """Say where an instrument stands and what comes next."""
    schedule = schedule_of(piece, catalogue) or Schedule(
        piece.row.schedule_id, f"{piece.row.schedule_id} (missing)", ()
    )
    states = states_of(session, piece, schedule, catalogue, now, reckoning)
    speaks = overall(states)
    now_due = {state.part for state in due(states)}
    return InstrumentCard(
        id=piece.id,
        shop_number=piece.row.shop_number,
        kind=piece.row.kind,
        woods=piece.row.woods,
        plate_mm=piece.row.plate_mm,
        schedule_id=schedule.id,
        schedule_name=schedule.name,
        place_id=place_at(piece, now),
        steps_done=speaks.position.index,
        steps=len(schedule.steps),
        act=speaks.act,
        marks=speaks.marks,
        last_coat_id=speaks.last_coat_id,
        last_coat_at=speaks.last_coat_at,
        parts=tuple(
            PartCard(state.part, state.act, state.part in now_due)
            for state in states
            if state.part != WHOLE
        ),
        moves=tuple(
            PlannedMove(int(h.id or 0), h.place_id, h.from_at)
            for h in piece.hangings
            if h.from_at > now
        ),
        due_move=due_move(piece.hangings, now),
    )


def states_of(
    session: Session,
    piece: Piece,
    schedule: Schedule,
    catalogue: Catalogue,
    now: datetime,
    reckoning: Reckoning,
) -> list[PartState]:
    """Say where each part stands; parts that had the same coats share one reckoning."""
    reckoned: dict[tuple[int | None, ...], tuple[ReadyTime, ...]] = {}
    states = []
    for part in piece.parts:
        own = piece.of((part,))
        coats = tuple(coat.id for coat in own.coats)
        if coats not in reckoned:
            reckoned[coats] = marks_of(session, own, catalogue, now, reckoning=reckoning)
        marks = reckoned[coats]
        reached = frozenset(mark.mark for mark in marks if mark.reached)
        done = [StepMark(s.step_key, s.at) for s in own.steps]
        last = own.last_coat
        states.append(
            PartState(
                part=part,
                position=position(schedule, coats_done(own), done, reached),
                marks=marks,
                last_coat_id=None if last is None else last.id,
                last_coat_at=None if last is None else last.at,
            )
        )
    return states


def film_on(piece: Piece, part: str, catalogue: Catalogue, open_index: int) -> FilmLeft:
    """Say how much film lies on a part, and what the next levelling would leave."""
    own, schedule = piece.of((part,)), schedule_of(piece, catalogue)

    def kind(step_key: str) -> str:
        step = schedule.step(step_key) if schedule else None
        return step.kind if step else "clear_coat"

    coats = [
        Applied(
            kind(c.step_key),
            catalogue.material_of(c.material_id, c.material_version),
            c.wet_um,
            c.retarder_pct,
            c.step_key,
        )
        for c in own.coats
    ]
    handwork = [
        Handwork(kind(s.step_key), sum(c.at <= s.at for c in own.coats), s.removed_um)
        for s in own.steps
    ]

    def usual(step: Step) -> Applied | None:
        material = catalogue.materials.get(step.material or "")
        return None if material is None else Applied(step.kind, material, material.usual_wet_um)

    return film_left(coats, handwork, schedule, open_index, usual)
