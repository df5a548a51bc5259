"""Forecasts of the air outdoors that somebody publishes: checked, kept, and laid out to learn from.

They are never mixed with readings: a forecast is no measurement and answers no spray check.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from typing import Annotated

import numpy as np
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator
from sqlmodel import Session, col, func, select

from service.science import air as moist
from service.shop.outlook import Told
from service.shop.said import say
from service.store import marks
from service.store.errors import BadInput
from service.store.tables import Forecast
from service.store.types import from_millis

__all__ = ["NewForecast", "NewHour", "keep", "state", "told"]

HOURS_MOST = 400
AHEAD_MOST = timedelta(days=16)
CLOCKS_APART = timedelta(minutes=10)
LEARNED_FROM = timedelta(days=120)
DRIEST_PCT = 1.0


class NewHour(BaseModel):
    """Air outdoors as it is foretold for one instant."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    at: AwareDatetime
    air_c: Annotated[float, Field(ge=-60, le=60)]
    rh_pct: Annotated[float, Field(ge=0, le=100)]
    pressure_pa: Annotated[float, Field(ge=50_000, le=110_000)] | None = None


class NewForecast(BaseModel):
    """One issue of a forecast of the air outdoors, by rising instants.

    Without ``issued_at`` it counts as issued when it came in.
    """

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    issued_at: AwareDatetime | None = None
    hours: Annotated[list[NewHour], Field(min_length=2, max_length=HOURS_MOST)]

    @model_validator(mode="after")
    def _rising(self) -> NewForecast:
        for place, (before, after) in enumerate(pairwise(self.hours)):
            if after.at <= before.at:
                raise ValueError(f"hours.{place + 1}.at: must be later than the hour before it")
        return self


def keep(session: Session, given: NewForecast, now: datetime) -> int:
    """Keep an issue; what is already there of it stays. Returns how many hours were new.

    Raises
    ------
    BadInput
        Naming ``issued_at`` or ``hours.N.at``.
    """
    issued_at = given.issued_at or now
    if issued_at > now + CLOCKS_APART:
        raise BadInput(
            "issued_at", say("{issued_at} is yet to come", issued_at=issued_at.isoformat())
        )
    if issued_at < now - LEARNED_FROM:
        raise BadInput("issued_at", say("is too long ago to be learned from"))
    for place, hour in enumerate(given.hours):
        if not issued_at - timedelta(days=1) <= hour.at <= issued_at + AHEAD_MOST:
            raise BadInput(
                f"hours.{place}.at", say("is not within a day before and 16 days after issued_at")
            )
    result = session.connection().execute(
        marks.insert(session)(Forecast).on_conflict_do_nothing(),
        [{"issued_at": issued_at, **hour.model_dump()} for hour in given.hours],
        execution_options={"preserve_rowcount": True},
    )
    return int(result.rowcount)


def state(session: Session, until_s: float) -> tuple[int, datetime | None]:
    """Say how many hours were foretold by an instant, and when last: both change with news."""
    until = from_millis(int(until_s * 1000))
    count, last = session.exec(
        select(func.count(), func.max(Forecast.issued_at)).where(
            col(Forecast.issued_at) <= until, col(Forecast.issued_at) > until - LEARNED_FROM
        )
    ).one()
    return int(count), last


def told(session: Session, until_s: float) -> Told | None:
    """Return what was foretold by an instant; None where nothing was."""
    until = from_millis(int(until_s * 1000))
    rows = session.exec(
        select(Forecast.issued_at, Forecast.at, Forecast.air_c, Forecast.rh_pct)
        .where(col(Forecast.issued_at) <= until, col(Forecast.issued_at) > until - LEARNED_FROM)
        .order_by(col(Forecast.issued_at), col(Forecast.at))
    ).all()
    if not rows:
        return None
    air_c = np.array([row[2] for row in rows])
    rh_pct = np.maximum([row[3] for row in rows], DRIEST_PCT)
    coldest = np.maximum(air_c, -40.0)
    dew_c = np.asarray(moist.dew_point(coldest, rh_pct))
    return Told(
        np.array([row[0].timestamp() for row in rows]),
        np.array([row[1].timestamp() for row in rows]),
        air_c,
        np.minimum(dew_c, air_c),
    )
