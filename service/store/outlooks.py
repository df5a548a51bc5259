"""The outlook of each place: fitted to its history in the background, asked from memory.

A fit belongs to a whole hour and knows nothing read after it; an issue belongs to a whole five
minutes. Both depend on the record and the clock alone, so a restart finds the same again.
"""

from __future__ import annotations

import logging
import threading
import time
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BigInteger, cast
from sqlmodel import Session, col, func, select

from service.clock import Clock
from service.shop.ahead import Ahead
from service.shop.clock_run import Hole
from service.shop.outlook import AirHistory, OutlookModel, Paths, Quantiles, Told, fit
from service.shop.outlook.bridge import hindcast_paths
from service.shop.outlook.history import HELD_S
from service.shop.said import say
from service.store import corrections, forecasts
from service.store.db import Database
from service.store.history import history
from service.store.memo import kept
from service.store.readings import sensors_of
from service.store.tables import PRESSURE_SCALE, Place, Reading, RollUp
from service.store.types import from_millis

__all__ = ["LEAST_DAYS", "PATHS", "Issue", "Outlooks"]

log = logging.getLogger(__name__)

Floats = NDArray[np.float64]

LEAST_DAYS = 3.0
"""With less history than this there is no outlook."""

HISTORY_DAYS = 120
FINE_DAYS = 3
COARSE, FINE = "15m", "5m"
FINE_S = 300.0

HOUR_S = 3600.0
ISSUE_S = 300.0
SILENT_MOST_S = 24 * HOUR_S
"""A place that was not heard for longer has no outlook."""

LATE_MOST = 100
"""So many readings more or fewer in the history of a fit make a new one."""

PATHS = 200
FAR_H = 240

BRIDGE_STEP_S = 1800.0

REST_S = 20.0
"""Real seconds between two looks at one place, however fast the clock is driven."""


@dataclass(frozen=True, eq=False)
class Issue:
    """The outlook of one place as it stands at ``issued_s``; what it tells is reckoned when asked.

    ``days`` of history stand behind it.
    """

    place_id: str
    model: OutlookModel
    issued_s: float
    days: float
    holes: dict[tuple[float, float], Hole | None] = field(default_factory=dict, repr=False)

    @property
    def seed(self) -> int:
        """Seed of what is drawn: the same for one place and instant."""
        return zlib.crc32(f"{self.place_id}@{self.issued_s:.0f}".encode())

    @cached_property
    def quantiles(self) -> Quantiles:
        """Quantiles at the hours of the next 48."""
        return self.model.forecast(self.issued_s)

    @cached_property
    def paths(self) -> Paths:
        """Courses by the hour, from the instant of issue to ten days ahead."""
        return self.model.long_paths(self.issued_s, PATHS, self.seed, FAR_H)

    @cached_property
    def ahead(self) -> Ahead:
        """The courses as drying clocks take them."""
        return Ahead.of(self.paths)

    def prepare(self) -> None:
        """Reckon now what would be reckoned when first asked."""
        _ = self.quantiles, self.ahead

    def hole(self, start_s: float, end_s: float) -> Hole | None:
        """Bridge a stretch without readings; None where the history does not hold both its ends."""
        if (start_s, end_s) not in self.holes:
            self.holes[start_s, end_s] = self._hole(start_s, end_s)
        return self.holes[start_s, end_s]

    def _hole(self, start_s: float, end_s: float) -> Hole | None:
        record = self.model.history
        inner = np.arange(start_s + BRIDGE_STEP_S, end_s - 60.0, BRIDGE_STEP_S)
        times = np.concatenate([[start_s], inner, [end_s]])
        if record.time_s[0] > start_s or record.time_s[-1] < end_s - FINE_S:
            return None
        seed = zlib.crc32(f"{self.place_id}@{start_s:.0f}".encode())
        air_c, dew_c = hindcast_paths(record, times, PATHS, seed)
        made = Ahead.of(Paths(start_s, (times - start_s) / HOUR_S, air_c, dew_c))
        return Hole(made.time_s, made.air_c, made.rh_pct)


