"""What is known of each sensor: what it says, what is wrong with it, what corrects it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

from sqlalchemy import literal_column
from sqlmodel import Session, col, func, select

from service.shop.correction import CORRECTABLE, Corrections
from service.shop.notices import CheckState
from service.shop.quality import names_of
from service.shop.said import say
from service.store import corrections
from service.store.absences import BACK_AFTER
from service.store.airs import ShopFacts
from service.store.errors import NotFound
from service.store.tables import Correction, Place, Reading, SaltCheck, Sensor

__all__ = [
    "Held",
    "Said",
    "SensorDetail",
    "SensorStateName",
    "check_states",
    "details",
    "held",
    "sensor_row",
]

SensorStateName = Literal["in use", "silent", "in a jar", "coming back", "retired", "never heard"]

DAY = timedelta(hours=24)
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Said:
    """What a sensor said at one instant, as sent or as corrected."""

    air_c: float
    rh_pct: float
    surface_c: float | None


@dataclass(frozen=True)
class Held:
    """A correction as it was kept; ``holds`` if it is the one that counts now."""

    id: int
    quantity: str
    from_at: datetime
    slope: float
    offset: float
    sd: float | None
    method: str
    detail: dict[str, Any]
    who: str
    made_at: datetime
    undone_at: datetime | None
    holds: bool


@dataclass(frozen=True)
class SensorDetail:
    """A sensor as it stands now.

    ``flags`` are those of its newest reading by name; None while that is unassessed or there is no
    reading. ``flags_24h`` counts readings of the last 24 h by flag, of ``readings_24h`` in all.
    ``air_sd_k`` and ``rh_sd_pct`` are the sensor's own, ``air_sd_now_k`` and ``rh_sd_now_pct``
    those of what it is corrected to. ``check_due_at`` is None where it was never heard or is out of
    use. ``back_at`` is when it counts again after a salt check that is over.
    """

    id: int
    place_id: str
    place_name: str
    name: str
    kind_id: str | None
    state: SensorStateName
    last_at: datetime | None
    age_s: float | None
    silent: bool
    retired_at: datetime | None
    back_at: datetime | None
    battery_pct: int | None
    raw: Said | None
    corrected: Said | None
    flags: tuple[str, ...] | None
    flags_24h: Mapping[str, int]
    readings_24h: int
    air_sd_k: float
    rh_sd_pct: float
    air_sd_now_k: float
    rh_sd_now_pct: float
    corrections: tuple[Held, ...]
    check_every_days: int
    check_every_own: bool
    checked_at: datetime | None
    check_due_at: datetime | None
    check_due: bool


def sensor_row(session: Session, sensor_id: int) -> Sensor:
    """Read one sensor; raises NotFound."""
    row = session.get(Sensor, sensor_id)
    if row is None:
        raise NotFound("sensor", say("there is no sensor {sensor_id}", sensor_id=sensor_id))
    return row


def details(
    session: Session, sensors: Sequence[Sensor], now: datetime, facts: ShopFacts
) -> list[SensorDetail]:
    """Say of each sensor how it stands."""
    ids = [int(s.id or 0) for s in sensors]
    standing = corrections.standing(session, ids)
    places = dict(session.exec(select(Place.id, Place.name)).all())
    ended = _latest_checks(session, ids)
    checks = {s.sensor_id: s for s in check_states(session, sensors, facts)}
    return [
        _detail(
            session,
            s,
            standing[i],
            places[s.place_id],
            ended.get(i, LONG_AGO),
            checks.get(i),
            now,
            facts,
        )
        for i, s in zip(ids, sensors, strict=True)
    ]


def held(session: Session, sensor_id: int, now: datetime) -> list[Held]:
    """Return every correction of a sensor, newest first; undone ones too."""
    rows = corrections.all_of(session, sensor_id)
    holding: set[int] = set()
    for quantity in CORRECTABLE:
        standing = [
            r for r in rows if r.quantity == quantity and r.undone_at is None and r.from_at <= now
        ]
        holding |= {int(r.id or 0) for r in standing[:1]}
    return [_held(row, int(row.id or 0) in holding) for row in rows]


def check_states(session: Session, sensors: Sequence[Sensor], facts: ShopFacts) -> list[CheckState]:
    """Return when each sensor that is in use and was ever heard was checked, and is due again."""
    checked = _checked(session)
    found = []
    for sensor in sensors:
        sensor_id = int(sensor.id or 0)
        first_at = None if sensor.retired_at is not None else _first(session, sensor_id)
        if first_at is not None:
            found.append(
                CheckState(
                    sensor_id=sensor_id,
                    place_id=sensor.place_id,
                    name=sensor.name,
                    first_at=first_at,
                    checked_at=checked.get(sensor_id),
                    every_days=sensor.check_every_days or facts.check_every_days,
                )
            )
    return found


def _checked(session: Session) -> dict[int, datetime]:
    """When each sensor's humidity was last checked by what still stands."""
    rows = session.exec(
        select(Correction).where(
            col(Correction.quantity) == "rh_pct", col(Correction.undone_at).is_(None)
        )
    )
    found: dict[int, datetime] = {}
    for row in rows:
        # A correction may be dated back; the check itself was when it was.
        at = row.detail.get("checked_at")
        when = row.made_at if at is None else datetime.fromisoformat(at)
        found[row.sensor_id] = max(when, found.get(row.sensor_id, when))
    return found


