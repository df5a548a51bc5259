"""What a person decides of a sensor: how far to trust it, what corrects it, and when it retires.

Each method is one use case and one transaction. What was sent is never changed: a correction is a
row beside it, dated, and undone by a mark.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from typing import Any

import numpy as np
from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.correction import CORRECTABLE
from service.shop.jars import OWN_SD_PCT
from service.shop.said import say
from service.store import corrections
from service.store.db import Database
from service.store.errors import BadInput, Conflict, NotFound
from service.store.fields import instant, one_of, text, within
from service.store.marks import mark_from
from service.store.readings import counted
from service.store.sensor_views import sensor_row
from service.store.tables import Correction, Reading, SaltCheck, Sensor

__all__ = ["AROUND", "KEEP", "UNITS", "Around", "Keep", "SensorBook"]

AROUND = timedelta(minutes=15)
"""Readings so far on either side of an instant are a sensor's own mean there."""

FEWEST = 2
MOST_SPREAD = {"rh_pct": 3.0, "air_c": 1.0, "surface_c": 1.0}
"""Standard deviation about that mean beyond which there is nothing to compare with. Assumed."""

MOST_OFF = {"rh_pct": 15.0, "air_c": 5.0, "surface_c": 5.0}
"""Further apart than this is a fault, or not the same air. Assumed."""

OWN_SD = {"rh_pct": OWN_SD_PCT, "air_c": 0.1, "surface_c": 0.1}
"""What a compared sensor adds by itself. Assumed for temperature."""

UNITS = {"rh_pct": "% RH", "air_c": "K", "surface_c": "K"}
"""Unit of an offset and of a standard uncertainty."""

SLOPES = {"rh_pct": (0.5, 2.0), "air_c": (0.8, 1.25), "surface_c": (0.8, 1.25)}
OFFSETS = {"rh_pct": 60.0, "air_c": 20.0, "surface_c": 20.0}
SDS = {"rh_pct": 20.0, "air_c": 10.0, "surface_c": 10.0}
LEAST_SD = 0.01


class Keep(Enum):
    """Says that a field is not to be changed, where None means something else."""

    KEEP = "keep"


KEEP = Keep.KEEP


@dataclass(frozen=True)
class Around:
    """A sensor's own settled mean of one quantity about an instant, as sent and as corrected."""

    at: datetime
    quantity: str
    count: int
    raw: float
    corrected: float
    sd: float