@dataclass
class _Fitted:
    """What is kept of one place."""

    model: OutlookModel
    mark: tuple[int, int]
    days: float
    issue: Issue | None = None
    holes: dict[tuple[float, float], Hole | None] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)


class Outlooks:
    """Keeps an outlook for every place.

    :meth:`refresh` fits and is called by a timer in a thread of its own; :meth:`of` only asks.
    ``rest_s`` real seconds at least lie between two looks at one place.
    """

    def __init__(self, db: Database, clock: Clock, rest_s: float = REST_S) -> None:
        self._db, self._clock, self._rest_s = db, clock, rest_s
        self._fitted: dict[str, _Fitted] = {}
        self._short: dict[str, float] = {}
        self._looked: dict[str, float] = {}
        self._one_at_a_time = threading.Lock()
        self._told_kept: tuple[tuple[int, datetime | None], Told | None] | None = None

    def refresh(
        self, first: Sequence[str] = (), told: Callable[[str], object] = lambda _place: None
    ) -> list[str]:
        """Fit what is due; returns the places fitted anew.

        Parameters
        ----------
        first : sequence of str
            Places that somebody looks at: they go before the others.
        told : callable
            Told of each place as soon as it has a new outlook.
        """
        done: list[str] = []
        failed: ValueError | None = None
        with self._one_at_a_time:
            with self._db.read() as session:
                places = [str(place_id) for place_id in session.exec(select(Place.id)).all()]
            for place_id in sorted(places, key=lambda place_id: place_id not in first):
                try:
                    if self._refresh(place_id):
                        done.append(place_id)
                        told(place_id)
                except ValueError as error:  # the others have theirs all the same
                    failed = error
            with self._db.read() as session:
                # Drawn here, so that whoever asks next need not wait for it.
                issues = [self.of(session, place_id) for place_id in places]
            for issue in issues:
                if issue is not None:
                    issue.prepare()
        if failed is not None:
            raise failed
        return done

    def of(self, session: Session, place_id: str) -> Issue | None:
        """Return a place's outlook as of its newest reading; None: see :meth:`why_none`."""
        fitted = self._fitted.get(place_id)
        if fitted is None:
            return None
        now_s = self._clock.now().timestamp()
        # Which spans are over changes with every new one.
        span = now_s // FINE_S
        newest_s = kept(
            session, ("newest", place_id, span), lambda: _newest(session, place_id, now_s)
        )
        if newest_s is None or now_s - newest_s > SILENT_MOST_S:
            return None
        issued_s = np.floor(newest_s / ISSUE_S) * ISSUE_S
        if issued_s < fitted.model.fitted_s:  # the clock was set back, or readings were taken out
            return None
        with fitted.lock:
            if fitted.issue is None or fitted.issue.issued_s != issued_s:
                told = self._told(session, issued_s)
                fitted.issue = _issued(session, place_id, fitted, issued_s, told)
            return fitted.issue

    def _told(self, session: Session, until_s: float) -> Told | None:
        state, kept = forecasts.state(session, until_s), self._told_kept
        if kept is None or kept[0] != state:
            kept = state, forecasts.told(session, until_s) if state[0] else None
            self._told_kept = kept
        return kept[1]

    def at_once(self) -> Callable[[Session, str], Issue | None]:
        """Return :meth:`of` for one look at the shop: each place is looked up once."""
        found: dict[str, Issue | None] = {}

        def of(session: Session, place_id: str) -> Issue | None:
            if place_id not in found:
                found[place_id] = self.of(session, place_id)
            return found[place_id]

        return of

    def fitted(self) -> dict[str, datetime]:
        """Tell up to when the record of each place was used for its outlook."""
        return {
            place_id: datetime.fromtimestamp(kept.model.fitted_s, UTC)
            for place_id, kept in list(self._fitted.items())
        }

    def why_none(self, place_id: str) -> str:
        """Say why a place has no outlook."""
        if place_id in self._fitted:
            return say("nothing was heard from this place lately, so there is no outlook")
        days = self._short.get(place_id)
        if days is None:
            return say("the outlook is being made, and shows here in a moment")
        return say(
            "the outlook needs {least:.0f} days of readings from this place; there are {days:.1f}",
            least=LEAST_DAYS,
            days=days,
        )

    def _refresh(self, place_id: str) -> bool:
        now_s, kept = self._clock.now().timestamp(), self._fitted.get(place_id)
        looked = self._looked.get(place_id)
        if looked is not None and time.monotonic() - looked < self._rest_s:
            return False
        self._looked[place_id] = time.monotonic()
        with self._db.read() as session:
            newest_s = _newest(session, place_id, now_s)
            if newest_s is None:
                self._short[place_id] = 0.0
                return False
            until_s = np.floor(newest_s / HOUR_S) * HOUR_S
            sensor_ids = sensors_of(session, place_id)
            mark = _mark(session, sensor_ids, until_s)
            if kept is not None and not _due(kept, mark, until_s):
                return False
            record = _record(session, place_id, sensor_ids, until_s)
            told = self._told(session, until_s)
        days = _days(record)
        if days < LEAST_DAYS:
            self._short[place_id] = days
            self._fitted.pop(place_id, None)
            return False
        begun = time.perf_counter()
        model = fit(record, until_s, told)
        log.info("outlook of %s fitted in %.2f s", place_id, time.perf_counter() - begun)
        self._fitted[place_id] = _Fitted(model, mark, days)
        return True


