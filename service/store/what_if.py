"""What if, asked of a place in the shop: its air and room, the piece, and how damp fresh air is."""

from __future__ import annotations

from dataclasses import dataclass

from sqlmodel import Session, col, select

from service.shop.projection import REFERENCE
from service.shop.room_work import Room
from service.shop.said import say
from service.shop.what_if import Change, OnePiece, WhatIf, what_if
from service.store.arrivals import bodies_on
from service.store.desk import Desk
from service.store.errors import BadInput, Conflict
from service.store.fields import within
from service.store.pieces import load_piece
from service.store.tables import Place

__all__ = ["Asked", "RoomGiven", "ask_what_if"]


@dataclass(frozen=True)
class RoomGiven:
    """What is said of the room in the question; None: as the place has it, or assumed.

    ``makeup`` is the place whose air comes in as fresh air.
    """

    volume_m3: float | None = None
    air_changes_h: float | None = None
    makeup: str | None = None


@dataclass(frozen=True)
class Asked:
    """The coat as it would go on now, for whom and where; None: as usual."""

    place_id: str
    material_id: str
    instrument_id: int | None = None
    wet_um: float | None = None
    retarder_pct: float = 0.0
    plate_mm: float | None = None


def ask_what_if(desk: Desk, asked: Asked, change: Change, given: RoomGiven) -> WhatIf:
    """Ask the spray check as it is, and again under a change.

    Raises
    ------
    StoreError
        Naming the field that cannot be; Conflict where the place never had a reading.
    """
    within("heat_k", change.heat_k, 0.0, 30.0, "K")
    within("dehumidify_l_day", change.dehumidify_l_day, 0.0, 500.0, "litres a day")
    within("warm_work_min", change.warm_work_min, 0.0, 1440.0, "minutes")
    material = desk.material(asked.material_id)
    desk.coating(
        material,
        change.wet_um,
        0.0 if change.retarder_pct is None else change.retarder_pct,
        asked.plate_mm,
    )
    now = desk.spray_check(
        asked.place_id,
        asked.material_id,
        instrument_id=asked.instrument_id,
        wet_um=asked.wet_um,
        retarder_pct=asked.retarder_pct,
        plate_mm=asked.plate_mm,
    )
    if now.air is None:
        raise Conflict(
            "place", say("no reading has come from this place, so there is no air to change")
        )
    with desk.db.read() as session:
        space = _room(desk, session, asked.place_id, given)
        scales = desk.reckoning(session).scales_of(material)
        one = _piece(desk, session, asked, now.cold_surface_c)
    return what_if(
        now,
        now.air,
        material,
        change,
        space,
        stale_after_s=desk.facts.stale_after_s,
        piece=one,
        scales=scales or REFERENCE,
    )


def _room(desk: Desk, session: Session, place_id: str, given: RoomGiven) -> Room:
    places = session.exec(select(Place).order_by(col(Place.made_at), col(Place.id))).all()
    by_id = {place.id: place for place in places}
    here = by_id[place_id]
    volume = here.volume_m3 if given.volume_m3 is None else given.volume_m3
    changes = here.air_changes_h if given.air_changes_h is None else given.air_changes_h
    if volume is not None:
        within("volume_m3", volume, 0.1, 1e5, "m³")
    if changes is not None:
        within("air_changes_h", changes, 0.0, 1000.0, "1/h")
    if given.makeup is not None:
        if given.makeup not in by_id:
            raise BadInput("makeup", say("there is no place {name!r}", name=given.makeup))
        sources = [by_id[given.makeup]]
    else:
        # Fresh air is that of outdoors, else of a store beside it.
        sources = [
            place
            for kind in ("outdoors", "store")
            for place in places
            if place.kind == kind and place.id != place_id
        ]
    for source in sources:
        air = desk.air_at(session, source.id)
        if air is not None and air.trouble is None:
            return Room(volume, changes, air.humidity_ratio_g_kg, f"as in {source.name} now")
    if given.makeup is not None:
        raise BadInput("makeup", say("the air of {makeup} is not known now", makeup=given.makeup))
    return Room(volume, changes)


def _piece(
    desk: Desk, session: Session, asked: Asked, cold_surface_c: float | None
) -> OnePiece | None:
    if asked.instrument_id is None:
        return None
    piece = load_piece(session, asked.instrument_id)
    card = desk.card(asked.instrument_id)
    coat = next((c for c in piece.coats if c.id == card.last_coat_id), None)
    return OnePiece(
        bodies=bodies_on(piece, [part.part for part in card.parts if part.due]),
        cold_surface_c=cold_surface_c,
        recoat=card.act.wait if card.act.material_id == asked.material_id else None,
        last=card.marks,
        last_material=(
            None
            if coat is None
            else desk.catalogue.material_of(coat.material_id, coat.material_version)
        ),
        asked_at=desk.clock.now(),
    )
