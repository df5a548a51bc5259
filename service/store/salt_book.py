"""The two-jar salt check of a sensor, from the first jar to the correction it makes.

A check is one row: which salt since when, and what was taken of it. Whether a jar has settled is
not kept but follows, each time it is asked, from the readings since the jar was closed; so a check
goes on after a restart where it was, and readings that come late count. While it is open, and until
the sensor has come back to the air, :mod:`service.store.absences` keeps what it says out of the air
of its place.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

import numpy as np
from sqlmodel import Session, col, select

from service.clock import Clock
from service.science.salts import SALTS, equilibrium_rh
from service.shop.correction import Corrections
from service.shop.jars import Jar, JarError, Outcome, is_apart, outcome
from service.shop.said import say
from service.shop.settled import FIT_S, WINDOW_S, Settling, settling
from service.store import corrections
from service.store.db import Database
from service.store.errors import BadInput, Conflict, NotFound
from service.store.fields import instant, one_of, text
from service.store.marks import mark_from
from service.store.sensor_views import sensor_row
from service.store.tables import Correction, Reading, SaltCheck

__all__ = ["SaltBook", "SaltCheckView", "Stage", "ViewedJar"]

LOOK_BACK = timedelta(seconds=FIT_S + WINDOW_S)
"""Nothing older than this bears on whether a jar has settled."""

Stage = Literal["first jar", "to second jar", "second jar", "result", "adopted", "given up"]


@dataclass(frozen=True)
class ViewedJar:
    """One jar: ``since`` None: not yet in it. ``taken`` and ``settling`` as far as there are."""

    salt: str
    since: datetime | None
    taken_at: datetime | None
    taken: Jar | None
    settled: bool
    settling: Settling | None
    before_pct: float | None
    """What the corrections that hold make of the reading."""

    @property
    def truth_pct(self) -> float | None:
        """Humidity over the salt at the jar's temperature, as far as that is known and fits it."""
        found = self.taken or self.settling
        if found is None or found.air_c is None:
            return None
        fit = SALTS[self.salt]
        if not fit.lowest_c <= found.air_c <= fit.highest_c:
            return None
        return float(equilibrium_rh(self.salt, found.air_c))


@dataclass(frozen=True)
class SaltCheckView:
    """A check as it stands. ``problem`` says why nothing follows from the two jars."""

    id: int
    sensor_id: int
    begun_at: datetime
    ended_at: datetime | None
    correction_id: int | None
    stage: Stage
    jars: tuple[ViewedJar, ViewedJar]
    outcome: Outcome | None
    problem: str | None
    problem_jar: int | None


