"""The wood watch of a place, read from the store."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session

from service.shop.wood_watch import NOMINAL, Plate, WoodWatch, plate_of, watch
from service.store.history import history
from service.store.pieces import Piece, place_at

__all__ = ["EVERY", "KEEPING_KINDS", "wood_of"]

KEEPING_KINDS = frozenset({"store", "rack"})
"""Kinds of place where wood is kept, piece or no piece."""

BACK = timedelta(days=14)
STEP, STEP_S = "30m", 1800.0

EVERY = timedelta(minutes=10)
"""How often it is looked at for notices: wood is slow."""

Floats = NDArray[np.float64]
Expected = Callable[[Session, str], tuple[Floats, Floats, Floats] | None]
"""Gives the middle of a place's outlook (s since 1970, °C, % RH), or None where there is none."""


def wood_of(
    session: Session,
    place_id: str,
    pieces: Sequence[Piece],
    now: datetime,
    expected: Expected = lambda _session, _place: None,
) -> WoodWatch:
    """Say how the air of a place stands to the wood in it."""
    rows = history(session, place_id, now - BACK, now, resolution=STEP).rows
    # A bucket's mean stands for its middle.
    time_s = np.array([row["at"].timestamp() for row in rows]) + STEP_S / 2
    hanging = [
        plate_of(p.row.shop_number, p.row.woods, p.row.plate_mm, coated=bool(p.coats))
        for p in pieces
        if place_at(p, now) == place_id
    ]
    plates: Sequence[Plate] = hanging or (NOMINAL,)
    return watch(
        np.minimum(time_s, now.timestamp()),
        np.array([row["air_c"]["mean"] for row in rows]),
        np.array([row["rh_pct"]["mean"] for row in rows]),
        now_s=now.timestamp(),
        plates=plates,
        ahead=expected(session, place_id),
    )
