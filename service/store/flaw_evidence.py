"""The evidence behind a flaw, gathered from the record and made into figures by ``shop.evidence``.

It rests on the record alone: on readings, corrections, coats and what the shop has taught, and on
nothing that is only in memory, so that it comes out the same after a restart or a rebuild.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property
from typing import Literal

from sqlmodel import Session

from service.shop.evidence import unknown
from service.shop.evidence.model import (
    AirAt,
    CoatEvidence,
    Evidence,
    FilmAt,
    Move,
    StepEvidence,
    Wait,
    WoodCourse,
)
from service.shop.evidence.plate import LEAD_S, wood_course
from service.shop.evidence.rows import FINE_S, Rows, air_at, air_span
from service.shop.evidence.swings import swings
from service.shop.evidence.waits import hardest, mark_before, wait_of
from service.shop.film_left import SANDING_KINDS
from service.shop.flaws import coated_with
from service.shop.parts import touches
from service.shop.schedule import Schedule
from service.shop.wood_watch import plate_of
from service.store import flaw_neighbours as neighbours
from service.store import history
from service.store.catalogue import Catalogue
from service.store.flaw_build import film_build
from service.store.flaw_film import FilmCase, FilmReckoner, film_case
from service.store.flaw_sensors import Heard, heard_in
from service.store.pieces import Piece, load_piece, marks_of, schedule_of, stays_of
from service.store.reckoning import Reckoning
from service.store.tables import Coat, Flaw, Place, StepDone
from service.store.verdicts import reckoning_of

__all__ = ["BEFORE", "Gathering", "coats_under", "spans_around"]

BEFORE = timedelta(hours=6)
AFTER = timedelta(hours=24)
SET_FOR_S = 6 * 3600.0
"""How long after a coat a fall of temperature still works on its film (assumed)."""

OPEN_FOR_S = 2 * 3600.0
"""How long damp air still works on a film that sets (assumed)."""

KEPT_IN = frozenset({"store", "outdoors"})
"""Kinds of place where a piece may lie or be cased."""

HOUR_S = 3600.0
STEPS_S = (300, 600, 1800, 3600, 7200, 21_600, 43_200, 86_400)
NO_MEMORY = timedelta(milliseconds=1)

Ends = Literal["recoat", "sand", "flaw", "day"]


def coats_under(piece: Piece, flaw: Flaw) -> list[Coat]:
    """Return the coats under a flaw's part that were on by when it was seen, oldest first."""
    return [c for c in piece.of(coated_with(flaw.part)).coats if c.at <= flaw.seen_at]


def spans_around(
    piece: Piece, coats: Sequence[Coat], seen_at: datetime
) -> list[tuple[str, datetime, datetime]]:
    """Return where and when the air bears on coats: before each in its place, after it as it hung.

    Place, from, and until before which; whole five minutes.
    """
    spans = []
    for coat in coats:
        spans.append((coat.place_id, _floor(coat.at - BEFORE), _floor(coat.at)))
        until = _ceil(min(coat.at + AFTER, max(seen_at, coat.at)))
        until = max(until, _floor(coat.at) + timedelta(seconds=FINE_S))
        spans += _whole(piece, _floor(coat.at), until, FINE_S)
    return spans