def _days(record: AirHistory) -> float:
    """Days of which something was read, by the hour."""
    return float(np.unique(record.time_s // HOUR_S).size) / 24.0


def _due(kept: _Fitted, mark: tuple[int, int], until_s: float) -> bool:
    if kept.model.fitted_s != until_s or kept.mark[1] != mark[1]:
        return True
    return abs(kept.mark[0] - mark[0]) > LATE_MOST


def _mark(session: Session, sensor_ids: Sequence[int], until_s: float) -> tuple[int, int]:
    """What tells that the history of a fit has changed: how many readings, which corrections."""
    until = from_millis(int(until_s * 1000))
    readings = session.exec(
        select(func.sum(RollUp.count)).where(
            col(RollUp.sensor_id).in_(sensor_ids), RollUp.step_s == 3600, RollUp.at < until
        )
    ).one()
    standing = corrections.standing(session, sensor_ids)
    held = hash(tuple(sorted((i, repr(known)) for i, known in standing.items())))
    return int(readings or 0), held


def _newest(session: Session, place_id: str, now_s: float) -> float | None:
    """End of the newest span of a place that is over and has readings to rely on."""
    spans = [
        session.exec(
            select(RollUp.at)
            .where(col(RollUp.sensor_id) == sensor_id, col(RollUp.step_s) == int(FINE_S))
            .where(col(RollUp.count) > col(RollUp.doubtful))
            .where(col(RollUp.at) <= from_millis(int(1000 * (now_s - FINE_S))))
            .order_by(col(RollUp.at).desc())
            .limit(1)
        ).first()
        for sensor_id in sensors_of(session, place_id)
    ]
    known = [at for at in spans if at is not None]
    if not known:
        return None
    return max(known).timestamp() + FINE_S


def _issued(
    session: Session, place_id: str, fitted: _Fitted, issued_s: float, told: Told | None
) -> Issue | None:
    model = fitted.model
    since = from_millis(int(model.fitted_s * 1000))
    until = from_millis(int(issued_s * 1000))
    if until > since:
        tail = _read(session, place_id, since, until, FINE)
        model = model.with_history(_joined(model.history, tail), told)
    past = model.history.time_s[model.history.time_s <= issued_s]
    if past.size == 0 or issued_s - past[-1] > HELD_S:
        return None
    return Issue(place_id, model, issued_s, fitted.days, fitted.holes)


def _record(
    session: Session, place_id: str, sensor_ids: Sequence[int], until_s: float
) -> AirHistory:
    until = from_millis(int(until_s * 1000))
    fine, first = until - timedelta(days=FINE_DAYS), until - timedelta(days=HISTORY_DAYS)
    older = _read(session, place_id, first, fine, COARSE)
    newer = _read(session, place_id, fine, until, FINE)
    time_s, air_c, rh_pct = (np.concatenate(pair) for pair in zip(older, newer, strict=True))
    pressure = _pressure(session, sensor_ids, time_s) if time_s.size else None
    return AirHistory.from_rh(time_s, air_c, rh_pct, pressure)


def _read(
    session: Session, place_id: str, from_at: datetime, to_at: datetime, step: str
) -> tuple[Floats, Floats, Floats]:
    """Read mean air, each stamped with the end of its span; what is mostly flagged is left out."""
    if to_at <= from_at:
        return np.empty(0), np.empty(0), np.empty(0)
    step_s = 60.0 * float(step[:-1])
    end = to_at - timedelta(milliseconds=1)
    rows = history(session, place_id, from_at, end, resolution=step).rows
    kept = [row for row in rows if 2 * row["flagged"] < row["count"]]
    return (
        np.array([row["at"].timestamp() + step_s for row in kept]),
        np.array([row["air_c"]["mean"] for row in kept]),
        np.array([row["rh_pct"]["mean"] for row in kept]),
    )


def _joined(history_: AirHistory, tail: tuple[Floats, Floats, Floats]) -> AirHistory:
    time_s, air_c, rh_pct = tail
    later = time_s > history_.time_s[-1]
    if not later.any():
        return history_
    new = AirHistory.from_rh(time_s[later], air_c[later], rh_pct[later])
    pressure = None
    if history_.pressure_pa is not None:
        known = history_.pressure_pa[np.isfinite(history_.pressure_pa)]
        last = float(known[-1]) if known.size else np.nan
        pressure = np.concatenate([history_.pressure_pa, np.full(new.time_s.size, last)])
    return AirHistory(
        np.concatenate([history_.time_s, new.time_s]),
        np.concatenate([history_.air_c, new.air_c]),
        np.concatenate([history_.dew_point_c, new.dew_point_c]),
        pressure,
        history_.breaks_s,
    )


def _pressure(session: Session, sensor_ids: Sequence[int], time_s: Floats) -> Floats | None:
    """Pressure [Pa] at some instants by the hourly means of the sensor that told most of them."""
    at_ms = cast(col(Reading.at), BigInteger)
    hour = at_ms - at_ms % 3_600_000
    rows = session.connection().execute(
        select(col(Reading.sensor_id), hour, func.avg(cast(col(Reading.pressure_pa), BigInteger)))
        .where(col(Reading.sensor_id).in_(sensor_ids), col(Reading.pressure_pa).is_not(None))
        .where(col(Reading.at) >= from_millis(int(time_s[0] * 1000)))
        .where(col(Reading.at) <= from_millis(int(time_s[-1] * 1000)))
        .group_by(col(Reading.sensor_id), hour)
        .order_by(hour)
    )
    by_sensor: dict[int, list[tuple[float, float]]] = {}
    for sensor_id, start_ms, mean in rows:
        by_sensor.setdefault(sensor_id, []).append(
            (float(start_ms) / 1000.0 + HOUR_S, float(mean) / PRESSURE_SCALE)
        )
    if not by_sensor:
        return None
    told = np.array(max(by_sensor.values(), key=len))
    found = np.interp(time_s, told[:, 0], told[:, 1])
    near = np.searchsorted(told[:, 0], time_s).clip(0, told.shape[0] - 1)
    away = np.minimum(np.abs(told[near, 0] - time_s), np.abs(told[near - 1, 0] - time_s))
    return np.where(away <= 3 * HOUR_S, found, np.nan)