class SaltBook:
    """Keeps salt checks; ``on_marked`` is told that flags are to be reckoned anew."""

    def __init__(self, db: Database, clock: Clock, on_marked: Callable[[], object]) -> None:
        self.db, self.clock, self.on_marked = db, clock, on_marked

    # -- asking ----------------------------------------------------------------------------

    def open_check(self, sensor_id: int) -> SaltCheckView | None:
        """Return the check under way of a sensor; None where there is none."""
        with self.db.read() as session:
            sensor_row(session, sensor_id)
            row = _open(session, sensor_id)
            return None if row is None else self._view(session, row)

    def latest(self, sensor_id: int) -> SaltCheckView:
        """Return the newest check of a sensor, under way or ended; raises NotFound."""
        with self.db.read() as session:
            sensor_row(session, sensor_id)
            row = session.exec(
                select(SaltCheck)
                .where(col(SaltCheck.sensor_id) == sensor_id)
                .order_by(col(SaltCheck.id).desc())
                .limit(1)
            ).first()
            if row is None:
                raise NotFound(
                    "salt_check",
                    say("sensor {sensor_id} had no salt check yet", sensor_id=sensor_id),
                )
            return self._view(session, row)

    # -- doing -----------------------------------------------------------------------------

    def begin(self, sensor_id: int, first: str, second: str) -> SaltCheckView:
        """Begin: the sensor is in the jar with the ``first`` salt now."""
        for field, salt in (("first", first), ("second", second)):
            one_of(field, salt, SALTS)
        if not is_apart(first, second):
            raise BadInput(
                "second",
                say(
                    "{second} is less than 20 % RH from {first}; take another",
                    second=second,
                    first=first,
                ),
            )
        now = self.clock.now()
        with self.db.write() as session:
            sensor = sensor_row(session, sensor_id)
            if sensor.retired_at is not None:
                raise Conflict("sensor", say("is out of use; bring it back first"))
            if _open(session, sensor_id) is not None:
                raise Conflict("salt_check", say("one is already under way for this sensor"))
            row = SaltCheck(
                sensor_id=sensor_id,
                begun_at=now,
                jars=[_jar(first, now), _jar(second, None)],
            )
            session.add(row)
            session.flush()
            mark_from(session, sensor.place_id, now)
            view = self._view(session, row)
        self.on_marked()
        return view

    def take(self, sensor_id: int, *, anyway: bool = False) -> SaltCheckView:
        """Take the reading of the jar the sensor is in.

        Raises
        ------
        Conflict
            Naming ``jar``: not settled yet, and not ``anyway``; or nothing to take.
        """
        with self.db.write() as session:
            row = self._under_way(session, sensor_id)
            view = self._view(session, row)
            index = {"first jar": 0, "second jar": 1}.get(view.stage)
            if index is None:
                raise Conflict(
                    "jar", say("the sensor is in no jar whose reading is still to be taken")
                )
            now_is = view.jars[index].settling
            if now_is is None or now_is.rh_pct is None or now_is.air_c is None:
                raise Conflict("jar", say("no reading has come from it within the last hour"))
            if not now_is.settled and not anyway:
                raise Conflict(
                    "jar", say("has not settled: {known}", known="; ".join(now_is.still))
                )
            taken = {
                "at": self.clock.now().isoformat(),
                "settled": now_is.settled,
                "air_c": now_is.air_c,
                "rh_pct": now_is.rh_pct,
                "rh_sd_pct": now_is.rh_sd_pct,
                "jar_sd_k": now_is.jar_sd_k,
            }
            self._write_jar(session, row, index, taken=taken)
            return self._view(session, row)

    def next_jar(self, sensor_id: int) -> SaltCheckView:
        """Say that the sensor is in the second jar now."""
        with self.db.write() as session:
            row = self._under_way(session, sensor_id)
            if self._view(session, row).stage != "to second jar":
                raise Conflict(
                    "jar", say("the first jar's reading comes first, and the second once")
                )
            self._write_jar(session, row, 1, since=self.clock.now().isoformat())
            return self._view(session, row)

    def repeat(self, sensor_id: int, jar: int) -> SaltCheckView:
        """Do one jar again (0 or 1): the sensor is back in it now; what was taken of it goes."""
        with self.db.write() as session:
            row = self._under_way(session, sensor_id)
            view = self._view(session, row)
            if jar not in (0, 1) or view.jars[jar].taken is None:
                raise Conflict("jar", say("only a jar that was taken can be done again"))
            self._write_jar(session, row, jar, since=self.clock.now().isoformat(), taken=None)
            if view.jars[1 - jar].taken is None:
                self._write_jar(session, row, 1 - jar, since=None)
            return self._view(session, row)

    def adopt(
        self, sensor_id: int, *, from_at: datetime | None = None, who: str = ""
    ) -> Correction:
        """Make the check's result the sensor's correction, and end the check.

        It holds from ``from_at`` on; by default from the beginning of the check.
        """
        now = self.clock.now()
        with self.db.write() as session:
            row = self._under_way(session, sensor_id)
            view = self._view(session, row)
            if view.outcome is None:
                raise Conflict("salt_check", view.problem or "both jars are needed first")
            start = row.begun_at if from_at is None else instant("from_at", from_at, now)
            correction = Correction(
                sensor_id=sensor_id,
                quantity="rh_pct",
                from_at=start,
                slope=view.outcome.slope,
                offset=view.outcome.offset_pct,
                sd=view.outcome.sd_pct,
                method="two jars",
                detail={"checked_at": now.isoformat(), "jars": [_told(j) for j in view.jars]},
                who=text("who", who, 80),
                made_at=now,
            )
            corrections.keep(session, correction)
            row.correction_id = correction.id
            self._end(session, row, now)
        self.on_marked()
        return correction

    def give_up(self, sensor_id: int, *, never_away: bool = False) -> None:
        """End the check without a correction.

        With ``never_away`` the sensor never left its place, and its readings count after all.
        """
        with self.db.write() as session:
            row = self._under_way(session, sensor_id)
            begun_at = row.begun_at
            if never_away:
                session.delete(row)
                mark_from(session, sensor_row(session, sensor_id).place_id, begun_at)
            else:
                self._end(session, row, self.clock.now())
        self.on_marked()

    # -- what the use cases share ----------------------------------------------------------

    def _under_way(self, session: Session, sensor_id: int) -> SaltCheck:
        sensor_row(session, sensor_id)
        row = _open(session, sensor_id)
        if row is None:
            raise Conflict("salt_check", say("none is under way for this sensor"))
        return row

    def _end(self, session: Session, row: SaltCheck, now: datetime) -> None:
        row.ended_at = now
        session.add(row)
        mark_from(session, sensor_row(session, row.sensor_id).place_id, now)

    def _write_jar(self, session: Session, row: SaltCheck, index: int, **fields: Any) -> None:
        # A JSON column is only written where it is another object.
        row.jars = [j | fields if i == index else j for i, j in enumerate(row.jars)]
        session.add(row)
        session.flush()

    def _view(self, session: Session, row: SaltCheck) -> SaltCheckView:
        known = corrections.standing(session, [row.sensor_id])[row.sensor_id]
        until = row.ended_at or self.clock.now()
        first, second = (_viewed(session, row, known, jar, until) for jar in row.jars)
        result, problem, blamed = _result(first, second)
        return SaltCheckView(
            id=int(row.id or 0),
            sensor_id=row.sensor_id,
            begun_at=row.begun_at,
            ended_at=row.ended_at,
            correction_id=row.correction_id,
            stage=_stage(row, first, second),
            jars=(first, second),
            outcome=result,
            problem=problem,
            problem_jar=blamed,
        )