@dataclass
class Gathering:
    """Everything read for one flaw, and what is made of it."""

    session: Session
    catalogue: Catalogue
    flaw: Flaw
    reckon_films: FilmReckoner
    pressure_pa: float

    @cached_property
    def whole_piece(self) -> Piece:
        """The piece with everything that stands on it."""
        return load_piece(self.session, self.flaw.instrument_id)

    @cached_property
    def piece(self) -> Piece:
        """The piece with what was recorded on the flaw's part."""
        return self.whole_piece.of(coated_with(self.flaw.part))

    @cached_property
    def coats(self) -> list[Coat]:
        """Coats under the flaw, oldest first."""
        return coats_under(self.whole_piece, self.flaw)

    @cached_property
    def schedule(self) -> Schedule | None:
        """The schedule that the piece follows."""
        return schedule_of(self.whole_piece, self.catalogue)

    @cached_property
    def reckoning(self) -> Reckoning:
        """What the shop has taught; no outlook, which a restart would have to fit again."""
        # How far a coat was is told as the shop's coats go; what was said of it stands beside that.
        return replace(reckoning_of(self.session), not_yet={})

    @cached_property
    def from_at(self) -> datetime:
        """From six hours before the first coat."""
        return _floor((self.coats[0].at if self.coats else self.flaw.seen_at) - BEFORE)

    @cached_property
    def heard(self) -> Heard:
        """The sensors that the evidence rests on."""
        stays = _whole(self.whole_piece, self.from_at, self.flaw.seen_at, 1.0)
        places = {place for place, _, _ in stays} | {c.place_id for c in self.coats}
        return heard_in(self.session, sorted(places), self.from_at, self.flaw.seen_at)

    @cached_property
    def airs(self) -> list[AirAt | None]:
        """The air in which each coat under the flaw went on."""
        return [self.air_of(coat) for coat in self.coats]

    @cached_property
    def films(self) -> tuple[FilmAt | None, ...]:
        """The wet film of each coat under the flaw in that air."""
        return self.reckon_films(
            tuple(
                None if there is None else self.film_case_of(coat, there)
                for coat, there in zip(self.coats, self.airs, strict=True)
            )
        )

    def course(self, from_at: datetime, until_at: datetime, points: int) -> Rows:
        """Return the air that the piece hung in, in rows of a usual length."""
        span_s = (until_at - from_at).total_seconds()
        step_s = next((s for s in STEPS_S if span_s / s <= points), STEPS_S[-1])
        return self._rows(_whole(self.whole_piece, from_at, until_at, step_s), step_s)

    def evidence(self) -> Evidence:
        """Put it all together."""
        flaw = self.flaw
        coats = tuple(self._coat(index) for index in range(len(self.coats)))
        steps_by_then = [step for step in self.piece.steps if step.at <= flaw.seen_at]
        steps = tuple(self._step(step) for step in steps_by_then)
        moves = self._moves()
        first = self.coats[0].at if self.coats else None
        hours = None if first is None else self._hours(first)
        made = Evidence(
            flaw_id=flaw.id,
            instrument_id=flaw.instrument_id,
            kind=flaw.kind,
            part=flaw.part,
            coat_id=flaw.coat_id,
            seen_at=flaw.seen_at,
            logged_at=flaw.made_at,
            from_at=self.from_at,
            until_at=flaw.seen_at,
            coats=coats,
            steps=steps,
            moves=moves,
            handled=self._handled(steps, moves),
            swings=None
            if hours is None or first is None
            else swings(
                hours,
                self.coats[-1].at.timestamp(),
                flaw.seen_at.timestamp(),
                first.timestamp(),
            ),
            wood=None if hours is None or first is None else self._wood(hours, first),
            film=film_build(self.coats, steps_by_then, self.schedule, self.catalogue),
            beside=neighbours.beside(self.session, flaw, self.coats),
            sensors=self.heard.notes(),
            corrections=self.heard.corrections(flaw.made_at),
            not_known=(),
        )
        return replace(made, not_known=unknown.not_known(made))

    # -- coats -----------------------------------------------------------------------------

    def _coat(self, index: int) -> CoatEvidence:
        coat = self.coats[index]
        material = self.catalogue.material_of(coat.material_id, coat.material_version)
        step = self.schedule.step(coat.step_key) if self.schedule else None
        begun, at_s = _floor(coat.at), coat.at.timestamp()
        until, ends = self._until(coat)
        before = self._rows([(coat.place_id, begun - BEFORE, begun)], FINE_S)
        look = max(until, min(_ceil(self.flaw.seen_at), begun + timedelta(seconds=SET_FOR_S)))
        after = self._rows(_whole(self.whole_piece, begun, look, FINE_S), FINE_S)
        doubts, there = self.heard.doubts(at_s), self.airs[index]
        cooled, damp = _after(after, there.air_c if there else None, begun.timestamp())
        return CoatEvidence(
            coat_id=int(coat.id or 0),
            named=coat.id == self.flaw.coat_id,
            at=coat.at,
            parts=tuple(coat.parts),
            step_key=coat.step_key,
            step_name=step.name if step else coat.step_key,
            place_id=coat.place_id,
            who=coat.who,
            note=coat.note,
            material_id=coat.material_id,
            material_name=material.name if material else coat.material_id,
            material_version=coat.material_version,
            batch=coat.batch,
            fresh_batch=neighbours.fresh_batch(self.session, coat),
            wet_um=coat.wet_um,
            usual_wet_um=material.usual_wet_um if material else None,
            passes=coat.passes,
            build=coat.build,
            distance_cm=coat.distance_cm,
            usual_distance_cm=neighbours.usual_distance_cm(self.session, coat, material),
            retarder_pct=coat.retarder_pct,
            before=air_span(before, (begun - BEFORE).timestamp(), begun.timestamp(), doubts),
            air_at=there,
            film_at=self.films[index],
            after=air_span(after, begun.timestamp(), until.timestamp(), doubts),
            after_ends=ends,
            cooled_k=cooled,
            damp_after_pct=damp,
            waited=self._waited(coat),
            told_air=dict(coat.air or {}),
        )

    def air_of(self, coat: Coat) -> AirAt | None:
        """Return the air in which a coat went on."""
        at_s, begun = coat.at.timestamp(), _floor(coat.at)
        near_by = [(coat.place_id, begun - timedelta(minutes=20), begun + timedelta(minutes=25))]
        rows = self._rows(near_by, FINE_S)
        return air_at(rows, at_s, coat.place_id, self.heard.doubts(at_s))

    def film_case_of(self, coat: Coat, there: AirAt) -> FilmCase | None:
        """Return what a coat's film depends on; None where the model does not cover it."""
        material = self.catalogue.material_of(coat.material_id, coat.material_version)
        if material is None:
            return None
        plate_mm = self.whole_piece.row.plate_mm
        return film_case(there, material, coat, plate_mm, self.pressure_pa)

    def _until(self, coat: Coat) -> tuple[datetime, Ends]:
        ends: list[tuple[datetime, Ends]] = [(coat.at + AFTER, "day"), (self.flaw.seen_at, "flaw")]
        ends += [
            (other.at, "recoat")
            for other in self.piece.coats
            if other.at > coat.at and touches(other.parts, coat.parts)
        ]
        ends += [
            (step.at, "sand")
            for step in self.piece.steps
            if step.at > coat.at
            and touches(step.parts, coat.parts)
            and self._kind(step) in SANDING_KINDS
        ]
        until, why = min(ends, key=lambda end: end[0])
        return max(_ceil(until), _floor(coat.at) + timedelta(seconds=FINE_S)), why

    def _waited(self, coat: Coat) -> Wait | None:
        below = [c for c in self.coats if c.at < coat.at and touches(c.parts, coat.parts)]
        if not below:
            return None
        step = self.schedule.step(coat.step_key) if self.schedule else None
        same = below[-1].step_key == coat.step_key
        mark = mark_before(self.schedule, step, recoat=same)
        return self._wait(below[-1], coat.at, mark or "recoat")

    def _wait(self, coat: Coat, at: datetime, mark: str | None) -> Wait | None:
        """How far a coat was at an instant; by its soonest mark where it has none of that name."""
        material = self.catalogue.material_of(coat.material_id, coat.material_version)
        if material is None:
            return None
        times = marks_of(
            self.session,
            self.whole_piece.of(coat.parts),
            self.catalogue,
            at,
            coat,
            reckoning=self.reckoning,
        )
        wanted = hardest(material) if mark is None else mark
        if wanted not in material.marks:
            wanted = "recoat" if "recoat" in material.marks else next(iter(material.marks))
        scales = self.reckoning.scales_of(material)
        return wait_of(int(coat.id or 0), coat.at, at, wanted, times, material, scales)

    # -- steps and moves -------------------------------------------------------------------

    def _kind(self, step: StepDone) -> str:
        found = self.schedule.step(step.step_key) if self.schedule else None
        return found.kind if found else ""

    def _last_before(self, at: datetime) -> Coat | None:
        return next((c for c in reversed(self.coats) if c.at <= at), None)

    def _step(self, row: StepDone) -> StepEvidence:
        step = self.schedule.step(row.step_key) if self.schedule else None
        under, mark = self._last_before(row.at), mark_before(self.schedule, step)
        waited = None if under is None or mark is None else self._wait(under, row.at, mark)
        return StepEvidence(
            step_key=row.step_key,
            step_name=step.name if step else row.step_key,
            kind=step.kind if step else "",
            at=row.at,
            who=row.who,
            removed_um=row.removed_um,
            waited=waited,
        )

    def _moves(self) -> tuple[Move, ...]:
        found: list[Move] = []
        here: str | None = None
        for hanging in self.whole_piece.hangings:
            if hanging.from_at > self.flaw.seen_at:
                break
            if here is not None and hanging.place_id != here and hanging.from_at >= self.from_at:
                under = self._last_before(hanging.from_at)
                hardness = None if under is None else self._wait(under, hanging.from_at, None)
                found.append(Move(hanging.from_at, here, hanging.place_id, hardness))
            here = hanging.place_id
        return tuple(found)

    def _handled(self, steps: Sequence[StepEvidence], moves: Sequence[Move]) -> Wait | None:
        if not self.coats:
            return None
        last = self.coats[-1]
        acts = [s.at for s in steps if s.kind == "set_up" and s.at > last.at]
        for move in moves:
            place = self.session.get(Place, move.to_place)
            if place is not None and place.kind in KEPT_IN and move.at > last.at:
                acts.append(move.at)
        return self._wait(last, min(acts), None) if acts else None

    # -- the whole time --------------------------------------------------------------------

    def _hours(self, first: datetime) -> Rows:
        begin = first - timedelta(seconds=LEAD_S)
        return self._rows(_whole(self.whole_piece, begin, self.flaw.seen_at, HOUR_S), HOUR_S)

    def _wood(self, hours: Rows, first: datetime) -> WoodCourse | None:
        row = self.whole_piece.row
        plate = plate_of(row.shop_number, row.woods, row.plate_mm, coated=True)
        return wood_course(hours, plate, first.timestamp(), self.flaw.seen_at.timestamp())

    # -- air -------------------------------------------------------------------------------

    def _rows(self, spans: Sequence[tuple[str, datetime, datetime]], step_s: float) -> Rows:
        found = []
        for place, start, end in spans:
            rows = history.buckets(self.session, place, start, end - NO_MEMORY, round(step_s))
            found += [(place, row) for row in rows]
        return Rows.of(step_s, found)


