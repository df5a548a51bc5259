"""The sensors that evidence rests on: how sure they are, when checked, and how corrected."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session, col, func, select

from service.shop.correction import Corrections
from service.shop.evidence.model import CorrectionNote, SensorNote
from service.shop.evidence.rows import Doubt
from service.store import corrections
from service.store.tables import Correction, RollUp, Sensor

__all__ = ["Heard", "heard_in"]

HOUR_S = 3600


@dataclass(frozen=True)
class Heard:
    """Sensors of some places that were heard between two instants, and all their corrections."""

    from_at: datetime
    until_at: datetime
    sensors: Sequence[Sensor]
    readings: Mapping[int, int]
    standing: Mapping[int, Corrections]
    every: Mapping[int, Sequence[Correction]]

    def doubts(self, at_s: float) -> dict[str, Doubt]:
        """Return the uncertainty of each place's air at an instant: its least sure sensor's."""
        found: dict[str, Doubt] = {}
        for sensor in self.sensors:
            known = self.standing[int(sensor.id or 0)]
            air = known.sd("air_c", at_s, sensor.air_sd_k)
            rh = known.sd("rh_pct", at_s, sensor.rh_sd_pct)
            other = found.get(sensor.place_id, Doubt(0.0, 0.0))
            found[sensor.place_id] = Doubt(max(air, other.air_sd_k), max(rh, other.rh_sd_pct))
        return found

    def notes(self) -> tuple[SensorNote, ...]:
        """Say of each sensor how much it told and when it was last checked."""
        found = []
        for sensor in self.sensors:
            own = int(sensor.id or 0)
            checks = [
                c for c in self.every[own] if c.undone_at is None and c.from_at <= self.until_at
            ]
            last = max(checks, key=lambda c: (c.from_at, c.id or 0), default=None)
            found.append(
                SensorNote(
                    sensor_id=own,
                    place_id=sensor.place_id,
                    sensor=sensor.name,
                    readings=self.readings[own],
                    checked_at=None if last is None else last.from_at,
                    check_method=None if last is None else last.method,
                )
            )
        return tuple(found)

    def corrections(self, logged_at: datetime) -> tuple[CorrectionNote, ...]:
        """Return the corrections that bear on the figures, or did until after ``logged_at``."""
        found = []
        for sensor in self.sensors:
            every = self.every[int(sensor.id or 0)]
            for row in every:
                undone_later = row.undone_at is not None and row.undone_at > logged_at
                in_force = row.undone_at is None and self._holds(row, every)
                later = row.made_at > logged_at or undone_later
                known_then = row.made_at <= logged_at
                if in_force or (undone_later and known_then and row.from_at < self.until_at):
                    found.append(_note(sensor, row, in_force=in_force, later=later))
        return tuple(sorted(found, key=lambda note: (note.from_at, note.made_at)))

    def _holds(self, row: Correction, every: Sequence[Correction]) -> bool:
        """Whether there is a moment of the evidence at which a correction is the one that holds."""
        begins = [
            (other.from_at, other.id or 0)
            for other in every
            if other.quantity == row.quantity and other.undone_at is None
        ]
        own = (row.from_at, row.id or 0)
        ends = min((at for at, number in begins if (at, number) > own), default=None)
        return (
            row.from_at < self.until_at
            and (ends is None or ends > self.from_at)
            and (ends is None or ends > row.from_at)
        )


def heard_in(
    session: Session, place_ids: Sequence[str], from_at: datetime, until_at: datetime
) -> Heard:
    """Read which sensors of places were heard, by the hour, and their corrections."""
    sensors = session.exec(
        select(Sensor)
        .where(col(Sensor.place_id).in_(place_ids))
        .order_by(col(Sensor.place_id), col(Sensor.name))
    ).all()
    ids = [int(s.id or 0) for s in sensors]
    counts = session.exec(
        select(RollUp.sensor_id, func.sum(RollUp.count))
        .where(col(RollUp.sensor_id).in_(ids), col(RollUp.step_s) == HOUR_S)
        .where(
            col(RollUp.at) > from_at - timedelta(seconds=HOUR_S),
            col(RollUp.at) <= until_at,
        )
        .group_by(col(RollUp.sensor_id))
    ).all()
    readings = {int(sensor_id): int(count) for sensor_id, count in counts if count}
    every: dict[int, list[Correction]] = defaultdict(list)
    for row in session.exec(select(Correction).where(col(Correction.sensor_id).in_(ids))):
        every[row.sensor_id].append(row)
    heard = [s for s in sensors if int(s.id or 0) in readings]
    own = [int(s.id or 0) for s in heard]
    return Heard(
        from_at, until_at, heard, readings, corrections.standing(session, own),
        {sensor_id: every[sensor_id] for sensor_id in own},
    )  # fmt: skip


def _note(sensor: Sensor, row: Correction, *, in_force: bool, later: bool) -> CorrectionNote:
    return CorrectionNote(
        sensor_id=row.sensor_id,
        place_id=sensor.place_id,
        sensor=sensor.name,
        quantity=row.quantity,
        from_at=row.from_at,
        slope=row.slope,
        offset=row.offset,
        sd=row.sd,
        method=row.method,
        made_at=row.made_at,
        undone_at=row.undone_at,
        in_force=in_force,
        later=later,
    )
