"""Single readings of a place as columns: what was sent, and the corrections laid over it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BigInteger, type_coerce
from sqlmodel import Session, col, select

from service.science import air as moist
from service.shop.correction import CORRECTABLE
from service.shop.quality import names_of
from service.store import corrections
from service.store.tables import CLIMATE_SCALE, PRESSURE_SCALE, Reading
from service.store.types import from_millis

__all__ = ["RawColumns", "dew_points", "read", "without_nan"]

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class RawColumns:
    """Readings in order of time, then of sensor; arrays of one length, NaN where nothing was sent.

    ``corrected`` and ``sent`` hold ``air_c``, ``rh_pct`` and ``surface_c``; ``flags`` are bits, NaN
    before they were assessed.
    """

    sensor_id: NDArray[np.int64]
    at_ms: NDArray[np.int64]
    delay_ms: NDArray[np.int64]
    sent: Mapping[str, Numbers]
    corrected: Mapping[str, Numbers]
    pressure_pa: Numbers
    battery_pct: Numbers
    flags: Numbers

    def __len__(self) -> int:
        """How many readings there are."""
        return int(self.at_ms.size)

    def dew_point_c(self) -> Numbers:
        """Dew points of the corrected air; NaN where it is bone-dry."""
        return dew_points(self.corrected["air_c"], self.corrected["rh_pct"])

    def flag_names(self) -> list[tuple[str, ...] | None]:
        """Flags by name; None before they were assessed."""
        known = {f: names_of(int(f)) for f in np.unique(self.flags).tolist() if not np.isnan(f)}
        return [known.get(flag) for flag in self.flags.tolist()]


def read(
    session: Session,
    sensor_ids: Sequence[int],
    start_ms: int,
    end_ms: int,
    *,
    limit: int | None = None,
) -> RawColumns:
    """Read from ``start_ms`` until before ``end_ms``, at most ``limit`` readings."""
    columns = (
        Reading.sensor_id, Reading.at, Reading.delay_ms, Reading.raw_air_c, Reading.raw_rh_pct,
        Reading.surface_c, Reading.pressure_pa, Reading.battery_pct, Reading.flags,
    )  # fmt: skip
    rows = session.connection().execute(
        select(*(type_coerce(col(column), BigInteger) for column in columns))
        .where(col(Reading.sensor_id).in_(sensor_ids))
        .where(col(Reading.at) >= from_millis(start_ms), col(Reading.at) < from_millis(end_ms))
        .order_by(col(Reading.at), col(Reading.sensor_id))
        .limit(limit)
    )
    # Whole numbers of this size are exact in a double; NumPy makes NaN of None.
    table = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(-1, len(columns))
    sensor, at_ms, delay_ms = (table[:, i].astype(np.int64) for i in range(3))
    sent = {name: table[:, 3 + i] / CLIMATE_SCALE for i, name in enumerate(CORRECTABLE)}
    corrected = {name: values.copy() for name, values in sent.items()}
    for sensor_id, known in corrections.standing(session, sensor_ids).items():
        own = sensor == sensor_id
        for name, values in corrected.items():
            values[own] = known.apply(name, at_ms[own] / 1000.0, values[own])
    return RawColumns(
        sensor, at_ms, delay_ms, sent, corrected,
        table[:, 6] / PRESSURE_SCALE, table[:, 7], table[:, 8],
    )  # fmt: skip


def dew_points(air_c: Numbers, rh_pct: Numbers) -> Numbers:
    """Return dew points [°C]; NaN in bone-dry air."""
    found = np.full(air_c.shape, np.nan)
    damp = rh_pct > 0.0
    if damp.any():
        found[damp] = moist.dew_point(air_c[damp], rh_pct[damp])
    return found


def without_nan(values: Numbers) -> list[float | None]:
    """Return numbers as Python has them, None for NaN."""
    return [None if missing else value for value, missing in zip(
        values.tolist(), np.isnan(values).tolist(), strict=True)]  # fmt: skip
