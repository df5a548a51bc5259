"""From what the desk says to what the API gives."""

from __future__ import annotations

from service.shop.air import Air
from service.shop.cards import InstrumentCard, NextAct, PlannedMove
from service.shop.materials import Figure, Material
from service.shop.projection import ReadyTime
from service.shop.schedule import Schedule
from service.shop.spray_check import SprayCheck
from service.shop.spray_windows import SprayWindow
from service.shop.wood_watch import BAND_PCT, WoodWatch
from service.store.arrivals import Arrival
from service.store.desk import LogEntry, PlaceView
from service.store.tables import Coat, Hanging, Notice, Reject, StepDone
from service.web import models

__all__ = [
    "air_out",
    "coat_out",
    "cold_arrival_out",
    "hang_out",
    "instrument_out",
    "logged_coat",
    "material_out",
    "notice_out",
    "place_out",
    "ready_out",
    "reject_out",
    "schedule_out",
    "spray_check_out",
    "step_done_out",
    "wood_out",
]

NO_READING = "no reading has come from this place"
LIMIT_NAMES = (
    "air_min_c",
    "air_max_c",
    "rh_max_pct",
    "dew_point_margin_k",
    "blush_margin_k",
)


def air_out(air: Air | None) -> models.AirOut:
    """Air of a place; a place without a reading says so in ``trouble``."""
    return models.AirOut(trouble=NO_READING) if air is None else models.AirOut.model_validate(air)


def place_out(place: PlaceView) -> models.PlaceOut:
    """A place and its air, null where it never had a reading."""
    return models.PlaceOut.model_validate(place)


def spray_check_out(
    check: SprayCheck,
    place_id: str,
    material: Material,
    instrument_id: int | None,
    next_window: SprayWindow | None = None,
) -> models.SprayCheckOut:
    """The answer; every figure of the air is null where the place never had a reading."""
    air = air_out(check.air)
    return models.SprayCheckOut(
        answer=check.answer,
        place=place_id,
        material=check.material_id,
        instrument=instrument_id,
        wet_um=check.coating.wet_um,
        retarder_pct=check.coating.retarder_pct,
        plate_mm=check.coating.plate_mm,
        reasons=[models.ReasonOut.model_validate(reason) for reason in check.reasons],
        ways_out=[models.WayOutOut.model_validate(way) for way in check.ways_out],
        air_c=air.air_c,
        rh_pct=air.rh_pct,
        dew_point_c=air.dew_point_c,
        dew_point_sd_k=air.dew_point_sd_k,
        surface_c=check.surface_c,
        surface_measured=None if check.air is None else air.surface_measured,
        dew_point_margin_k=(
            None
            if check.surface_c is None or air.dew_point_c is None
            else check.surface_c - air.dew_point_c
        ),
        film_floor_c=check.film_floor_c,
        blush_margin_k=check.blush_margin_k,
        blush_margin_sd_k=check.blush_margin_sd_k,
        blush_probability=check.blush_probability,
        haze_margin_k=check.haze_margin_k,
        condensed_at_set_g_m2=check.condensed_at_set_g_m2,
        flash_off_s=check.flash_off_s,
        as_of=check.as_of,
        age_s=air.age_s,
        cautions=material.cautions,
        next_window=next_window and models.WindowOut.model_validate(next_window),
    )


def wood_out(found: WoodWatch) -> models.WoodOut:
    """How the air of a place stands to the wood in it."""
    low, high = BAND_PCT
    return models.WoodOut(
        state=found.state,
        since=found.since,
        rh_pct=found.rh_pct,
        low_pct=low,
        high_pct=high,
        equilibrium_pct=found.equilibrium_pct,
        tomorrow_equilibrium_pct=found.tomorrow_equilibrium_pct,
        plates=[
            models.PlateOut(
                name=moves.plate.name,
                wood=moves.plate.wood,
                thickness_mm=moves.plate.thickness_mm,
                width_mm=moves.plate.width_mm,
                yesterday_pct=moves.yesterday_pct,
                moisture_pct=moves.moisture_pct,
                tomorrow_pct=moves.tomorrow_pct,
                moved_mm=moves.moved_mm,
                will_move_mm=moves.will_move_mm,
                too_fast=moves.too_fast,
            )
            for moves in found.plates
        ],
    )


def material_out(material: Material) -> models.MaterialOut:
    """A material with its marks, soonest first, and its limits."""
    limits: dict[str, models.FigureOut] = {}
    for name in LIMIT_NAMES:
        figure: Figure | None = getattr(material.limits, name)
        if figure is not None:
            limits[name] = models.FigureOut.model_validate(figure)
    return models.MaterialOut(
        id=material.id,
        name=material.name,
        family=material.family,
        sprayed=material.blend is not None,
        usual_wet_um=material.usual_wet_um,
        retarder=material.retarder,
        marks=[
            models.MarkOut.model_validate(mark)
            for mark in sorted(material.marks.values(), key=lambda mark: mark.hours)
        ],
        limits=limits,
        cautions=material.cautions,
        note=material.note,
        pot_life_h=material.pot_life_h and models.FigureOut.model_validate(material.pot_life_h),
    )


def schedule_out(schedule: Schedule) -> models.ScheduleOut:
    """A schedule and its steps in order."""
    return models.ScheduleOut.model_validate(schedule)


def ready_out(
    mark: ReadyTime, coat_id: int | None = None, for_step: str | None = None
) -> models.ReadyOut:
    """One mark of the drying clock."""
    out = models.ReadyOut.model_validate(mark)
    return out.model_copy(update={"coat": coat_id, "for_step": for_step})


