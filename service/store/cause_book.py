"""Likely causes of a flaw, and the ones that the shop has confirmed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from sqlmodel import Session, col, func, select

from service.clock import Clock
from service.shop.causes import SOMETHING_ELSE, Findings, Knowledge, Likely, score
from service.shop.causes.findings import findings_of
from service.shop.evidence.model import Evidence
from service.shop.said import say
from service.store.cause_file import load_causes
from service.store.db import Database
from service.store.errors import NotFound
from service.store.fields import one_of, text
from service.store.tables import Flaw, FlawCause

__all__ = ["CauseBook", "Judged", "knowledge"]


@cache
def knowledge() -> Knowledge:
    """What is known of causes; read once."""
    return load_causes()


@dataclass(frozen=True)
class Judged:
    """What may be behind a flaw.

    Attributes
    ----------
    confirmed
        The cause that a person has confirmed; None where nobody has.
    counted
        How many other flaws of the kind with a confirmed cause bear on the priors.
    """

    likely: Likely
    findings: Findings
    confirmed: str | None
    counted: int


class CauseBook:
    """Scores causes and keeps what was confirmed; every method commits once or not at all."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def judge(self, evidence: Evidence) -> Judged:
        """Score the causes of a flaw by its evidence.

        Its own confirmed cause is no evidence for itself and is left out of the priors.
        """
        flaw_id = evidence.flaw_id or 0
        with self.db.read() as session:
            others = _counts(session, evidence.kind, without=flaw_id)
            own = _standing(session, flaw_id)
        findings = findings_of(evidence)
        likely = score(evidence.kind, findings, knowledge(), others)
        return Judged(likely, findings, None if own is None else own.cause, sum(others.values()))

    def confirm(self, flaw_id: int, cause: str, who: str = "") -> None:
        """Keep what was behind a flaw, in place of what was said before.

        Raises BadInput where the cause is none of those known for its kind.
        """
        now = self.clock.now()
        with self.db.write() as session:
            flaw = _flaw(session, flaw_id)
            known = [c.id for c in knowledge().causes_of(flaw.kind)] + [SOMETHING_ELSE]
            one_of("cause", cause, known)
            _withdraw(session, flaw_id, self.clock)
            session.add(
                FlawCause(flaw_id=flaw_id, cause=cause, who=text("who", who, 80), made_at=now)
            )

    def withdraw(self, flaw_id: int) -> None:
        """Take back what was confirmed; without anything confirmed this changes nothing."""
        with self.db.write() as session:
            _flaw(session, flaw_id)
            _withdraw(session, flaw_id, self.clock)


def _flaw(session: Session, flaw_id: int) -> Flaw:
    row = session.get(Flaw, flaw_id)
    if row is None:
        raise NotFound("flaw", say("there is no flaw {flaw_id}", flaw_id=flaw_id))
    return row


def _standing(session: Session, flaw_id: int) -> FlawCause | None:
    return session.exec(
        select(FlawCause)
        .where(col(FlawCause.flaw_id) == flaw_id, col(FlawCause.undone_at).is_(None))
        .order_by(col(FlawCause.id).desc())
    ).first()


def _withdraw(session: Session, flaw_id: int, clock: Clock) -> None:
    row = _standing(session, flaw_id)
    if row is not None:
        row.undone_at = clock.now()
        session.add(row)


def _counts(session: Session, kind: str, without: int) -> dict[str, int]:
    rows = session.exec(
        select(FlawCause.cause, func.count())
        .join(Flaw, col(Flaw.id) == col(FlawCause.flaw_id))
        .where(col(FlawCause.undone_at).is_(None), col(Flaw.undone_at).is_(None))
        .where(col(Flaw.kind) == kind, col(Flaw.id) != without)
        .group_by(col(FlawCause.cause))
    )
    return {str(cause): int(count) for cause, count in rows}
