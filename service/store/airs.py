"""The air of a place now, and the sensors that tell it, read from the store."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlmodel import Session, col, func, select

from service.science import air as moist
from service.shop.air import Air, LeftOut, SensorReading, current_air
from service.shop.correction import Corrections
from service.shop.quality import Flag
from service.shop.said import say
from service.store import absences, corrections, readings
from service.store.memo import kept
from service.store.tables import Reading, Sensor
from service.store.types import to_millis

__all__ = ["SensorView", "ShopFacts", "air_of", "sensors_last_heard", "view_of"]


@dataclass(frozen=True)
class ShopFacts:
    """Settings that decide answers: staleness, the pressure where no barometer is, and checks."""

    stale_after_s: float = 600.0
    altitude_m: float = 0.0
    check_every_days: int = 180

    @property
    def pressure_pa(self) -> float:
        """Standard pressure at the shop's altitude."""
        return float(moist.pressure_at_altitude(self.altitude_m))


@dataclass(frozen=True)
class SensorView:
    """A sensor and when it was last heard; one out of use is never silent."""

    id: int
    place_id: str
    name: str
    last_at: datetime | None
    age_s: float | None
    silent: bool
    retired: bool = False


def air_of(session: Session, place_id: str, now: datetime, facts: ShopFacts) -> Air | None:
    """Return the air of a place at ``now``; None where it never had a reading."""
    newest, sensors = kept(session, ("air", place_id), lambda: _told(session, place_id))
    air = current_air(
        newest, now=now, stale_after_s=facts.stale_after_s, pressure_pa=facts.pressure_pa
    )
    return (
        None
        if air is None
        else replace(air, left_out=air.left_out + _away(session, place_id, sensors, now))
    )


def _told(session: Session, place_id: str) -> tuple[list[SensorReading], list[Sensor]]:
    """Return the newest reading of each sensor of a place, corrected, and its sensors."""
    found = session.exec(select(Sensor).where(col(Sensor.place_id) == place_id)).all()
    sensors = {s.id: s for s in found}
    rows = readings.latest(session, place_id)
    standing = corrections.standing(session, [row.sensor_id for row in rows])
    newest = [_sensor_reading(row, sensors[row.sensor_id], standing[row.sensor_id]) for row in rows]
    return newest, list(found)


def _away(
    session: Session, place_id: str, sensors: Collection[Sensor], now: datetime
) -> tuple[LeftOut, ...]:
    """Say which sensors in use are in a jar, or not back from it yet."""
    used = [s for s in sensors if s.retired_at is None]
    stretches = kept(session, ("away", place_id), lambda: absences.of(session, used))
    now_ms = to_millis(now)
    return tuple(
        LeftOut(s.name, say("is away for its salt check"))
        for s in used
        if any(start <= now_ms < end for start, end in stretches[int(s.id or 0)])
    )


def _sensor_reading(row: Reading, sensor: Sensor, known: Corrections) -> SensorReading:
    at_s = row.at.timestamp()
    surface = row.surface_c
    return SensorReading(
        sensor=sensor.name,
        # A sensor's clock a little ahead must not keep its reading fresh for longer.
        at=min(row.at, row.received_at),
        air_c=known.at("air_c", at_s, row.raw_air_c),
        rh_pct=known.at("rh_pct", at_s, row.raw_rh_pct),
        surface_c=None if surface is None else known.at("surface_c", at_s, surface),
        pressure_pa=row.pressure_pa,
        air_sd_k=known.sd("air_c", at_s, sensor.air_sd_k),
        rh_sd_pct=known.sd("rh_pct", at_s, sensor.rh_sd_pct),
        flags=Flag(row.flags or 0),
    )


def sensors_last_heard(session: Session) -> Sequence[tuple[Sensor, datetime | None]]:
    """Return every sensor with the instant of its newest reading."""
    last = (
        select(func.max(Reading.at))
        .where(col(Reading.sensor_id) == col(Sensor.id))
        .correlate(Sensor)
        .scalar_subquery()
    )
    rows = session.exec(select(Sensor, last).order_by(col(Sensor.place_id), col(Sensor.name)))
    return [(sensor, at) for sensor, at in rows.all()]


def view_of(
    sensor: Sensor, last_at: datetime | None, now: datetime, stale_after_s: float
) -> SensorView:
    """Say how long a sensor has been silent."""
    age_s = None if last_at is None else max(0.0, (now - last_at).total_seconds())
    return SensorView(
        id=int(sensor.id or 0),
        place_id=sensor.place_id,
        name=sensor.name,
        last_at=last_at,
        age_s=age_s,
        silent=sensor.retired_at is None and (age_s is None or age_s > stale_after_s),
        retired=sensor.retired_at is not None,
    )