def marks_out(card: InstrumentCard) -> list[models.ReadyOut]:
    """Every mark of a card's last coat; the one that the open step waits for names that step."""
    waited = card.act.wait.mark if card.act.wait is not None else None
    return [
        ready_out(mark, card.last_coat_id, card.act.step_key if mark.mark == waited else None)
        for mark in card.marks
    ]


def instrument_out(card: InstrumentCard) -> models.InstrumentOut:
    """An instrument as its card shows it."""
    return models.InstrumentOut(
        id=card.id,
        shop_number=card.shop_number,
        kind=card.kind,
        woods=card.woods,
        plate_mm=card.plate_mm,
        schedule=card.schedule_id,
        schedule_name=card.schedule_name,
        place=card.place_id,
        steps_done=card.steps_done,
        steps=card.steps,
        next=_next_out(card.act, card.last_coat_id),
        marks=marks_out(card),
        last_coat=card.last_coat_id,
        last_coat_at=card.last_coat_at,
        parts=[
            models.PartOut(part=p.part, due=p.due, next=_next_out(p.act, None)) for p in card.parts
        ],
        moves=[_move_out(move, card) for move in card.moves],
        due_move=None if card.due_move is None else _move_out(card.due_move, card),
    )


def _move_out(move: PlannedMove, card: InstrumentCard) -> models.HangOut:
    return models.HangOut(id=move.id, instrument=card.id, place=move.place_id, at=move.at)


def _next_out(act: NextAct, coat_id: int | None) -> models.NextOut:
    return models.NextOut(
        state=act.state,
        step=act.step_key,
        step_kind=act.step_kind,
        step_name=act.step_name,
        how=act.how,
        material=act.material_id,
        coat_number=act.coat_number,
        coats=act.coats,
        waits_for=act.waits_for,
        caution=act.caution,
        wait=None if act.wait is None else ready_out(act.wait, coat_id, act.step_key),
    )


def coat_out(row: Coat) -> models.CoatOut:
    """A coat as it was just recorded."""
    return models.CoatOut(
        id=int(row.id or 0),
        instrument=row.instrument_id,
        step=row.step_key,
        material=row.material_id,
        at=row.at,
        wet_um=row.wet_um,
        passes=row.passes,
        retarder_pct=row.retarder_pct,
        place=row.place_id,
        who=row.who,
        note=row.note,
        undone=row.undone_at is not None,
        air=models.finite(row.air) or None,
        parts=row.parts,
        build=row.build,
        distance_cm=row.distance_cm,
        batch=row.batch,
    )


def logged_coat(entry: LogEntry, instrument_id: int) -> models.CoatOut:
    """A coat out of an instrument's record."""
    return models.CoatOut(
        id=entry.id,
        instrument=instrument_id,
        step=entry.step_key,
        material=entry.material_id,
        at=entry.at,
        wet_um=entry.wet_um,
        passes=entry.passes,
        retarder_pct=entry.retarder_pct,
        place=entry.place_id,
        who=entry.who,
        note=entry.note,
        undone=entry.undone,
        air=models.finite(entry.air),
        parts=list(entry.parts),
        build=entry.build,
        distance_cm=entry.distance_cm,
        batch=entry.batch,
    )


def cold_arrival_out(found: Arrival) -> models.ColdArrivalOut:
    """A cold arrival and what is reckoned of it."""
    row, cold, damp = found.row, found.cold, found.damp
    return models.ColdArrivalOut(
        id=int(row.id or 0),
        instrument=row.instrument_id,
        at=row.at,
        wood_c=row.wood_c,
        wood_rh_pct=row.wood_rh_pct,
        part=None if cold is None else cold.part,
        surface_c=None if cold is None else cold.surface_c,
        margin_k=found.margin_k,
        clear_at=found.clear_at,
        near_at=None if cold is None else cold.near_at,
        moisture_then_pct=None if damp is None else damp.moisture_pct,
        moisture_here_pct=None if damp is None else damp.here_pct,
        moisture_near_at=None if damp is None else damp.near_at,
    )


def step_done_out(row: StepDone) -> models.StepDoneOut:
    """A step recorded as done."""
    return models.StepDoneOut(
        id=int(row.id or 0),
        instrument=row.instrument_id,
        step=row.step_key,
        at=row.at,
        who=row.who,
        note=row.note,
        parts=row.parts,
        removed_um=row.removed_um,
    )


def hang_out(row: Hanging) -> models.HangOut:
    """Where an instrument hangs from now on."""
    return models.HangOut(
        id=int(row.id or 0), instrument=row.instrument_id, place=row.place_id, at=row.from_at
    )


def notice_out(row: Notice) -> models.NoticeOut:
    """A notice."""
    return models.NoticeOut(
        id=int(row.id or 0),
        kind=row.kind,
        at=row.at,
        text=row.text,
        place=row.place_id,
        instrument=row.instrument_id,
        coat=row.coat_id,
        seen_at=row.seen_at,
    )


def reject_out(row: Reject) -> models.RejectOut:
    """A payload that could not be used; bytes that are no text are shown as escapes."""
    return models.RejectOut(
        id=int(row.id or 0),
        received_at=row.received_at,
        topic=row.topic,
        size_bytes=row.size_bytes,
        field=row.field,
        reason=row.reason,
        payload=bytes(row.payload).decode("utf-8", "backslashreplace"),
    )
