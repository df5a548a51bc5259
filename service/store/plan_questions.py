"""What a plan is asked of: each piece's acts and waits, working hours, spray windows."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from datetime import date, datetime, timedelta, tzinfo

import numpy as np
from sqlmodel import Session

from service.science import drying
from service.shop.cards import InstrumentCard
from service.shop.learning import Z80, mark_sd
from service.shop.materials import Material
from service.shop.parts import touches
from service.shop.plan import Chain, Hours, Rules, Stretch
from service.shop.plan.model import joined
from service.shop.plan.upcoming import acts_ahead
from service.shop.said import say
from service.shop.schedule import Schedule
from service.store import readings
from service.store.desk import Desk
from service.store.pieces import Piece, place_at, schedule_of
from service.store.reckoning import Reckoning
from service.store.working import Working, minutes_until, working_stretches

__all__ = ["FAR_DAYS", "PlanQuestions", "why_not"]

FAR_DAYS = 150
"""How far ahead a finish is looked for."""

LIKELY = 0.5
OUTLOOK_H = 48

AS_IT_IS_MIN = 30
"""For so long, enough for one coat, the air stays as it is where the check says *spray* now,
whatever the outlook makes likely (assumed)."""

AGAIN_MIN = 30
"""Where the check does not say *spray* now it is asked again after this long (assumed): no coat is
planned before, whatever the outlook makes likely, so that hands do not wait for it."""
USUAL_AIR = (21.0, 50.0)
"""Air of a place without readings of the last day (assumed)."""


class PlanQuestions:
    """Asks the desk for what a plan needs."""

    def __init__(self, desk: Desk, zone: tzinfo) -> None:
        self.desk, self.zone = desk, zone

    def chain(
        self,
        piece: Piece,
        card: InstrumentCard,
        air: tuple[float, float],
        now: datetime,
        z: float,
        reckoning: Reckoning,
    ) -> Chain:
        """A piece's acts with their waits; ``z`` is how cautiously these are taken, in sd."""
        schedule = schedule_of(piece, self.desk.catalogue)
        if schedule is None:
            return Chain(piece.row.shop_number, ())
        last = piece.last_coat

        def wait_of(material_id: str, mark: str) -> tuple[int, int | None]:
            return self._wait(material_id, mark, air, z, reckoning)

        return acts_ahead(
            piece.row.shop_number,
            schedule,
            card.steps_done,
            (card.act.coat_number or 1) - 1,
            _first_wait(schedule, card, {s.step_key for s in piece.steps}, now, z),
            None if last is None else last.material_id,
            wait_of,
            self._sprays,
        )

    def _wait(
        self,
        material_id: str,
        mark: str,
        air: tuple[float, float],
        z: float,
        reckoning: Reckoning,
    ) -> tuple[int, int | None]:
        """Minutes until a mark in the air of the last day, and until its window closes."""
        material = self.desk.catalogue.materials.get(material_id)
        known = None if material is None else material.marks.get(mark)
        if material is None or known is None:
            return 0, None
        speed = float(drying.rate(material.drying, *air, material.usual_wet_um))
        learned = reckoning.scales_of(material).get(mark)
        scale, spread = (
            (1.0, mark_sd(known)) if learned is None else (learned.middle, learned.sd_log)
        )
        minutes = 60.0 * known.hours * scale / speed
        closes = None
        if known.closes_hours is not None:
            closes = int(60.0 * known.closes_hours * scale / speed * math.exp(-Z80 * spread))
        return math.ceil(minutes * math.exp(z * spread)), closes

    def coats_on(self, piece: Piece, day: date | None) -> int:
        """Coats that were sprayed on a piece in a day: on that part of it that had most."""
        sprayed = [
            coat
            for coat in piece.coats
            if self._sprays(coat.material_id) and coat.at.astimezone(self.zone).date() == day
        ]
        return max(sum(touches(c.parts, (part,)) for c in sprayed) for part in piece.parts)

    def _sprays(self, material_id: str) -> bool:
        material = self.desk.catalogue.materials.get(material_id)
        return material is not None and material.blend is not None

    def air(self, session: Session, piece: Piece, now: datetime) -> tuple[float, float]:
        """Mean temperature (°C) and humidity (%) of the last day where a piece is to hang."""
        # Where it hangs tomorrow tells more of the week than where it hangs this hour.
        place_id = place_at(piece, now + timedelta(days=1))
        if place_id is None:
            return USUAL_AIR
        course = readings.series(session, place_id, now - timedelta(days=1), now, 3600.0)
        if course.time_s.size == 0:
            return USUAL_AIR
        return float(np.mean(course.air_c)), float(np.mean(course.rh_pct))

    # -- when it may be done ---------------------------------------------------------------

    def rules(
        self,
        can: Sequence[tuple[Piece, InstrumentCard]],
        working: Working,
        now: datetime,
        days: int,
    ) -> tuple[Rules, datetime | None]:
        """Hours, windows and capacities for so many days, and until when there is an outlook."""
        hours = Hours(tuple(working_stretches(working, now, self.zone, days)))
        windows: dict[str, list[Stretch]] = {}
        known = False
        for material in self._to_spray(can):
            found, told = self._windows(can, material, now, hours)
            known = known or told
            if found is not None:
                windows[material.id] = found
        rules = Rules(
            hours,
            windows,
            hands=working.hands,
            booth=working.booth,
            most_coats_a_day=working.most_coats_a_day,
            setup_min=working.setup_min,
            mask_setup_min=working.mask_setup_min,
        )
        return rules, now + timedelta(hours=OUTLOOK_H) if known else None

    def _to_spray(self, can: Sequence[tuple[Piece, InstrumentCard]]) -> list[Material]:
        wanted = {
            step.material
            for piece, card in can
            if (schedule := schedule_of(piece, self.desk.catalogue)) is not None
            for step in schedule.steps[card.steps_done :]
            if step.material is not None and self._sprays(step.material)
        }
        return [self.desk.catalogue.materials[m] for m in sorted(wanted)]

    def _windows(
        self,
        can: Sequence[tuple[Piece, InstrumentCard]],
        material: Material,
        now: datetime,
        hours: Hours,
    ) -> tuple[list[Stretch] | None, bool]:
        """Likely spray windows of the outlook, and past it every working hour.

        What the check says now comes before what the outlook makes likely. Tells too whether there
        is an outlook; without it, and with the check content, there are no windows to keep to.
        """
        place = self._booth(can)
        if place is None:
            return None, False
        check = self.desk.spray_check(place, material.id)
        outlook = self.desk.windows(place, check)
        told = not outlook.why_none
        end = OUTLOOK_H * 60 if told else 0
        windows = [
            (minutes_until(w.start_at, now), minutes_until(w.end_at, now))
            for w in outlook.windows
            if w.probability >= LIKELY
        ]
        windows += [(max(a, end), b) for a, b in hours.working if b > end]
        if check.answer != "spray":
            return [(max(a, AGAIN_MIN), b) for a, b in windows if b > AGAIN_MIN], told
        return (joined([(0, AS_IT_IS_MIN), *windows]) if told else None), told

    def _booth(self, can: Sequence[tuple[Piece, InstrumentCard]]) -> str | None:
        booths = [p.id for p in self.desk.places() if p.kind == "booth"]
        used = [c.place_id for _, c in can if c.place_id in booths]
        return used[0] if used else booths[0] if booths else None


def why_not(card: InstrumentCard) -> str:
    """Say why nothing can be planned for a piece; empty where it can."""
    if card.act.state == "finished":
        return say("finished")
    if card.act.state == "unknown":
        return say("no air is known where it hangs")
    return "" if card.place_id is not None else say("it hangs in no place")


def _first_wait(
    schedule: Schedule, card: InstrumentCard, by_hand: Collection[str], now: datetime, z: float
) -> int:
    """Minutes until the open step may begin: on the cautious side for a positive ``z``.

    On the card a wait is over at the middle estimate; here the same side counts until the end, or
    a plan would promise nine in ten and, made anew, begin at five in ten. So too with a step that
    only waits and has just ended by itself; one that was ended ``by_hand`` is over.
    """
    wanted = set() if card.act.wait is None else {card.act.wait.mark}
    if (card.act.coat_number or 1) == 1:
        for step in reversed(schedule.steps[: card.steps_done]):
            if step.until is None or step.key in by_hand:
                break
            wanted.add(step.until)
    waits = [0]
    for mark in card.marks:
        if mark.mark in wanted:
            at = mark.ready_until if z > 0 else mark.ready_from
            waits.append(FAR_DAYS * 24 * 60 if at is None else minutes_until(at, now))
    return max(waits)
