"""What can be asked of the shop: each answer is read from the store and decided by ``shop``."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session, col, select

from service.clock import Clock
from service.science import air as moist
from service.shop.air import Air
from service.shop.cards import InstrumentCard, order
from service.shop.film_left import FilmLeft
from service.shop.film_table import FilmTable
from service.shop.materials import Coating, Material
from service.shop.notices import CheckState, SensorState
from service.shop.said import say
from service.shop.schedule import Schedule
from service.shop.spray_check import Answer, Reckoned, SprayCheck, check, reckoned
from service.shop.wood_watch import WoodWatch
from service.store import history as history_rows
from service.store import rejects
from service.store.airs import SensorView, ShopFacts, air_of, sensors_last_heard, view_of
from service.store.arrivals import USUAL_MARGIN_K, Arrival, arrival_of, cold_on
from service.store.catalogue import Catalogue
from service.store.db import Database
from service.store.errors import BadInput, NotFound
from service.store.fields import within
from service.store.history import History
from service.store.log import LogEntry, log_of
from service.store.memo import kept
from service.store.once import Once
from service.store.outlooks import Issue, Outlooks
from service.store.pieces import (
    Piece,
    all_pieces,
    card_of,
    film_on,
    load_piece,
    place_at,
    schedule_of,
)
from service.store.reckoning import Reckoning
from service.store.sensor_course import SensorPoint, sensor_course
from service.store.sensor_views import Held, SensorDetail, check_states, details, held, sensor_row
from service.store.tables import (
    Flaw,
    Instrument,
    Notice,
    Place,
    Reject,
    Sensor,
)
from service.store.verdicts import reckoning_of
from service.store.window_book import SprayOutlook, WindowBook
from service.store.wood import KEEPING_KINDS, wood_of

__all__ = ["Desk", "LogEntry", "PlaceView", "SensorView", "ShopFacts"]

WET_MIN_UM, WET_MAX_UM = 5.0, 1000.0
RETARDER_MAX_PCT = 20.0

POINTS_KEPT = 200
"""Histories of so few points, which pages draw again and again, are kept while nothing is new."""


Kept = TypeVar("Kept")

NO_TIME = datetime(1970, 1, 1, tzinfo=UTC)

_Asked = tuple[Air, str, int | None, Coating, bool]


@dataclass(frozen=True)
class PlaceView:
    """A place and its air now."""

    id: str
    name: str
    kind: str
    volume_m3: float | None
    air: Air | None
    air_changes_h: float | None = None


class Desk:
    """Answers questions; changes nothing.

    Every method opens its own short read and may be called from any thread.
    """

    def __init__(self, db: Database, clock: Clock, catalogue: Catalogue, facts: ShopFacts) -> None:
        self.db, self.clock, self.catalogue, self.facts = db, clock, catalogue, facts
        # Pages, notices and the API ask about the same air again and again until the next reading.
        self._reckoned: Once[_Asked, Reckoned] = Once(256)
        self._answers: dict[tuple[str, str], Answer] = {}
        self._answers_lock = threading.Lock()
        self.outlooks = Outlooks(db, clock)
        self._windows = WindowBook()

    # -- places and air --------------------------------------------------------------------

    def places(self) -> list[PlaceView]:
        """Every place with its air now."""
        with self.db.read() as session:
            rows = kept(session, "places", lambda: _place_rows(session))
            return [self._place_view(session, row) for row in rows]

    def place(self, place_id: str) -> PlaceView:
        """One place with its air now; raises NotFound."""
        with self.db.read() as session:
            return self._place_view(session, _place_row(session, place_id))

    def air(self, place_id: str) -> Air | None:
        """The air of a place now; None where it never had a reading."""
        return self.place(place_id).air

    def air_at(self, session: Session, place_id: str) -> Air | None:
        """The air of a place now, within a session that is already open."""
        return air_of(session, place_id, self.clock.now(), self.facts)

    def sensors(self) -> list[SensorView]:
        """Every sensor and how long it has been silent."""
        now = self.clock.now()
        with self.db.read() as session:
            return [
                view_of(sensor, last_at, now, self.facts.stale_after_s)
                for sensor, last_at in sensors_last_heard(session)
            ]

    def sensor_states(self, session: Session) -> list[SensorState]:
        """Every sensor in use that was ever heard, for the notices."""
        return [
            SensorState(sensor.place_id, sensor.name, last_at)
            for sensor, last_at in sensors_last_heard(session)
            if last_at is not None and sensor.retired_at is None
        ]

    def check_states(self, session: Session) -> list[CheckState]:
        """When each sensor in use was checked, for the notices."""
        sensors = session.exec(select(Sensor).where(col(Sensor.retired_at).is_(None))).all()
        return check_states(session, sensors, self.facts)

    def sensor_details(self) -> list[SensorDetail]:
        """Every sensor as it stands, by place and name."""
        with self.db.read() as session:
            rows = session.exec(
                select(Sensor).order_by(col(Sensor.place_id), col(Sensor.name))
            ).all()
            return details(session, rows, self.clock.now(), self.facts)

    def sensor_detail(self, sensor_id: int) -> SensorDetail:
        """One sensor as it stands; raises NotFound."""
        with self.db.read() as session:
            row = sensor_row(session, sensor_id)
            return details(session, [row], self.clock.now(), self.facts)[0]

    def sensor_course(
        self, sensor_id: int, from_at: datetime, to_at: datetime, step_s: int
    ) -> list[SensorPoint]:
        """A sensor's own course in spans of ``step_s``; raises NotFound."""
        with self.db.read() as session:
            sensor_row(session, sensor_id)
            return sensor_course(session, sensor_id, from_at, to_at, step_s)

    def corrections(self, sensor_id: int) -> list[Held]:
        """Every correction of a sensor, newest first, undone ones too; raises NotFound."""
        with self.db.read() as session:
            sensor_row(session, sensor_id)
            return held(session, sensor_id, self.clock.now())

    def history(
        self,
        place_id: str,
        from_at: datetime,
        to_at: datetime,
        resolution: str = "auto",
        points: int = 600,
    ) -> History:
        """Readings of a place, raw or in buckets; raises NotFound and BadInput.

        Each row carries ``dew_point_c``: a reading's own, or that of a bucket's mean air; None in
        bone-dry air.
        """
        if from_at >= to_at:
            raise BadInput("from", say("must lie before `to`"))
        with self.db.read() as session:
            _place_row(session, place_id)

            def read() -> History:
                return history_rows.history(
                    session, place_id, from_at, to_at, resolution=resolution, points=points
                )

            if resolution != "auto" or points > POINTS_KEPT:
                return read()
            return kept(session, ("history", place_id, from_at, to_at, points), read)

    def kept(self, key: Hashable, make: Callable[[], Kept]) -> Kept:
        """Return what is made of the record alone; made once while nothing new is recorded."""
        with self.db.read() as session:
            return kept(session, key, make)

    # -- the spray check -------------------------------------------------------------------

    def spray_check(
        self,
        place_id: str,
        material_id: str,
        *,
        instrument_id: int | None = None,
        wet_um: float | None = None,
        retarder_pct: float = 0.0,
        plate_mm: float | None = None,
        card: InstrumentCard | None = None,
    ) -> SprayCheck:
        """Ask whether ``material_id`` may be sprayed in ``place_id`` now.

        With ``instrument_id`` its last coat's mark and its plate count too, and so does how cold it
        still is where it came in cold. ``card`` is that instrument's, for who has just asked for
        it.
        """
        material = self.material(material_id)
        if material.blend is None:
            raise BadInput(
                "material", say("{name} is not sprayed, so there is no check", name=material.name)
            )
        with self.db.read() as session:
            _place_row(session, place_id)
            air = self.air_at(session, place_id)
            recoat = cold = None
            if instrument_id is not None:
                piece = load_piece(session, instrument_id)
                plate_mm = plate_mm or piece.row.plate_mm
                card = card or self._card(session, piece)
                recoat = card.act.wait if card.act.material_id == material_id else None
                due = [part.part for part in card.parts if part.due]
                cold = cold_on(session, piece, air, self.clock.now(), due)
        coating = self.coating(material, wet_um, retarder_pct, plate_mm)
        usual = instrument_id is None and coating == self.coating(material, None, 0.0, None)
        result = check(
            air,
            material,
            coating,
            stale_after_s=self.facts.stale_after_s,
            previous=self._previous(place_id, material_id),
            recoat=recoat,
            cold=cold,
            reckon=self._reckon_kept,
        )
        if usual:
            with self._answers_lock:
                self._answers[place_id, material_id] = result.answer
        return result

    def outlook(self, place_id: str) -> tuple[Issue | None, str]:
        """The outlook of a place, or None and why there is none; raises NotFound."""
        with self.db.read() as session:
            _place_row(session, place_id)
            issue = self.outlooks.of(session, place_id)
        return issue, "" if issue is not None else self.outlooks.why_none(place_id)

    def windows(self, place_id: str, asked: SprayCheck, *, wait: bool = False) -> SprayOutlook:
        """Tell when the check asked of a place will say *spray*, over the next 48 h.

        With ``wait`` whatever has to be made for it first is made now, in seconds; without, the
        answer says so and the next refresh makes it. Raises NotFound.
        """
        issue, why = self.outlook(place_id)
        if issue is None:
            return SprayOutlook((), None, why)
        material = self.material(asked.material_id)
        return self._windows.of(issue, material, asked, self.clock.now(), wait=wait)

    def film_table(self, asked: SprayCheck) -> tuple[FilmTable | None, str]:
        """Return the film's table of a check's material and coat, or why there is none yet."""
        return self._windows.table(self.material(asked.material_id), asked)

    def wood(self, place_id: str) -> WoodWatch:
        """How the air of a place stands to the wood in it; raises NotFound."""
        with self.db.read() as session:
            _place_row(session, place_id)
            return self.wood_in(session, place_id, all_pieces(session))

    def wood_in(self, session: Session, place_id: str, pieces: Sequence[Piece]) -> WoodWatch:
        """The wood watch of a place, within a session that is already open."""
        return wood_of(session, place_id, pieces, self.clock.now(), self._expected)

    def keeping_places(self, session: Session, pieces: Sequence[Piece]) -> list[Place]:
        """Places where wood is kept or a piece hangs."""
        hung = {place_at(piece, self.clock.now()) for piece in pieces}
        rows = session.exec(select(Place).order_by(col(Place.id))).all()
        return [
            p for p in rows if p.kind in KEEPING_KINDS or (p.kind != "outdoors" and p.id in hung)
        ]

    def _expected(
        self, session: Session, place_id: str
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None:
        issue = self.outlooks.of(session, place_id)
        if issue is None:
            return None
        told = issue.quantiles
        day = told.horizon_h <= 24.0
        middle = told.air_c.shape[1] // 2
        air_c, dew_c = told.air_c[day, middle], told.dew_point_c[day, middle]
        rh_pct = np.asarray(moist.rh_at_dew_point(air_c, np.minimum(dew_c, air_c)))
        return issue.issued_s + told.horizon_h[day] * 3600.0, air_c, rh_pct

    def refresh_outlooks(
        self, first: Sequence[str] = (), told: Callable[[str], object] = lambda _place: None
    ) -> list[str]:
        """Fit the outlooks that are due and make what windows need; returns the places fitted.

        ``first`` are places that go before the others; ``told`` hears of each place that has a new
        outlook, and "" when windows can be told that could not before.
        """
        if self._windows.prepare():
            told("")

        def fitted(place_id: str) -> None:
            told(place_id)
            # Whoever was told may have asked for windows, which need a table now.
            if self._windows.prepare():
                told("")

        return self.outlooks.refresh(first, fitted)

    def coating(
        self,
        material: Material,
        wet_um: float | None,
        retarder_pct: float,
        plate_mm: float | None,
    ) -> Coating:
        """Check the figures of a coat; raises BadInput naming the field."""
        wet = material.usual_wet_um if wet_um is None else wet_um
        within("wet_um", wet, WET_MIN_UM, WET_MAX_UM, "µm")
        within("retarder_pct", retarder_pct, 0.0, RETARDER_MAX_PCT, "%")
        plate = 3.0 if plate_mm is None else plate_mm
        within("plate_mm", plate, 1.0, 100.0, "mm")
        return Coating(wet_um=wet, retarder_pct=retarder_pct, plate_mm=plate)

    def material(self, material_id: str, field: str = "material") -> Material:
        """Look a material up; raises BadInput naming ``field``."""
        found = self.catalogue.materials.get(material_id)
        if found is None:
            known = ", ".join(sorted(self.catalogue.materials))
            raise BadInput(
                field,
                say(
                    "unknown material {material_id!r}; known: {known}",
                    material_id=material_id,
                    known=known,
                ),
            )
        return found

    def _reckon_kept(
        self,
        air: Air,
        material: Material,
        coating: Coating,
        after_wait: bool,  # noqa: FBT001 -- one meaning
    ) -> Reckoned:
        # An airs dataclass can be a key, a material cannot: its id and version stand for it.
        version = self.catalogue.current.get(("material", material.id))
        # The film does not ask when the air was read and by what: the same air is reckoned once.
        still = replace(air, as_of=NO_TIME, age_s=0.0, sensors=(), left_out=(), trouble=None)
        key = still, material.id, version, coating, after_wait

        def reckon() -> Reckoned:
            of_version = self.catalogue.material_of(material.id, version)
            if of_version is None:
                raise KeyError(material.id)
            return reckoned(still, of_version, coating, after_wait)

        return self._reckoned.get(key, reckon)

    def _previous(self, place_id: str, material_id: str) -> Answer | None:
        with self._answers_lock:
            return self._answers.get((place_id, material_id))

    # -- instruments -----------------------------------------------------------------------

    def cards(self) -> list[InstrumentCard]:
        """Every instrument under way, who is ready first."""
        with self.db.read() as session:
            return self.cards_in(session)

    def cards_in(self, session: Session) -> list[InstrumentCard]:
        """Every instrument under way, within a session that is already open."""
        now, reckoning = self.clock.now(), self.reckoning(session)
        pieces = all_pieces(session)
        return order([card_of(session, p, self.catalogue, now, reckoning) for p in pieces])

    def card(self, instrument_id: int) -> InstrumentCard:
        """One instrument; raises NotFound."""
        with self.db.read() as session:
            piece = load_piece(session, instrument_id)
            return self._card(session, piece)

    def shop_numbers(self) -> dict[int, str]:
        """Shop number of every instrument by its id, those that have left the shop too."""
        with self.db.read() as session:
            asked = select(Instrument.id, Instrument.shop_number)
            rows = kept(session, "numbers", lambda: list(session.exec(asked).all()))
            return {int(row_id or 0): number for row_id, number in rows}

    def reckoning(self, session: Session) -> Reckoning:
        """What ready times rest on besides each piece's record, within an open session."""
        return replace(reckoning_of(session), outlook_of=self.outlooks.at_once())

    def schedule(self, instrument_id: int) -> Schedule | None:
        """The schedule that an instrument follows; raises NotFound."""
        with self.db.read() as session:
            return schedule_of(load_piece(session, instrument_id), self.catalogue)

    def arrival(self, instrument_id: int) -> Arrival | None:
        """The newest time that a piece came in cold or damp, if any; raises NotFound."""
        with self.db.read() as session:
            piece = load_piece(session, instrument_id)
            place_id = place_at(piece, self.clock.now())
            air = None if place_id is None else self.air_at(session, place_id)
            next_id = self._card(session, piece).act.material_id
            material = self.catalogue.materials.get(next_id or "")
            margin = material.limits.dew_point_margin_k.value if material else USUAL_MARGIN_K
            return arrival_of(session, piece, air, self.clock.now(), margin)

    def film(self, instrument_id: int) -> dict[str, FilmLeft]:
        """Film that lies on each part ("": on all of it); raises NotFound."""
        with self.db.read() as session:
            piece = load_piece(session, instrument_id)
            index = self._card(session, piece).steps_done
            return {part: film_on(piece, part, self.catalogue, index) for part in piece.parts}

    def log(self, instrument_id: int) -> list[LogEntry]:
        """Everything recorded on an instrument, newest first; undone entries are marked."""
        with self.db.read() as session:
            piece = load_piece(session, instrument_id)
            return log_of(session, piece, self.catalogue, self.clock.now())

    # -- notices, flaws, rejects -----------------------------------------------------------

    def notices(self, *, limit: int = 50, unseen_only: bool = False) -> list[Notice]:
        """Newest notices first."""

        def read() -> list[Notice]:
            query = select(Notice).order_by(col(Notice.at).desc(), col(Notice.id).desc())
            if unseen_only:
                query = query.where(col(Notice.seen_at).is_(None))
            return list(session.exec(query.limit(limit)).all())

        with self.db.read() as session:
            return list(kept(session, ("notices", limit, unseen_only), read))

    def flaws(self, instrument_id: int | None = None) -> list[Flaw]:
        """Flaws that stand, newest first."""

        def read() -> list[Flaw]:
            query = select(Flaw).where(col(Flaw.undone_at).is_(None))
            if instrument_id is not None:
                query = query.where(col(Flaw.instrument_id) == instrument_id)
            query = query.order_by(col(Flaw.seen_at).desc(), col(Flaw.id).desc())
            return list(session.exec(query).all())

        with self.db.read() as session:
            return list(kept(session, ("flaws", instrument_id), read))

    def rejects(self, limit: int = 50) -> list[Reject]:
        """Payloads that could not be used, newest first."""
        with self.db.read() as session:
            return list(rejects.recent(session, limit))

    def reject_count(self) -> int:
        """How many payloads could not be used and are kept."""
        with self.db.read() as session:
            return rejects.count(session)

    def _card(self, session: Session, piece: Piece) -> InstrumentCard:
        reckoning = self.reckoning(session)
        return card_of(session, piece, self.catalogue, self.clock.now(), reckoning)

    def _place_view(self, session: Session, row: Place) -> PlaceView:
        air = self.air_at(session, row.id)
        return PlaceView(row.id, row.name, row.kind, row.volume_m3, air, row.air_changes_h)


def _place_rows(session: Session) -> list[Place]:
    return list(session.exec(select(Place).order_by(col(Place.made_at), col(Place.id))).all())


def _place_row(session: Session, place_id: str) -> Place:
    row = kept(session, ("place", place_id), lambda: session.get(Place, place_id))
    if row is None:
        raise NotFound("place", say("there is no place {name!r}", name=place_id))
    return row