def _first(session: Session, sensor_id: int) -> datetime | None:
    return session.exec(
        select(func.min(Reading.at)).where(col(Reading.sensor_id) == sensor_id)
    ).one()


def _detail(
    session: Session,
    sensor: Sensor,
    known: Corrections,
    place_name: str,
    check_ended_at: datetime | None,
    check: CheckState | None,
    now: datetime,
    facts: ShopFacts,
) -> SensorDetail:
    sensor_id = int(sensor.id or 0)
    last = _last(session, sensor_id)
    age_s = None if last is None else max(0.0, (now - last.at).total_seconds())
    quiet = age_s is None or age_s > facts.stale_after_s
    silent = quiet and sensor.retired_at is None
    back_at = None if check_ended_at is None else check_ended_at + BACK_AFTER
    back_at = back_at if back_at is not None and back_at > now else None
    counts = _flags_since(session, sensor_id, now - DAY)
    due_at = None if check is None else check.due_at
    at_s = now.timestamp()
    return SensorDetail(
        id=sensor_id,
        place_id=sensor.place_id,
        place_name=place_name,
        name=sensor.name,
        kind_id=sensor.kind_id,
        state=_state(
            sensor, last, silent=silent, in_jar=check_ended_at is None, coming=back_at is not None
        ),
        last_at=None if last is None else last.at,
        age_s=age_s,
        silent=silent,
        retired_at=sensor.retired_at,
        back_at=back_at,
        battery_pct=None if last is None else last.battery_pct,
        raw=None if last is None else Said(last.raw_air_c, last.raw_rh_pct, last.surface_c),
        corrected=None if last is None else _corrected(last, known),
        flags=None if last is None or last.flags is None else names_of(last.flags),
        flags_24h=_by_name(counts),
        readings_24h=sum(counts.values()),
        air_sd_k=sensor.air_sd_k,
        rh_sd_pct=sensor.rh_sd_pct,
        air_sd_now_k=known.sd("air_c", at_s, sensor.air_sd_k),
        rh_sd_now_pct=known.sd("rh_pct", at_s, sensor.rh_sd_pct),
        corrections=tuple(h for h in held(session, sensor_id, now) if h.holds),
        check_every_days=sensor.check_every_days or facts.check_every_days,
        check_every_own=sensor.check_every_days is not None,
        checked_at=None if check is None else check.checked_at,
        check_due_at=due_at,
        check_due=due_at is not None and due_at <= now,
    )


def _state(
    sensor: Sensor,
    last: Reading | None,
    *,
    silent: bool,
    in_jar: bool,
    coming: bool,
) -> SensorStateName:
    if sensor.retired_at is not None:
        return "retired"
    if last is None:
        return "never heard"
    if silent:
        return "silent"
    if in_jar:
        return "in a jar"
    return "coming back" if coming else "in use"


def _latest_checks(session: Session, ids: Sequence[int]) -> dict[int, datetime | None]:
    """When the newest salt check of each sensor ended; None: it is under way."""
    rows = session.exec(
        select(SaltCheck).where(col(SaltCheck.sensor_id).in_(ids)).order_by(col(SaltCheck.id))
    )
    return {row.sensor_id: row.ended_at for row in rows}


def _last(session: Session, sensor_id: int) -> Reading | None:
    return session.exec(
        select(Reading)
        .where(col(Reading.sensor_id) == sensor_id)
        .order_by(col(Reading.at).desc())
        .limit(1)
    ).first()


def _corrected(row: Reading, known: Corrections) -> Said:
    at_s = row.at.timestamp()
    surface = row.surface_c
    return Said(
        known.at("air_c", at_s, row.raw_air_c),
        known.at("rh_pct", at_s, row.raw_rh_pct),
        None if surface is None else known.at("surface_c", at_s, surface),
    )


def _flags_since(session: Session, sensor_id: int, since: datetime) -> dict[int, int]:
    # PostgreSQL takes two bound zeros for two different terms, and only a literal for the same.
    flags = func.coalesce(Reading.flags, literal_column("0"))
    rows = session.exec(
        select(flags, func.count())
        .where(col(Reading.sensor_id) == sensor_id, col(Reading.at) > since)
        .group_by(flags)
    )
    return {int(flags): int(count) for flags, count in rows}


def _by_name(counts: Mapping[int, int]) -> dict[str, int]:
    found: dict[str, int] = {}
    for flags, count in counts.items():
        for name in names_of(flags):
            found[name] = found.get(name, 0) + count
    return found


def _held(row: Correction, holds: bool) -> Held:  # noqa: FBT001 -- one call
    return Held(
        id=int(row.id or 0),
        quantity=row.quantity,
        from_at=row.from_at,
        slope=row.slope,
        offset=row.offset,
        sd=row.sd,
        method=row.method,
        detail=row.detail,
        who=row.who,
        made_at=row.made_at,
        undone_at=row.undone_at,
        holds=holds,
    )
