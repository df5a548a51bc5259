"""What a place's record holds, piece by piece, so that years of it never lie in memory at once.

An export names its columns with their units, and yields the record in chunks of columns. Writing
them as a file is :mod:`service.store.export_files`'s.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import numpy as np
from sqlmodel import Session, col, func, select

from service.shop.said import say
from service.store import corrections, horizon, raw
from service.store import history as histories
from service.store.db import Database
from service.store.errors import BadInput, NotFound
from service.store.marks import HOUR_MS
from service.store.tables import Place, Reading, RollUp
from service.store.types import from_millis, to_millis

__all__ = ["BUCKET_COLUMNS", "RAW_COLUMNS", "Column", "Export", "export"]

DAY_MS = 24 * HOUR_MS
BUCKETS_AT_ONCE = 2000
MOST_POINTS = 5000
DECIMALS = 4
"""Corrected and derived values are given to as many places as readings are kept in."""

Kind = Literal["instant", "text", "words", "number", "count"]


@dataclass(frozen=True)
class Column:
    """A column's name, its unit (None: it has none), and what its values are.

    ``instant`` is whole milliseconds since 1970 UTC, ``words`` a tuple of text.
    """

    name: str
    unit: str | None
    kind: Kind


RAW_COLUMNS = (
    Column("at", "UTC", "instant"),
    Column("sensor", None, "text"),
    Column("air_c", "°C", "number"),
    Column("rh_pct", "%", "number"),
    Column("dew_point_c", "°C", "number"),
    Column("surface_c", "°C", "number"),
    Column("pressure_pa", "Pa", "number"),
    Column("battery_pct", "%", "count"),
    Column("raw_air_c", "°C", "number"),
    Column("raw_rh_pct", "%", "number"),
    Column("raw_surface_c", "°C", "number"),
    Column("flags", None, "words"),
    Column("received_at", "UTC", "instant"),
)
"""Corrected values, then those that were sent; ``flags`` by name."""

BUCKET_COLUMNS = (
    Column("at", "UTC", "instant"),
    Column("count", None, "count"),
    Column("flagged", None, "count"),
    Column("left_out", None, "count"),
    *(
        Column(f"{name}_{what}", unit, "number")
        for name, unit in (("air_c", "°C"), ("rh_pct", "%"))
        for what in ("min", "mean", "max")
    ),
    Column("surface_c", "°C", "number"),
    Column("dew_point_c", "°C", "number"),
)

Chunk = Mapping[str, Sequence[Any]]
"""Values by column, all of one length; None where there is none."""


@dataclass(frozen=True)
class Export:
    """A place's record over a span, both ends included.

    ``corrections`` are those that stand, as they are laid over what was sent; ``note`` says what a
    person should know of the span, or is empty.
    """

    place: str
    place_name: str
    sensors: tuple[str, ...]
    from_at: datetime
    to_at: datetime
    resolution: str
    columns: tuple[Column, ...]
    corrections: tuple[Mapping[str, Any], ...]
    note: str
    _db: Database
    _step_s: int | None

    def chunks(self) -> Iterator[Chunk]:
        """Yield the record, oldest first; each chunk is a short read of its own."""
        yield from _raw_chunks(self) if self._step_s is None else _bucket_chunks(
            self, self._step_s
        )  # fmt: skip


def export(
    db: Database,
    place_id: str,
    *,
    from_at: datetime | None = None,
    to_at: datetime | None = None,
    resolution: str = "raw",
) -> Export:
    """Prepare an export; without a span, of everything there is.

    Parameters
    ----------
    resolution : str
        ``raw``, a duration such as ``15m``, or ``auto``: at most 5000 buckets.

    Raises
    ------
    NotFound, BadInput
        Naming ``place``, ``from`` or ``resolution``.
    """
    with db.read() as session:
        place = session.get(Place, place_id)
        if place is None:
            raise NotFound("place", say("there is no place {name!r}", name=place_id))
        sensors = histories.names(session, place_id)
        first, last, note = _span(session, sensors, from_at, to_at, resolution)
        if first > last:
            raise BadInput("from", say("must not lie after `to`"))
        step_s = histories.step_of(session, place_id, first, last, resolution, MOST_POINTS)
        standing = corrections.standing(session, sensors)
        return Export(
            place=place.id,
            place_name=place.name,
            sensors=tuple(sensors.values()),
            from_at=first,
            to_at=last,
            resolution=histories.named(step_s),
            columns=RAW_COLUMNS if step_s is None else BUCKET_COLUMNS,
            corrections=tuple(
                {"sensor": sensors[sensor_id]} | dataclasses.asdict(one)
                | {"from_at": from_millis(round(one.from_s * 1000)).isoformat()}
                for sensor_id, known in standing.items()
                for pieces in known.by_quantity.values()
                for one in pieces
            ),
            note=note,
            _db=db,
            _step_s=step_s,
        )  # fmt: skip


def _span(
    session: Session,
    sensors: Mapping[int, str],
    from_at: datetime | None,
    to_at: datetime | None,
    resolution: str,
) -> tuple[datetime, datetime, str]:
    """Return the span, and a note where its beginning had to be chosen for what is kept."""
    bounds = [
        session.exec(
            select(func.min(table.at), func.max(table.at)).where(col(table.sensor_id).in_(sensors))
        ).one()
        for table in (Reading, RollUp)
    ]
    firsts = [low for low, _ in bounds if low is not None]
    lasts = [high for _, high in bounds[:1] if high is not None]
    first = from_at or min(firsts, default=from_millis(0))
    last = to_at or max(lasts, default=first)
    limit = horizon.horizon(session)
    if resolution != "raw" or from_at is not None or limit is None or to_millis(first) >= limit:
        return first, last, ""
    note = (
        f"single readings before {from_millis(limit):%Y-%m-%d %H:%M} UTC are no longer kept; "
        "of what was before ask for 5m or a multiple of it"
    )
    return min(from_millis(limit), last), last, note


def _raw_chunks(wanted: Export) -> Iterator[Chunk]:
    at = to_millis(wanted.from_at)
    end = to_millis(wanted.to_at) + 1
    while at < end:
        with wanted._db.read() as session:  # noqa: SLF001 -- the same module's
            names = histories.names(session, wanted.place)
            first = session.exec(
                select(func.min(Reading.at)).where(
                    col(Reading.sensor_id).in_(names), col(Reading.at) >= from_millis(at)
                )
            ).one()
            if first is None:
                return
            at = to_millis(first)
            until = min(at - at % DAY_MS + DAY_MS, end)
            if at < until:
                yield _raw_chunk(session, names, at, until)
            at = until


def _raw_chunk(session: Session, names: Mapping[int, str], start: int, end: int) -> Chunk:
    found = raw.read(session, list(names), start, end)

    def rounded(values: Any) -> list[float | None]:
        return raw.without_nan(np.round(values, DECIMALS))

    return {
        "at": found.at_ms.tolist(),
        "sensor": [names[sensor_id] for sensor_id in found.sensor_id.tolist()],
        **{name: rounded(values) for name, values in found.corrected.items()},
        "dew_point_c": rounded(found.dew_point_c()),
        "pressure_pa": rounded(found.pressure_pa),
        "battery_pct": [None if b is None else int(b) for b in raw.without_nan(found.battery_pct)],
        **{f"raw_{name}": rounded(values) for name, values in found.sent.items()},
        "flags": found.flag_names(),
        "received_at": (found.at_ms + found.delay_ms).tolist(),
    }


def _bucket_chunks(wanted: Export, step_s: int) -> Iterator[Chunk]:
    span_ms = step_s * 1000 * BUCKETS_AT_ONCE
    at, end = to_millis(wanted.from_at), to_millis(wanted.to_at)
    while at <= end:
        # A chunk ends with a whole bucket, so that none comes in two parts.
        until = min(at - at % (step_s * 1000) + span_ms, end + 1)
        with wanted._db.read() as session:  # noqa: SLF001 -- the same module's
            rows = histories.buckets(
                session, wanted.place, from_millis(at), from_millis(until - 1), step_s
            )
            later = None if rows else _next_at(session, wanted.place, until)
        if rows:
            yield _bucket_chunk(rows)
            at = until
        elif later is None:
            return
        else:
            # A span may be centuries long; on to the bucket of what comes next.
            at = max(until, later - later % (step_s * 1000))


def _next_at(session: Session, place_id: str, since: int) -> int | None:
    """Return when the next reading or roll-up of a place begins; None where nothing follows."""
    names = histories.names(session, place_id)
    found = [
        session.exec(
            select(func.min(table.at)).where(
                col(table.sensor_id).in_(names), col(table.at) >= from_millis(since)
            )
        ).one()
        for table in (Reading, RollUp)
    ]
    return min((to_millis(at) for at in found if at is not None), default=None)


def _bucket_chunk(rows: Sequence[Mapping[str, Any]]) -> Chunk:
    def rounded(values: Sequence[float | None]) -> list[float | None]:
        return [None if value is None else round(value, DECIMALS) for value in values]

    found: dict[str, Sequence[Any]] = {
        "at": [to_millis(row["at"]) for row in rows],
        "surface_c": rounded([row["surface_c"] for row in rows]),
        "dew_point_c": rounded([row["dew_point_c"] for row in rows]),
    }
    for name in ("count", "flagged", "left_out"):
        found[name] = [row[name] for row in rows]
    for name in ("air_c", "rh_pct"):
        for what in ("min", "mean", "max"):
            found[f"{name}_{what}"] = rounded([row[name][what] for row in rows])
    return found
