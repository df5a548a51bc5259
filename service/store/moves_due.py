"""Which planned move of a piece is due."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.shop.cards import PlannedMove
from service.shop.notices import MOVE_TOLD_FOR
from service.store.tables import Hanging

__all__ = ["due_move", "planned_of"]


def due_move(hangings: Sequence[Hanging], now: datetime) -> PlannedMove | None:
    """Return the planned move whose time has come and of which nobody has said that it was made.

    ``hangings`` are those of a piece that stand, oldest first. One to where the piece hung already
    is none, and after :data:`MOVE_TOLD_FOR` it is left at that.
    """
    begun = [hanging for hanging in hangings if hanging.from_at <= now]
    if not begun or begun[-1].planned_at is None or begun[-1].moved_at is not None:
        return None
    stays = len(begun) > 1 and begun[-2].place_id == begun[-1].place_id
    late = now - begun[-1].planned_at > MOVE_TOLD_FOR
    return None if stays or late else planned_of(begun[-1])


def planned_of(row: Hanging) -> PlannedMove:
    """Return a hanging that was planned as a card names it."""
    return PlannedMove(int(row.id or 0), row.place_id, row.planned_at or row.from_at)