class SensorBook:
    """Writes what is decided of sensors.

    Parameters
    ----------
    db, clock : Database, Clock
        Where it is written, and the shop's time.
    on_marked : callable
        Told that flags or roll-ups are to be reckoned anew.
    """

    def __init__(self, db: Database, clock: Clock, on_marked: Callable[[], object]) -> None:
        self.db, self.clock, self.on_marked = db, clock, on_marked

    def change(
        self,
        sensor_id: int,
        *,
        air_sd_k: float | None = None,
        rh_sd_pct: float | None = None,
        check_every_days: int | Keep | None = KEEP,
        retired: bool | None = None,
    ) -> None:
        """Set what is given; ``check_every_days`` None means as the shop has set.

        A sensor that is out of use keeps its readings, is not missed, and does not make the air of
        its place. Brought back, what it said meanwhile counts again.
        """
        with self.db.write() as session:
            row = sensor_row(session, sensor_id)
            before = row.air_sd_k, row.rh_sd_pct
            if air_sd_k is not None:
                row.air_sd_k = within("air_sd_k", air_sd_k, LEAST_SD, SDS["air_c"], "K")
            if rh_sd_pct is not None:
                row.rh_sd_pct = within("rh_sd_pct", rh_sd_pct, LEAST_SD, SDS["rh_pct"], "% RH")
            if not isinstance(check_every_days, Keep):
                if check_every_days is not None:
                    within("check_every_days", check_every_days, 1, 3650, "days")
                row.check_every_days = check_every_days
            if retired is not None:
                self._retire(session, row, retired=retired)
            session.add(row)
            if before != (row.air_sd_k, row.rh_sd_pct):
                # Flags are judged by the sensor's uncertainty, all the way back.
                _mark_all(session, row)
        self.on_marked()

    def around(self, sensor_id: int, quantity: str, at: datetime | None = None) -> Around:
        """Return what a sensor said about an instant (default: now).

        Raises
        ------
        BadInput
            Naming ``at`` where it said too little then, or the air moved too much.
        """
        with self.db.read() as session:
            sensor_row(session, sensor_id)
            return self._around(session, sensor_id, quantity, self._when("at", at))

    def correct_by_instrument(
        self,
        sensor_id: int,
        *,
        quantity: str,
        value: float,
        sd: float,
        at: datetime | None = None,
        from_at: datetime | None = None,
        who: str = "",
    ) -> Correction:
        """Make a sensor agree with a trusted instrument beside it.

        The slope that holds stays; the offset becomes what makes the sensor's own mean about ``at``
        the ``value`` of the instrument, whose standard uncertainty is ``sd``. It holds from
        ``from_at`` on (default: ``at``).
        """
        one_of("quantity", quantity, CORRECTABLE)
        within("sd", sd, LEAST_SD, SDS[quantity], UNITS[quantity])
        low, high = (0.0, 100.0) if quantity == "rh_pct" else (-40.0, 80.0)
        within("value", value, low, high, "% RH" if quantity == "rh_pct" else "°C")
        when = self._when("at", at)
        start = when if from_at is None else self._when("from_at", from_at)
        with self.db.write() as session:
            sensor_row(session, sensor_id)
            own = self._around(session, sensor_id, quantity, when)
            if abs(value - own.raw) > MOST_OFF[quantity]:
                raise BadInput(
                    "value",
                    say(
                        "is {value:.1f} {units} from what the sensor sent ({raw:.1f}); more "
                        "than {most_off:.0f} is a fault, or not the same air",
                        value=abs(value - own.raw),
                        units=UNITS[quantity],
                        raw=own.raw,
                        most_off=MOST_OFF[quantity],
                    ),
                )
            known = corrections.standing(session, [sensor_id])[sensor_id]
            slope, _ = known.line(quantity, when.timestamp())
            row = Correction(
                sensor_id=sensor_id,
                quantity=quantity,
                from_at=start,
                slope=slope,
                offset=value - slope * own.raw,
                sd=math.hypot(sd, own.sd / math.sqrt(own.count), OWN_SD[quantity]),
                method="trusted instrument",
                detail={
                    "checked_at": when.isoformat(),
                    "value": value,
                    "value_sd": sd,
                    "raw": own.raw,
                    "readings": own.count,
                },
                who=text("who", who, 80),
                made_at=self.clock.now(),
            )
            corrections.keep(session, row)
        self.on_marked()
        return row

    def correct(
        self,
        sensor_id: int,
        *,
        quantity: str,
        slope: float = 1.0,
        offset: float = 0.0,
        sd: float | None = None,
        from_at: datetime | None = None,
        who: str = "",
    ) -> Correction:
        """Keep a correction as it was told: ``slope * sent + offset``, from an instant on."""
        one_of("quantity", quantity, CORRECTABLE)
        within("slope", slope, *SLOPES[quantity], "")
        within("offset", offset, -OFFSETS[quantity], OFFSETS[quantity], UNITS[quantity])
        if sd is not None:
            within("sd", sd, LEAST_SD, SDS[quantity], UNITS[quantity])
        start = self._when("from_at", from_at)
        with self.db.write() as session:
            sensor_row(session, sensor_id)
            row = Correction(
                sensor_id=sensor_id,
                quantity=quantity,
                from_at=start,
                slope=slope,
                offset=offset,
                sd=sd,
                method="typed in",
                detail={"checked_at": start.isoformat()},
                who=text("who", who, 80),
                made_at=self.clock.now(),
            )
            corrections.keep(session, row)
        self.on_marked()
        return row

    def undo_correction(self, sensor_id: int, correction_id: int) -> None:
        """Take a correction back; it stays on record, and every figure is as it was before it."""
        with self.db.write() as session:
            sensor_row(session, sensor_id)
            row = session.get(Correction, correction_id)
            if row is None or row.sensor_id != sensor_id:
                raise NotFound(
                    "correction",
                    say(
                        "sensor {sensor_id} has no correction {correction_id}",
                        sensor_id=sensor_id,
                        correction_id=correction_id,
                    ),
                )
            if row.undone_at is not None:
                raise Conflict(
                    "correction",
                    say(
                        "correction {correction_id} is already undone", correction_id=correction_id
                    ),
                )
            corrections.undo(session, row, self.clock.now())
        self.on_marked()

    # -- what the use cases share ----------------------------------------------------------

    def _retire(self, session: Session, row: Sensor, *, retired: bool) -> None:
        now = self.clock.now()
        if retired and row.retired_at is None:
            row.retired_at = now
            for check in session.exec(
                select(SaltCheck).where(
                    col(SaltCheck.sensor_id) == row.id, col(SaltCheck.ended_at).is_(None)
                )
            ):
                check.ended_at = now
                session.add(check)
            mark_from(session, row.place_id, now)
        elif not retired and row.retired_at is not None:
            mark_from(session, row.place_id, row.retired_at)
            row.retired_at = None

    def _around(self, session: Session, sensor_id: int, quantity: str, at: datetime) -> Around:
        one_of("quantity", quantity, CORRECTABLE)
        rows = session.exec(
            select(Reading)
            .where(col(Reading.sensor_id) == sensor_id, counted())
            .where(col(Reading.at) >= at - AROUND, col(Reading.at) <= at + AROUND)
        ).all()
        values = [_raw(row, quantity) for row in rows]
        raw = np.array([v for v in values if v is not None])
        if raw.size < FEWEST:
            raise BadInput(
                "at",
                say(
                    "the sensor has {size} usable readings of this within 15 min of then; "
                    "{fewest} at least are needed",
                    size=raw.size,
                    fewest=FEWEST,
                ),
            )
        mean, sd = float(raw.mean()), float(raw.std(ddof=1))
        if sd > MOST_SPREAD[quantity]:
            raise BadInput(
                "at",
                say(
                    "what the sensor said moved too much within 15 min of then (by "
                    "{sd:.1f} {units}); compare in still air",
                    sd=sd,
                    units=UNITS[quantity],
                ),
            )
        known = corrections.standing(session, [sensor_id])[sensor_id]
        corrected = known.at(quantity, at.timestamp(), mean)
        return Around(at, quantity, int(raw.size), mean, corrected, sd)

    def _when(self, field: str, at: datetime | None) -> datetime:
        return instant(field, at, self.clock.now())


def _raw(row: Reading, quantity: str) -> float | None:
    values: dict[str, Any] = {
        "rh_pct": row.raw_rh_pct,
        "air_c": row.raw_air_c,
        "surface_c": row.surface_c,
    }
    found: float | None = values[quantity]
    return found


def _mark_all(session: Session, row: Sensor) -> None:
    first = session.exec(
        select(Reading.at)
        .where(col(Reading.sensor_id) == row.id)
        .order_by(col(Reading.at))
        .limit(1)
    ).first()
    if first is not None:
        mark_from(session, row.place_id, first)
