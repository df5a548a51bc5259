"""What the rest of the shop's record says of a coat: its batch, its usual distance, its like."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from datetime import timedelta

from sqlmodel import Session, col, select

from service.shop.evidence.model import Beside
from service.shop.materials import Material
from service.store.tables import Coat, Flaw

__all__ = ["beside", "fresh_batch", "usual_distance_cm"]

ONE_DAY = timedelta(hours=12)
"""To either side: coats of one working day."""

LEAST_TOLD = 3
USUAL_CM = 20.0
"""Distance of gun or can from the work (common practice: 15 to 25 cm)."""


def beside(session: Session, flaw: Flaw, coats: Sequence[Coat]) -> Beside | None:
    """Count other pieces coated within a day from the same material as a coat under a flaw.

    The coat named counts alone, where one is. None where no coat is under it.
    """
    asked = [c for c in coats if c.id == flaw.coat_id] or list(coats)
    if not asked:
        return None
    others: set[int] = set()
    for coat in asked:
        others |= set(
            session.exec(
                select(Coat.instrument_id).where(
                    col(Coat.material_id) == coat.material_id,
                    col(Coat.instrument_id) != flaw.instrument_id,
                    col(Coat.undone_at).is_(None),
                    col(Coat.at) >= coat.at - ONE_DAY,
                    col(Coat.at) <= coat.at + ONE_DAY,
                )
            )
        )
    flawed = set(
        session.exec(
            select(Flaw.instrument_id).where(
                col(Flaw.instrument_id).in_(others),
                col(Flaw.kind) == flaw.kind,
                col(Flaw.undone_at).is_(None),
            )
        )
    )
    return Beside(len(others), len(flawed))


def fresh_batch(session: Session, coat: Coat) -> bool | None:
    """Whether a coat was the shop's first from another batch than before; None: not told."""
    if not coat.batch:
        return None
    before = session.exec(
        select(Coat.batch)
        .where(
            col(Coat.material_id) == coat.material_id,
            col(Coat.undone_at).is_(None),
            col(Coat.batch) != "",
            col(Coat.at) < coat.at,
        )
        .order_by(col(Coat.at).desc())
        .limit(1)
    ).first()
    return None if before is None else before != coat.batch


def usual_distance_cm(session: Session, coat: Coat, material: Material | None) -> float | None:
    """Return the shop's usual spray distance for a material; common practice where it is not known.

    None where the material is not sprayed.
    """
    if material is None or material.blend is None:
        return None
    told = session.exec(
        select(Coat.distance_cm).where(
            col(Coat.material_id) == coat.material_id,
            col(Coat.id) != coat.id,
            col(Coat.undone_at).is_(None),
            col(Coat.distance_cm).is_not(None),
        )
    ).all()
    known = [float(cm) for cm in told if cm is not None]
    return statistics.median(known) if len(known) >= LEAST_TOLD else USUAL_CM
