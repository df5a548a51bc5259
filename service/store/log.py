"""The record of an instrument as one list: coats, steps, moves, arrivals, verdicts and flaws."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, col, select

from service.shop.said import say
from service.store.arrivals import arrivals_on
from service.store.arrivals import said_of as arrival_said
from service.store.catalogue import Catalogue
from service.store.pieces import Piece, schedule_of
from service.store.tables import Coat, Flaw, Hanging, StepDone
from service.store.verdicts import said_of, verdicts_on

__all__ = ["LogEntry", "log_of"]


@dataclass(frozen=True)
class LogEntry:
    """One line of an instrument's record."""

    kind: str
    id: int
    at: datetime
    text: str
    step_key: str | None = None
    material_id: str | None = None
    wet_um: float | None = None
    place_id: str | None = None
    who: str = ""
    note: str = ""
    undone: bool = False
    air: dict[str, Any] | None = None
    parts: tuple[str, ...] = ()
    passes: int | None = None
    retarder_pct: float | None = None
    build: str = ""
    distance_cm: float | None = None
    batch: str = ""
    moved: bool = False
    """Somebody has said that this planned move was made."""


def log_of(session: Session, piece: Piece, catalogue: Catalogue, now: datetime) -> list[LogEntry]:
    """Return everything recorded on a piece, newest first; undone entries are marked."""
    schedule = schedule_of(piece, catalogue)

    def named(step_key: str) -> str:
        step = schedule.step(step_key) if schedule else None
        return step.name if step else step_key

    here = piece.id
    coats = session.exec(select(Coat).where(col(Coat.instrument_id) == here)).all()
    steps = session.exec(select(StepDone).where(col(StepDone.instrument_id) == here)).all()
    hung = session.exec(select(Hanging).where(col(Hanging.instrument_id) == here)).all()
    flaws = session.exec(select(Flaw).where(col(Flaw.instrument_id) == here)).all()
    entries = [_coat_entry(c, named(c.step_key), catalogue) for c in coats]
    entries += [
        LogEntry(
            "step",
            int(s.id or 0),
            s.at,
            say("{step}: done", step=named(s.step_key)),
            step_key=s.step_key,
            who=s.who,
            note=s.note,
            undone=s.undone_at is not None,
            parts=tuple(s.parts),
        )
        for s in steps
    ]
    entries += [
        LogEntry(
            "hung", int(h.id or 0), h.from_at,
            say("hung in {place}", place=h.place_id)
            if h.from_at <= now
            else say("to hang in {place}", place=h.place_id), place_id=h.place_id,
            undone=h.undone_at is not None, moved=h.moved_at is not None,
        )
        for h in hung
    ]  # fmt: skip
    entries += [
        LogEntry(
            "verdict", int(v.id or 0), v.at, said_of(v),
            material_id=v.material_id, who=v.who, undone=v.undone_at is not None,
        )
        for v in verdicts_on(session, coats, undone=True)
    ]  # fmt: skip
    entries += [
        LogEntry("cold", int(a.id or 0), a.at, arrival_said(a), undone=a.undone_at is not None)
        for a in arrivals_on(session, here, undone=True)
    ]
    entries += [
        LogEntry(
            "flaw",
            int(f.id or 0),
            f.seen_at,
            say("flaw: {kind}", kind=f.kind),
            note=f.note,
            who=f.who,
            undone=f.undone_at is not None,
        )
        for f in flaws
    ]
    return sorted(entries, key=lambda e: (e.at, e.id), reverse=True)


def _coat_entry(coat: Coat, step_name: str, catalogue: Catalogue) -> LogEntry:
    material = catalogue.material_of(coat.material_id, coat.material_version)
    name = material.name if material else coat.material_id
    return LogEntry(
        kind="coat",
        id=int(coat.id or 0),
        at=coat.at,
        text=say("{step}: {material}", step=step_name, material=name),
        step_key=coat.step_key,
        material_id=coat.material_id,
        wet_um=coat.wet_um,
        place_id=coat.place_id,
        who=coat.who,
        note=coat.note,
        undone=coat.undone_at is not None,
        air=coat.air or None,
        parts=tuple(coat.parts),
        passes=coat.passes,
        retarder_pct=coat.retarder_pct,
        build=coat.build,
        distance_cm=coat.distance_cm,
        batch=coat.batch,
    )