def _open(session: Session, sensor_id: int) -> SaltCheck | None:
    return session.exec(
        select(SaltCheck).where(
            col(SaltCheck.sensor_id) == sensor_id, col(SaltCheck.ended_at).is_(None)
        )
    ).first()


def _jar(salt: str, since: datetime | None) -> dict[str, Any]:
    return {"salt": salt, "since": None if since is None else since.isoformat(), "taken": None}


def _viewed(
    session: Session, row: SaltCheck, known: Corrections, jar: dict[str, Any], until: datetime
) -> ViewedJar:
    salt = str(jar["salt"])
    since = None if jar["since"] is None else datetime.fromisoformat(jar["since"])
    taken = jar["taken"]
    if taken is not None:
        at = datetime.fromisoformat(taken["at"])
        return ViewedJar(
            salt=salt,
            since=since,
            taken_at=at,
            taken=Jar(salt, taken["air_c"], taken["rh_pct"], taken["rh_sd_pct"], taken["jar_sd_k"]),
            settled=bool(taken["settled"]),
            settling=None,
            before_pct=known.at("rh_pct", row.begun_at.timestamp() - 1.0, taken["rh_pct"]),
        )
    now_is = None if since is None else _settling(session, row.sensor_id, known, since, until)
    return ViewedJar(
        salt=salt,
        since=since,
        taken_at=None,
        taken=None,
        settled=now_is is not None and now_is.settled,
        settling=now_is,
        before_pct=None,
    )


def _settling(
    session: Session, sensor_id: int, known: Corrections, since: datetime, until: datetime
) -> Settling:
    rows = session.exec(
        select(Reading.at, Reading.raw_rh_pct, Reading.raw_air_c)
        .where(col(Reading.sensor_id) == sensor_id)
        .where(col(Reading.at) >= max(since, until - LOOK_BACK), col(Reading.at) <= until)
        .order_by(col(Reading.at))
    ).all()
    time_s = np.array([at.timestamp() for at, _, _ in rows])
    return settling(
        time_s,
        np.array([rh for _, rh, _ in rows]),
        known.apply("air_c", time_s, np.array([air for _, _, air in rows])),
        since_s=since.timestamp(),
        now_s=until.timestamp(),
    )


def _stage(row: SaltCheck, first: ViewedJar, second: ViewedJar) -> Stage:
    if row.ended_at is not None:
        return "given up" if row.correction_id is None else "adopted"
    if first.taken is None:
        return "first jar"
    if second.since is None:
        return "to second jar"
    return "second jar" if second.taken is None else "result"


def _result(first: ViewedJar, second: ViewedJar) -> tuple[Outcome | None, str | None, int | None]:
    if first.taken is None or second.taken is None:
        return None, None, None
    try:
        return outcome((first.taken, second.taken)), None, None
    except JarError as error:
        return None, str(error), error.jar


def _told(jar: ViewedJar) -> dict[str, Any]:
    """What a correction remembers of a jar."""
    if jar.taken is None:
        return {"salt": jar.salt}
    return asdict(jar.taken) | {"truth_pct": jar.taken.truth_pct, "settled": jar.settled}