def _after(rows: Rows, air_c: float | None, begun_s: float) -> tuple[float | None, float | None]:
    """Return the fall of the air in the hours after a coat, and the dampest of the first two."""
    setting = rows.inside(begun_s, begun_s + SET_FOR_S)
    opened = rows.inside(begun_s, begun_s + OPEN_FOR_S)
    cooled = None
    if air_c is not None and setting.any():
        cooled = max(0.0, air_c - float(rows.air_c[setting].min()))
    return cooled, float(rows.rh_max_pct[opened].max()) if opened.any() else None


def _whole(
    piece: Piece, from_at: datetime, until_at: datetime, step_s: float
) -> list[tuple[str, datetime, datetime]]:
    """Return the piece's stays, cut at whole steps so that no row belongs to two of them."""
    cut = []
    stays = stays_of(piece, from_at, until_at)
    for index, (place, start, end) in enumerate(stays):
        begin = start if index == 0 and step_s < FINE_S else _floor(start, step_s)
        stop = end if index == len(stays) - 1 else _floor(end, step_s)
        if begin < stop:
            cut.append((place, begin, stop))
    return cut


def _floor(at: datetime, step_s: float = FINE_S) -> datetime:
    return at - timedelta(seconds=at.timestamp() % step_s)


def _ceil(at: datetime) -> datetime:
    down = _floor(at)
    return down if down == at else down + timedelta(seconds=FINE_S)
